"""Gaussian process regression on many rows: every row teaches, through the kernel at a few hundred of them.

The process is written as a linear regression on its covariances with the chosen rows ("subset of regressors"), whose
leave-one-out results are closed forms, and whose variance goes back to the prior's far from all rows (the deterministic
training conditional). With every row chosen both are the exact process. Source: J. Quinonero-Candela, C. E. Rasmussen,
Journal of Machine Learning Research 6:1939-1959, 2005, sections 4 and 5 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.gaussian_process import GaussianProcess, Kernel

# What the chosen rows may leave open of any row's prior variance, as a part of the smallest variance of a response.
LEFT_OPEN = 0.01

# Added to the diagonal of the chosen rows' kernel matrix, as a part of its mean: rows that are all but equal must not
# stop the factorization, and the variance of a lab colour is ten thousand times larger.
JITTER = 1e-9


@dataclass(frozen=True)
class SparseProcess:
    """A process conditioned on many rows through a few; see `fit_sparse_process`.

    Attributes
    ----------
    process : GaussianProcess
        `features` are the chosen rows; it predicts like any other.
    held_out_error : ndarray, shape (n,)
        Each row's response minus its prediction without that row.
    weights_without : ndarray, shape (n, m)
        Weights of the process without each row in turn.
    """

    process: GaussianProcess
    held_out_error: Floats
    weights_without: Floats


def fit_sparse_process(
    features: Floats, response: Floats, noise: Floats, kernel: Kernel, chosen: Ints
) -> SparseProcess:
    """Condition a Gaussian process on rows through its values at some of them.

    Parameters
    ----------
    features : ndarray, shape (n, q)
    response : ndarray, shape (n,)
    noise : ndarray, shape (n,)
        Variance of each response, above 0.
    kernel : Kernel
    chosen : ndarray of int, shape (m,)
        Rows at which the process is held; spread over the features. Time grows with n m^2.

    Returns
    -------
    SparseProcess

    Examples
    --------
    >>> x = np.linspace(0.0, 1.0, 200)[:, None]
    >>> few = np.arange(0, 200, 20)
    >>> fit = fit_sparse_process(x, np.sin(x[:, 0]), np.full(200, 1e-6), Kernel(1.0, 1.0, 1.0), few)
    >>> mean, variance = fit.process.predict(np.array([[0.55]]))
    >>> round(float(mean[0]), 3), round(float(np.sin(0.55)), 3)
    (0.523, 0.523)
    """
    # imported here: a fitted model is loaded and read without SciPy's linear algebra
    from scipy.linalg import cho_factor, cho_solve, cholesky, solve_triangular

    centres = features[chosen]
    own = kernel(centres, centres)
    lower = cholesky(own + JITTER * np.trace(own) / len(own) * np.eye(len(own)), lower=True)
    across = solve_triangular(lower, kernel(centres, features), lower=True)
    inner = cho_factor(np.eye(len(own)) + (across / noise) @ across.T)
    shared = cho_solve(inner, across)
    fitted = solve_triangular(lower, shared, lower=True, trans="T")
    weight = fitted @ (response / noise)
    leverage = (across * shared).sum(axis=0) / noise
    held_out_error = (response - kernel(features, centres) @ weight) / (1.0 - leverage)
    back = solve_triangular(lower, np.eye(len(own)), lower=True)
    process = GaussianProcess(kernel, centres, back.T @ (back - cho_solve(inner, back)), weight)
    return SparseProcess(process, held_out_error, weight - (fitted * (held_out_error / noise)).T)


def spread_rows(features: Floats, noise: Floats, kernel: Kernel, most: int) -> Ints:
    """Choose rows so that the process at all rows nearly follows from its values there.

    Parameters
    ----------
    features : ndarray, shape (n, q)
    noise : ndarray, shape (n,)
        Variance of each response.
    kernel : Kernel
    most : int

    Returns
    -------
    ndarray of int, shape (m,)
        At most `most`; each is the row that those before it leave most open (a Cholesky factor with pivots), until
        `LEFT_OPEN` of the smallest noise is left nowhere.

    Examples
    --------
    >>> x = np.array([[0.0], [0.001], [1.0], [0.002]])
    >>> spread_rows(x, np.full(4, 1e-2), Kernel(1.0, 1.0, 1.0), 4).tolist()
    [0, 2]
    """
    left = kernel.variance(features)
    factor = np.zeros((min(most, len(features)), len(features)))
    chosen: list[int] = []
    while len(chosen) < len(factor) and left.max() > LEFT_OPEN * noise.min():
        row = int(left.argmax())
        own = kernel(features[[row]], features)[0] - factor[: len(chosen), row] @ factor[: len(chosen)]
        factor[len(chosen)] = own / np.sqrt(left[row])
        left = np.maximum(left - factor[len(chosen)] ** 2, 0.0)
        left[row] = 0.0
        chosen.append(row)
    return np.array(chosen, np.int64)
