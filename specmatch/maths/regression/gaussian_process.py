"""Gaussian process regression with every leave-one-out and leave-two-out result in closed form.

With the hyperparameters of the kernel held, taking a row away changes the inverse of the kernel matrix by one rank. So
a grid of hyperparameters can be judged inside every fold of a leave-one-out, for little more than one inversion a grid
point. Source: C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, MIT Press 2006, section
5.4.2; the second row follows from the same identity for a block inverse.

Gaussian process regression on many rows: every row teaches, through the kernel at a few hundred of them.

The process is written as a linear regression on its covariances with the chosen rows ("subset of regressors"), whose
leave-one-out results are closed forms, and whose variance goes back to the prior's far from all rows (the deterministic
training conditional). With every row chosen both are the exact process. Source: J. Quinonero-Candela, C. E. Rasmussen,
Journal of Machine Learning Research 6:1939-1959, 2005, sections 4 and 5 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints

# Prior standard deviation of the level, in logarithms of colour: against a dozen batches it pulls by a millionth, and
# much wider it would only cost digits.
LEVEL_SD = 3.0

# Distance in the first feature over which the slopes along the others may change.
SLOPE_REACH = 3.0


@dataclass(frozen=True)
class Kernel:
    """Prior of a smooth function: a level, slopes that change with the first feature, and bends."""

    slope: float  # standard deviation of the slope along each feature but the first
    bend: float  # standard deviation of what slopes do not explain
    reach: float  # distance in features over which that changes

    def __call__(self, left: Floats, right: Floats) -> Floats:
        """Return prior covariances, shape (n, m), of rows of `left` (n, q) with rows of `right` (m, q)."""
        return self.of(*products_and_distances(left, right))

    def of(self, product: Floats, apart: Floats) -> Floats:
        """Return prior covariances from products and squared distances of rows, of the same shape."""
        return LEVEL_SD**2 + self.slope**2 * product + self.bend**2 * np.exp(-apart / (2.0 * self.reach**2))

    def variance(self, rows: Floats) -> Floats:
        """Return the prior variance of each row, shape (n,)."""
        return LEVEL_SD**2 + self.slope**2 * squares_of(rows) + self.bend**2


def products_and_distances(left: Floats, right: Floats, squares: Floats | None = None) -> tuple[Floats, Floats]:
    """Return what all prior covariances of rows rest on: products of slopes, and squared distances, (n, m) each."""
    # left (n, q), right (m, q), squares (m,): `squares_of` the right ones, where they are known
    along = (left[:, :1] - right[:, 0]) ** 2
    product = left[:, 1:] @ right[:, 1:].T
    across = squares_of(left)[:, None] + (squares_of(right) if squares is None else squares) - 2.0 * product
    # rounding may leave a distance between equal rows a little below 0
    return product * np.exp(-along / (2.0 * SLOPE_REACH**2)), along + np.maximum(across, 0.0)


def squares_of(rows: Floats) -> Floats:
    """Return the sum of squares of the features of each row but the first, shape (n,)."""
    return np.asarray(np.einsum("nq,nq->n", rows[:, 1:], rows[:, 1:]))


@dataclass(frozen=True)
class GaussianProcess:
    """A process conditioned on training rows."""

    kernel: Kernel
    features: Floats  # (k, q): training rows
    inverse: Floats  # (k, k): of kernel matrix plus noise
    weight: Floats  # (k,): `inverse` times the response

    @property
    def held_out_error(self) -> Floats:
        """Each row's response minus its prediction without that row, shape (k,)."""
        return self.weight / np.diag(self.inverse)

    def errors_without_two(self) -> Floats:
        """Return the held-out error of row j when row i is left out too, shape (k, k) as [i, j]; 0 for j = i."""
        inverse, weight = self.inverse, self.weight
        own = np.diag(inverse)
        numerator = weight - inverse * (weight / own)[:, None]
        np.fill_diagonal(numerator, 0.0)
        denominator = own - inverse**2 / own[:, None]
        np.fill_diagonal(denominator, 1.0)
        return numerator / denominator

    def errors_without(self, out: Ints) -> Floats:
        """Return responses of some training rows, shape (m,), minus their predictions without all of these rows."""
        return np.asarray(np.linalg.solve(self.inverse[np.ix_(out, out)], self.weight[out]))

    def weights_without(self) -> Floats:
        """Return the weights of the process without each training row in turn, shape (k, k): a row a left-out row."""
        return self.weight - self.inverse * self.held_out_error[:, None]

    def predict(self, rows: Floats, covariance: Floats | None = None) -> tuple[Floats, Floats]:
        """Return predictions, shape (n,), and the variance that the training rows leave, shape (n,).

        The prior covariance of rows and training rows, shape (n, k), is worked out where it is not given.
        """
        covariance = self.kernel(rows, self.features) if covariance is None else covariance
        left = self.kernel.variance(rows) - np.einsum("nk,nk->n", covariance @ self.inverse, covariance)
        return covariance @ self.weight, np.maximum(left, 0.0)

    def variance_without(self, rows: Floats, left_out: Ints, covariance: Floats | None = None) -> Floats:
        """Return the variance for each row when training row `left_out` of it is taken away, shape (n,)."""
        covariance = self.kernel(rows, self.features) if covariance is None else covariance
        share = np.einsum("nk,nk->n", covariance, self.inverse[left_out])
        return self.predict(rows, covariance)[1] + share**2 / np.diag(self.inverse)[left_out]


def fit_gaussian_processes(
    features: ArrayLike, response: ArrayLike, noise: ArrayLike, kernels: Sequence[Kernel]
) -> list[GaussianProcess]:
    """Condition Gaussian processes of several kernels on the same training rows."""
    # features (k, q), response (k,), noise (k,)
    # imported here: a fitted model is loaded and read without SciPy's linear algebra
    from scipy.linalg import cholesky
    from scipy.linalg.lapack import dpotri

    rows, y, found = np.asarray(features, float), np.asarray(response, float), []
    own, diagonal, parts = np.asarray(noise, float), np.diag_indices(len(rows)), products_and_distances(rows, rows)
    for kernel in kernels:
        prior = kernel.of(*parts)
        prior[diagonal] += own
        # half the work of a general inverse; only the lower triangle is filled
        inverse, _ = dpotri(cholesky(prior, lower=True), lower=1)
        inverse = inverse + inverse.T
        inverse[diagonal] /= 2.0
        found.append(GaussianProcess(kernel=kernel, features=rows, inverse=inverse, weight=inverse @ y))
    return found


# What the chosen rows may leave open of any row's prior variance, as a part of the smallest variance of a response.
LEFT_OPEN = 0.01

# Added to the diagonal of the chosen rows' kernel matrix, as a part of its mean: rows that are all but equal must not
# stop the factorization, and the variance of a lab colour is ten thousand times larger.
JITTER = 1e-9


@dataclass(frozen=True)
class SparseProcess:
    """A process conditioned on many rows through a few; see `fit_sparse_process`."""

    process: GaussianProcess  # `features` are the chosen rows; it predicts like any other
    held_out_error: Floats  # (n,): each row's response minus its prediction without that row
    weights_without: Floats  # (n, m): weights of the process without each row in turn


def fit_sparse_process(
    features: Floats, response: Floats, noise: Floats, kernel: Kernel, chosen: Ints
) -> SparseProcess:
    """Condition a Gaussian process on rows through its values at some of them."""
    # features (n, q), response (n,), noise (n,), chosen (m,)
    from scipy.linalg import cho_solve, solve_triangular

    centres = features[chosen]
    lower, across, inner = _through(features, noise, kernel, chosen)
    shared = cho_solve((inner, True), across)
    fitted = solve_triangular(lower, shared, lower=True, trans="T")
    weight = fitted @ (response / noise)
    leverage = (across * shared).sum(axis=0) / noise
    held_out_error = (response - weight @ kernel(centres, features)) / (1.0 - leverage)
    back = solve_triangular(lower, np.eye(len(lower)), lower=True)
    process = GaussianProcess(kernel, centres, back.T @ (back - cho_solve((inner, True), back)), weight)
    return SparseProcess(process, held_out_error, weight - (fitted * (held_out_error / noise)).T)


def sparse_held_out_errors(features: Floats, response: Floats, noise: Floats, kernel: Kernel, chosen: Ints) -> Floats:
    """Return the held-out errors of `fit_sparse_process`, shape (n,), without the rest of it."""
    from scipy.linalg import solve_triangular

    _, across, inner = _through(features, noise, kernel, chosen)
    half = solve_triangular(inner, across, lower=True)
    return (response - (half @ (response / noise)) @ half) / (1.0 - (half**2).sum(axis=0) / noise)


def _through(features: Floats, noise: Floats, kernel: Kernel, chosen: Ints) -> tuple[Floats, Floats, Floats]:
    """Return the factor of the chosen rows' covariances, all rows in its axes, and the factor of their scatter."""
    # -> (m, m), (m, n), (m, m), the factors lower triangles
    # imported here: a fitted model is loaded and read without SciPy's linear algebra
    from scipy.linalg import cholesky, solve_triangular

    centres = features[chosen]
    own = kernel(centres, centres)
    lower = cholesky(own + JITTER * np.trace(own) / len(own) * np.eye(len(own)), lower=True)
    across = solve_triangular(lower, kernel(centres, features), lower=True)
    return lower, across, cholesky(np.eye(len(own)) + (across / noise) @ across.T, lower=True)


class RowCovariances:
    """Prior covariances of single rows with all of them; what every kernel rests on is worked out once."""

    def __init__(self, features: Floats) -> None:
        self.features, self.squares = features, squares_of(features)
        self._parts: dict[int, tuple[Floats, Floats]] = {}

    def of(self, kernel: Kernel, row: int) -> Floats:
        """Return the covariances of a row under a kernel, shape (n,)."""
        if row not in self._parts:
            self._parts[row] = products_and_distances(self.features[[row]], self.features, self.squares)
        return kernel.of(*self._parts[row])[0]


def spread_rows(rows: RowCovariances, noise: Floats, kernel: Kernel, most: int) -> Ints:
    """Choose rows so that the process at all rows nearly follows from its values there."""
    # noise (n,) -> (m,)
    left = kernel.variance(rows.features)
    factor = np.zeros((min(most, len(left)), len(left)))
    chosen: list[int] = []
    while len(chosen) < len(factor) and left.max() > LEFT_OPEN * noise.min():
        row = int(left.argmax())
        own = rows.of(kernel, row) - factor[: len(chosen), row] @ factor[: len(chosen)]
        factor[len(chosen)] = own / np.sqrt(left[row])
        left = np.maximum(left - factor[len(chosen)] ** 2, 0.0)
        left[row] = 0.0
        chosen.append(row)
    return np.array(chosen, np.int64)
