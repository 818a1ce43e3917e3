"""Gaussian process regression with every leave-one-out and leave-two-out result in closed form.

With the hyperparameters of the kernel held, taking a row away changes the inverse of the kernel matrix by one rank. So
a grid of hyperparameters can be judged inside every fold of a leave-one-out, for little more than one inversion a grid
point. Source: C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, MIT Press 2006, section
5.4.2; the second row follows from the same identity for a block inverse.
"""

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
    """Prior of a smooth function: a level, slopes that change with the first feature, and bends.

    Attributes
    ----------
    slope : float
        Standard deviation of the slope along each feature but the first.
    bend : float
        Standard deviation of what slopes do not explain.
    reach : float
        Distance in features over which that changes.
    """

    slope: float
    bend: float
    reach: float

    def __call__(self, left: Floats, right: Floats) -> Floats:
        """Return prior covariances, shape (n, m), of rows of `left` (n, q) with rows of `right` (m, q)."""
        along = (left[:, :1] - right[:, 0]) ** 2
        product = left[:, 1:] @ right[:, 1:].T
        across = (left[:, 1:] ** 2).sum(axis=1)[:, None] + (right[:, 1:] ** 2).sum(axis=1) - 2.0 * product
        # rounding may leave a distance between equal rows a little below 0
        apart = along + np.maximum(across, 0.0)
        slopes = self.slope**2 * product * np.exp(-along / (2.0 * SLOPE_REACH**2))
        return LEVEL_SD**2 + slopes + self.bend**2 * np.exp(-apart / (2.0 * self.reach**2))

    def variance(self, rows: Floats) -> Floats:
        """Return the prior variance of each row, shape (n,)."""
        return LEVEL_SD**2 + self.slope**2 * (rows[:, 1:] ** 2).sum(axis=1) + self.bend**2


@dataclass(frozen=True)
class GaussianProcess:
    """A process conditioned on training rows.

    Attributes
    ----------
    kernel : Kernel
    features : ndarray, shape (k, q)
        Training rows.
    inverse : ndarray, shape (k, k)
        Of kernel matrix plus noise.
    weight : ndarray, shape (k,)
        `inverse` times the response.
    """

    kernel: Kernel
    features: Floats
    inverse: Floats
    weight: Floats

    @property
    def held_out_error(self) -> Floats:
        """Each row's response minus its prediction without that row, shape (k,)."""
        return self.weight / np.diag(self.inverse)

    def errors_without_two(self) -> Floats:
        """Return the held-out error of row j when row i is left out too, shape (k, k) as [i, j]; NaN for j = i."""
        inverse, weight = self.inverse, self.weight
        own = np.diag(inverse)
        numerator = weight[None, :] - inverse * (weight / own)[:, None]
        denominator = own[None, :] - inverse**2 / own[:, None]
        np.fill_diagonal(denominator, np.nan)
        return numerator / denominator

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

    def variance_without(self, rows: Floats, left_out: Ints) -> Floats:
        """Return the variance for each row when training row `left_out` of it is taken away, shape (n,)."""
        share = np.einsum("nk,nk->n", self.kernel(rows, self.features), self.inverse[left_out])
        return self.predict(rows)[1] + share**2 / np.diag(self.inverse)[left_out]


def fit_gaussian_process(features: ArrayLike, response: ArrayLike, noise: ArrayLike, kernel: Kernel) -> GaussianProcess:
    """Condition a Gaussian process on training rows.

    Parameters
    ----------
    features : array_like, shape (k, q)
    response : array_like, shape (k,)
    noise : array_like, shape (k,)
        Variance of each response, above 0.
    kernel : Kernel

    Returns
    -------
    GaussianProcess

    Examples
    --------
    >>> x = np.linspace(0.0, 1.0, 8)[:, None]
    >>> process = fit_gaussian_process(x, np.sin(x[:, 0]), np.full(8, 1e-6), Kernel(slope=1.0, bend=1.0, reach=1.0))
    >>> mean, variance = process.predict(np.array([[0.55]]))
    >>> round(float(mean[0]), 3), round(float(np.sin(0.55)), 3)
    (0.523, 0.523)
    """
    # imported here: a fitted model is loaded and read without SciPy's linear algebra
    from scipy.linalg import cholesky
    from scipy.linalg.lapack import dpotri

    rows = np.asarray(features, float)
    factor = cholesky(kernel(rows, rows) + np.diag(np.asarray(noise, float)), lower=True)
    lower, _ = dpotri(factor, lower=1)  # half the work of a general inverse; only the lower triangle is filled
    inverse = np.tril(lower) + np.tril(lower, -1).T
    return GaussianProcess(kernel=kernel, features=rows, inverse=inverse, weight=inverse @ np.asarray(response, float))
