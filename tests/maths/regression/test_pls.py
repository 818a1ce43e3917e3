"""Weighted PLS with all folds at once equals brute force and scikit-learn."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.cross_decomposition import PLSRegression
from sklearn.datasets import load_linnerud

from specmatch.errors import OptionError
from specmatch.maths.regression.pls import (
    fit_pls,
    fit_pls_regression,
    one_standard_error,
)
from specmatch.maths.statistics.levels import rows_of

# float64 carries 16 digits and products of squares lose half of them: the two routes agree to this
AGREE = 1e-8


def spectra(n: int = 40, p: int = 30, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 6)) @ rng.normal(size=(6, p)) + rng.normal(0, 0.1, (n, p))
    return X, X[:, :5].sum(axis=1) + rng.normal(0, 0.2, n), rng.integers(0, 9, n)


def nipals(X: np.ndarray, y: np.ndarray, w: np.ndarray, a: int) -> tuple[np.ndarray, float]:
    """Return coefficients and intercept by the textbook deflation, rows scaled by the root of their weights."""
    x_mean, y_mean = w @ X / w.sum(), w @ y / w.sum()
    E, f = np.sqrt(w)[:, None] * (X - x_mean), np.sqrt(w) * (y - y_mean)
    W, P, q = [], [], []
    for _ in range(a):
        weight = E.T @ f
        weight /= np.linalg.norm(weight)
        t = E @ weight
        load = E.T @ t / (t @ t)
        q.append(f @ t / (t @ t))
        E = E - np.outer(t, load)
        f = f - t * q[-1]
        W.append(weight)
        P.append(load)
    W, P = np.array(W).T, np.array(P).T
    b = W @ np.linalg.solve(P.T @ W, np.array(q))
    return b, float(y_mean - x_mean @ b)


@pytest.mark.parametrize("a", [1, 3, 6])
def test_equals_scikit_learn(a):
    X, y, _ = spectra()
    theirs = PLSRegression(a, scale=False).fit(X, y)
    ours = fit_pls(X, y, 8)
    np.testing.assert_allclose(ours.coefficients[0, a - 1], theirs.coef_[0], atol=AGREE)
    np.testing.assert_allclose(ours.predict(X)[0, a - 1], theirs.predict(X).ravel(), atol=AGREE)


def test_equals_scikit_learn_on_scaled_linnerud():
    # one response at a time: coefficients in units of the raw columns
    X, Y = load_linnerud(return_X_y=True)
    y = Y[:, 0]
    spread = X.std(axis=0, ddof=1)
    ours = fit_pls(X / spread, y, 2).coefficients[0, 1] / spread
    theirs = PLSRegression(2, scale=True).fit(X, y).coef_[0]
    np.testing.assert_allclose(ours, theirs, atol=AGREE)


def test_weights_equal_scaled_rows():
    X, y, _ = spectra()
    w = np.random.default_rng(1).uniform(0.2, 3.0, y.size)
    ours = fit_pls(X, y, 5, w)
    for a in (1, 3, 5):
        b, intercept = nipals(X, y, w, a)
        np.testing.assert_allclose(ours.coefficients[0, a - 1], b, atol=AGREE)
        assert abs(ours.intercept[0, a - 1] - intercept) < AGREE


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.integers(12, 40), st.integers(2, 20))
def test_every_fold_equals_a_fit_without_it(seed, n, p):
    rng = np.random.default_rng(seed)
    X, y = rng.normal(size=(n, p)), rng.normal(size=n)
    w, batch = rng.uniform(0.5, 2.0, n), np.arange(n) % 4
    most = min(4, p)
    sets = rows_of(batch)
    folds = fit_pls(X, y, most, w, without=sets)
    for g, out in enumerate(sets):
        kept = np.setdiff1d(np.arange(n), out)
        one = fit_pls(X[kept], y[kept], most, w[kept])
        np.testing.assert_allclose(folds.coefficients[g], one.coefficients[0], rtol=1e-6, atol=AGREE)
        np.testing.assert_allclose(folds.intercept[g], one.intercept[0], rtol=1e-6, atol=AGREE)


def test_sets_may_overlap():
    X, y, _ = spectra()
    sets = [np.array([0, 1, 2]), np.array([2, 3]), np.array([7])]
    folds = fit_pls(X, y, 4, without=sets)
    for g, out in enumerate(sets):
        kept = np.setdiff1d(np.arange(y.size), out)
        np.testing.assert_allclose(folds.coefficients[g], fit_pls(X[kept], y[kept], 4).coefficients[0], atol=AGREE)


def test_variance_of_scores_is_that_of_weighted_least_squares():
    X, y, _ = spectra()
    w = np.random.default_rng(2).uniform(0.5, 2.0, y.size)
    model = fit_pls(X, y, 3, w)
    T = (X - model.centre[0]) @ model.rotation[0].T
    np.testing.assert_allclose((T * w[:, None]).T @ T, np.diag(model.score_square[0]), atol=1e-6)


def test_beyond_the_rank_the_last_model_repeats():
    rng = np.random.default_rng(0)
    X = rng.normal(size=(20, 2)) @ rng.normal(size=(2, 10))
    model = fit_pls(X, X[:, 0], 6)
    np.testing.assert_allclose(model.predict(X)[0, 5], X[:, 0], atol=AGREE)
    assert np.all(np.isfinite(model.coefficients))


@pytest.mark.parametrize("a", [0, 9])
def test_refuses_more_components_than_a_training_set_allows(a):
    X, y, _ = spectra(n=12)
    with pytest.raises(OptionError, match="smallest training set has 9 rows"):
        fit_pls(X, y, a, without=rows_of(np.repeat(np.arange(4), 3)))


def test_one_standard_error_takes_the_fewest_within_reach():
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 0.05, (4, 200))
    assert one_standard_error(np.array([[4.0], [1.001], [1.0], [1.01]]) + noise) == 2


def test_noise_teaches_nothing():
    # responses without any relation: held out, each batch is predicted no better than by the mean
    rng = np.random.default_rng(3)
    R, y = 10 ** -rng.uniform(0.1, 1.0, (40, 60)), np.exp(rng.normal(2.0, 0.3, 40))
    model = fit_pls_regression(R, y, y, "absorbance")
    assert model is not None
    held_out = np.diag(model.predict_without(R))
    assert np.mean((np.log(y) - held_out) ** 2) > 0.9 * np.var(np.log(y))
