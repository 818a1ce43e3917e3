"""Weighted partial least squares for one response, with all left-out sets and all component counts at once.

The kernel form needs only X'WX and X'Wy. A model without some rows follows from the whole by taking away those rows'
own part and the rank-one term of the new mean, so that hundreds of cross-validation folds cost little more than a fit.

Sources: B. S. Dayal, J. F. MacGregor, J. Chemometrics 11:73-85, 1997 (the kernel algorithm); O.-C. G. Engstroem,
M. H. Jensen, J. Chemometrics, DOI 10.1002/cem.70008 (folds from the whole).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.errors import OptionError

# A component whose covariance with the response is this much smaller than the first one's is rounding, not signal:
# float64 carries 16 digits, and products of squares lose half of them.
EXHAUSTED = 1e-12


@dataclass(frozen=True)
class PlsModels:
    """Linear models of 1 .. A components, for one or more training sets.

    Attributes
    ----------
    coefficients : ndarray, shape (n_models, A, p)
        In raw units of the spectra; row `a` is the model of `a + 1` components.
    intercept : ndarray, shape (n_models, A)
    rotation : ndarray, shape (n_models, A, p)
        Scores of a spectrum are its centred values times these.
    score_square : ndarray, shape (n_models, A)
        Weighted sum of squares of the training scores; scores are orthogonal under the weights.
    centre : ndarray, shape (n_models, p)
        Weighted mean of the training spectra.
    total_weight : ndarray, shape (n_models,)
    """

    coefficients: Floats
    intercept: Floats
    rotation: Floats
    score_square: Floats
    centre: Floats
    total_weight: Floats

    def predict(self, spectra: ArrayLike) -> Floats:
        """Return predictions, shape (n_models, A, n), for spectra of shape (n, p)."""
        return self.coefficients @ np.asarray(spectra, float).T + self.intercept[:, :, None]


def fit_pls(spectra: ArrayLike, response: ArrayLike, n_components: int, weight: ArrayLike | None = None) -> PlsModels:
    """Fit one weighted PLS model for every count of components up to `n_components`.

    Parameters
    ----------
    spectra : array_like, shape (n, p)
    response : array_like, shape (n,)
    n_components : int
        Largest count of components, 1 .. min(n - 1, p).
    weight : array_like, shape (n,), optional
        Positive weights of the rows; all 1 when not given.

    Returns
    -------
    PlsModels
        With `n_models` 1. Counts beyond the rank repeat the last useful model.

    Raises
    ------
    OptionError
        If `n_components` is outside its range.

    Examples
    --------
    >>> X = np.array([[1.0, 0.0], [2.0, 1.0], [3.0, 1.0], [4.0, 3.0]])
    >>> model = fit_pls(X, X @ [2.0, -1.0] + 5.0, n_components=2)
    >>> model.coefficients[0, 1].round(9).tolist(), round(float(model.intercept[0, 1]), 9)
    ([2.0, -1.0], 5.0)
    """
    return fit_pls_without(spectra, response, [np.zeros(0, np.int64)], n_components, weight)


def left_out_sets(batch: ArrayLike) -> list[Ints]:
    """Return the rows of each batch code 0 .. K-1: the sets that leave-batch-out leaves out.

    Parameters
    ----------
    batch : array_like of int, shape (n,)

    Returns
    -------
    list of ndarray of int, shape (rows of the batch,)

    Examples
    --------
    >>> [rows.tolist() for rows in left_out_sets([1, 0, 1])]
    [[1], [0, 2]]
    """
    codes = np.asarray(batch, np.int64)
    order = np.argsort(codes, kind="stable")
    return np.split(order, np.cumsum(np.bincount(codes))[:-1])


def fit_pls_without(
    spectra: ArrayLike,
    response: ArrayLike,
    left_out: Sequence[Ints],
    n_components: int,
    weight: ArrayLike | None = None,
) -> PlsModels:
    """Fit weighted PLS models of every component count, one series for each set of left-out rows.

    Parameters
    ----------
    spectra : array_like, shape (n, p)
    response : array_like, shape (n,)
    left_out : sequence of ndarray of int, shape (rows of the set,)
        Row numbers that each training set does *not* hold; they may overlap.
    n_components : int
        Largest count, 1 .. min(rows of the smallest training set - 1, p).
    weight : array_like, shape (n,), optional

    Returns
    -------
    PlsModels
        One model a left-out set.

    Raises
    ------
    OptionError
        If `n_components` is outside its range for the smallest training set.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> X, batch = rng.normal(size=(12, 3)), np.repeat([0, 1, 2, 3], 3)
    >>> folds = fit_pls_without(X, X @ [1.0, 2.0, 3.0], left_out_sets(batch), n_components=3)
    >>> folds.coefficients[:, -1].round(6).tolist()[0]
    [1.0, 2.0, 3.0]
    """
    X, y = np.asarray(spectra, float), np.asarray(response, float)
    n, p = X.shape
    smallest = n - max((len(rows) for rows in left_out), default=0)
    if not 1 <= n_components <= min(smallest - 1, p):
        raise OptionError(
            f"{n_components} components asked; the smallest training set has {smallest} rows and {p} wavelengths, "
            f"so 1 to {min(smallest - 1, p)} can be fitted"
        )
    w = np.ones(n) if weight is None else np.asarray(weight, float)
    total = w.sum()
    x_mean, y_mean = w @ X / total, w @ y / total
    root = np.sqrt(w)
    # rows in the order of the sets, so that each set is one stretch of memory; rows of several sets are copied
    order = np.concatenate([*left_out, np.zeros(0, np.int64)])
    rest = np.setdiff1d(np.arange(n), order)
    overlap = order.size + rest.size > n
    rows = np.arange(n) if overlap else np.concatenate([order, rest])
    X = X[rows]
    X -= x_mean
    if weight is not None:
        X *= root[rows, None]
    y = root[rows] * (y[rows] - y_mean)
    S, s = X.T @ X, X.T @ y
    if overlap:
        blocks = [X[out] for out in left_out]
        answers = [y[out] for out in left_out]
    else:
        ends = np.cumsum([len(out) for out in left_out])
        blocks = [X[end - len(out) : end] for end, out in zip(ends, left_out, strict=True)]
        answers = [y[end - len(out) : end] for end, out in zip(ends, left_out, strict=True)]

    kept = np.array([total - w[out].sum() for out in left_out])
    # mean of each training set, from what is missing of the whole, whose mean is 0
    shift = np.array([-root[out] @ block for out, block in zip(left_out, blocks, strict=True)]) / kept[:, None]
    level = np.array([-root[out] @ answer for out, answer in zip(left_out, answers, strict=True)]) / kept
    start = np.array([s - answer @ block for answer, block in zip(answers, blocks, strict=True)])
    start -= (kept * level)[:, None] * shift

    def times_scatter(r: Floats) -> Floats:
        product = r @ S - (kept * np.einsum("gp,gp->g", shift, r))[:, None] * shift
        for g, block in enumerate(blocks):
            product[g] -= (block @ r[g]) @ block
        return product

    coefficients, rotation, score_square = _components(start, times_scatter, n_components)
    return PlsModels(
        coefficients=coefficients,
        intercept=y_mean + level[:, None] - np.einsum("gap,gp->ga", coefficients, x_mean + shift),
        rotation=rotation,
        score_square=score_square,
        centre=x_mean + shift,
        total_weight=kept,
    )


def _components(
    start: Floats, times_scatter: Callable[[Floats], Floats], n_components: int
) -> tuple[Floats, Floats, Floats]:
    """Run the kernel recursion for all training sets side by side: coefficients, rotation, squares of scores."""
    n_models, p = start.shape
    c = start.copy()
    first = np.linalg.norm(start, axis=1)
    R = np.zeros((n_models, n_components, p))
    P = np.zeros((n_models, n_components, p))
    coefficients = np.zeros((n_models, n_components, p))
    score_square = np.zeros((n_models, n_components))
    b = np.zeros((n_models, p))
    for a in range(n_components):
        size = np.linalg.norm(c, axis=1)
        alive = size > EXHAUSTED * first
        w = np.where(alive, 1.0 / np.where(alive, size, 1.0), 0.0)[:, None] * c
        if a:
            w -= np.matmul(np.matmul(P[:, :a], w[:, :, None]).transpose(0, 2, 1), R[:, :a])[:, 0]
        Sr = times_scatter(w)
        tau = np.einsum("gp,gp->g", w, Sr)
        alive &= tau > 0
        inverse = np.where(alive, 1.0 / np.where(alive, tau, 1.0), 0.0)
        q = np.einsum("gp,gp->g", w, start) * inverse
        R[:, a], P[:, a], score_square[:, a] = w, Sr * inverse[:, None], np.where(alive, tau, 0.0)
        c -= Sr * q[:, None]
        b += w * q[:, None]
        coefficients[:, a] = b
    return coefficients, R, score_square
