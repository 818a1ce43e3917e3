"""Intervals from held-out batches: ranks, weights, coverage, and the fallback when batches are few."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from specmatch.errors import OptionError
from specmatch.maths.regression.conformal import (
    batches_needed,
    coverage_spread,
    held_out_scores,
    score_weights,
    t_interval,
    upper_quantile,
    widen_limits,
)


def jackknife_plus(centre, score, scale, batch, coverage):
    return held_out_scores(score, batch).limits(centre, np.asarray(scale, float), coverage)


def test_finite_only_from_enough_batches():
    # 1/alpha - 1 batches: 9 at 90 %, 19 at 95 %, 99 at 99 %
    assert [batches_needed(level) for level in (0.80, 0.90, 0.95, 0.99)] == [4, 9, 19, 99]
    for level, needed in ((0.90, 9), (0.95, 19), (0.99, 99)):
        for n in (needed - 1, needed):
            low, high = jackknife_plus(np.zeros((1, n)), np.ones(n), [1.0], np.arange(n), level)
            assert np.isfinite(high[0]) == np.isfinite(low[0]) == (n >= needed)


@pytest.mark.parametrize("n", [9, 19, 39, 99, 199, 999])
def test_whole_ranks_are_not_pushed_up_by_rounding(n):
    # (1 - alpha)(n + 1) is a whole number for all of these
    values = np.arange(1.0, n + 1.0)[None, :]
    rank = round(0.9 * (n + 1))
    assert upper_quantile(values, score_weights(np.arange(n)), 0.9)[0] == rank


def test_five_residuals_give_no_finite_ninety_percent_interval():
    low, high = jackknife_plus(np.full((1, 5), 10.0), np.ones(5), [1.0], np.arange(5), 0.90)
    assert low[0] == -np.inf and high[0] == np.inf


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100_000), st.floats(0.05, 0.97))
def test_weighted_quantile_equals_its_definition(seed, coverage):
    rng = np.random.default_rng(seed)
    batch = np.sort(rng.integers(0, 6, 15))
    batch = np.unique(batch, return_inverse=True)[1]
    values = rng.normal(size=15).round(1)
    weight = score_weights(batch)
    expected = np.inf
    for candidate in np.sort(values):
        if weight[values <= candidate].sum() >= coverage - 1e-12:
            expected = candidate
            break
    assert upper_quantile(values[None, :], weight, coverage)[0] == expected


def test_several_scores_of_a_batch_share_its_weight():
    np.testing.assert_allclose(score_weights(np.array([0, 0, 0, 1])), np.array([1, 1, 1, 3]) / 9.0)


def test_equals_mapie():
    mapie = pytest.importorskip("mapie.regression")
    from sklearn.linear_model import LinearRegression
    from sklearn.model_selection import LeaveOneOut

    rng = np.random.default_rng(0)
    X = rng.normal(size=(30, 3))
    y = X @ [1.0, 2.0, 3.0] + rng.normal(0, 0.5, 30)
    new = rng.normal(size=(5, 3))
    model = mapie.CrossConformalRegressor(LinearRegression(), confidence_level=0.9, method="plus", cv=LeaveOneOut())
    theirs = model.fit_conformalize(X, y).predict_interval(new)[1][:, :, 0]
    centre, residual = np.empty((5, 30)), np.empty(30)
    for i in range(30):
        kept = np.arange(30) != i
        fitted = LinearRegression().fit(X[kept], y[kept])
        centre[:, i] = fitted.predict(new)
        residual[i] = abs(y[i] - fitted.predict(X[[i]])[0])
    low, high = jackknife_plus(centre, residual, np.ones(5), np.arange(30), 0.9)
    # the same sums in another order
    np.testing.assert_allclose(np.column_stack([low, high]), theirs, atol=1e-12)


def test_t_form_against_scipy():
    score = np.array([1.0, -2.0, 0.5, -0.5, 1.5])
    low, high = t_interval([10.0, 20.0], [1.0, 2.0], score, np.arange(5), 0.90)
    reach = stats.t.ppf(0.95, 4) * np.sqrt(np.mean(score**2))
    np.testing.assert_allclose(high - 10.0 * np.array([1, 2]), reach * np.array([1, 2]))
    np.testing.assert_allclose(high + low, [20.0, 40.0])


def test_wider_for_samples_farther_away():
    half = np.abs(np.linspace(-1.0, 1.0, 19))
    low, high = jackknife_plus(np.zeros((2, 19)), half, [1.0, 3.0], np.arange(19), 0.90)
    width = high - low
    assert width[1] > width[0] > 0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100_000), st.floats(0.5, 0.97), st.sampled_from([0.0, 0.1, 1.0, 10.0]))
def test_limits_are_those_of_all_scores_however_much_the_models_differ(seed, coverage, apart):
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(40), rng.integers(1, 4, 40))
    score, scale = np.abs(rng.standard_t(3, batch.size)), rng.uniform(0.5, 2.0, 9)
    centre = apart * rng.standard_normal((9, 40))
    low, high = jackknife_plus(centre, score, scale, batch, coverage)
    half, weight = score * scale[:, None], score_weights(batch)
    np.testing.assert_array_equal(low, -upper_quantile(half - centre[:, batch], weight, coverage))
    np.testing.assert_array_equal(high, upper_quantile(centre[:, batch] + half, weight, coverage))


@pytest.mark.slow
def test_coverage_of_hierarchical_scores(full_size):
    # batches with scatter of their own and several scores each; the guarantee is 80 %, in practice about 90 %
    rng = np.random.default_rng(5)
    runs = 20_000 if full_size else 2_000
    n_batches, covered = 24, 0
    batch = np.repeat(np.arange(n_batches), 3)
    for _ in range(runs):
        value = rng.normal(0, 1.0, n_batches)
        score = np.abs(value[batch] + rng.normal(0, 0.5, batch.size))
        low, high = jackknife_plus(np.zeros((1, n_batches)), score, [1.0], batch, 0.90)
        new = rng.normal(0, 1.0) + rng.normal(0, 0.5)
        covered += low[0] <= new <= high[0]
    # binomial bounds at 99.9 % of the nominal rate; above it by at most the one rank that infinity takes
    assert stats.binom.ppf(0.0005, runs, 0.90) <= covered <= stats.binom.ppf(0.9995, runs, 0.90 + 2.0 / (n_batches + 1))


def test_spread_of_coverage():
    # Beta(k, K + 1 - k), 5th percentile; recomputed with SciPy
    for n in (20, 40, 60, 200):
        k = round(np.ceil(0.9 * (n + 1) - 1e-9))
        low, high = coverage_spread(n, 0.90)
        np.testing.assert_allclose([low, high], stats.beta.ppf([0.05, 0.95], k, n + 1 - k))
    assert coverage_spread(5, 0.90) == (0.0, 1.0)


@pytest.mark.parametrize("coverage", [0.0, 1.0, -0.5, 90.0])
def test_refuses_a_coverage_that_is_no_fraction(coverage):
    with pytest.raises(OptionError, match="a fraction between 0 and 1"):
        batches_needed(coverage)


def test_limits_are_widened_by_an_independent_part_of_the_value():
    value, low, high = np.array([10.0, -10.0, 10.0]), np.array([9.0, -11.0, 0.0]), np.array([11.0, -9.0, np.inf])
    wide_low, wide_high = widen_limits(value, low, high, np.full(3, 0.1))
    # in logarithms above 0, in the unit below it
    assert wide_high[0] == pytest.approx(10.0 * np.exp(np.hypot(np.log(1.1), 0.1)))
    assert (wide_low[1], wide_high[1]) == pytest.approx((-10.0 - np.sqrt(2.0), -10.0 + np.sqrt(2.0)))
    assert (wide_low[2], wide_high[2]) == (0.0, np.inf)
