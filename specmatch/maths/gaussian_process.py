"""Gaussian process regression with every leave-one-out and leave-two-out result in closed form.

With the hyperparameters of the kernel held, taking a row away changes the inverse of the kernel matrix by one rank. So
a grid of hyperparameters can be judged inside every fold of a leave-one-out, for little more than one inversion a grid
point. Source: C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, MIT Press 2006, section
5.4.2; the second row follows from the same identity for a block inverse.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

# Prior standard deviation of the level, in logarithms of colour: so wide that it never pulls.
LEVEL_SD = 10.0


@dataclass(frozen=True)
class Kernel:
    """Prior of a smooth function: level, linear part and bends.

    Attributes
    ----------
    linear : float
        Standard deviation of the slope along each feature.
    bend : float
        Standard deviation of the departure from the linear part.
    reach : float
        Distance in features over which that departure changes.
    """

    linear: float
    bend: float
    reach: float

    def __call__(self, left: Floats, right: Floats) -> Floats:
        """Return prior covariances, shape (n, m), of rows of `left` (n, q) with rows of `right` (m, q)."""
        product = left @ right.T
        squared = (left**2).sum(axis=1)[:, None] + (right**2).sum(axis=1) - 2.0 * product
        bends = self.bend**2 * np.exp(-np.maximum(squared, 0.0) / (2.0 * self.reach**2))
        return LEVEL_SD**2 + self.linear**2 * product + bends

    def variance(self, rows: Floats) -> Floats:
        """Return the prior variance of each row, shape (n,)."""
        return LEVEL_SD**2 + self.linear**2 * (rows**2).sum(axis=1) + self.bend**2


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
        """Return each row's response minus its prediction without that row, shape (k,)."""
        return self.weight / np.diag(self.inverse)

    def errors_without_two(self) -> Floats:
        """Return the held-out error of row j when row i is left out too, shape (k, k) as [i, j]; NaN for j = i."""
        Q, a = self.inverse, self.weight
        d = np.diag(Q)
        numerator = a[None, :] - Q * (a / d)[:, None]
        denominator = d[None, :] - Q**2 / d[:, None]
        np.fill_diagonal(denominator, np.nan)
        return numerator / denominator

    def predict(self, rows: Floats) -> tuple[Floats, Floats]:
        """Return predictions, shape (n,), and the variance that the training rows leave, shape (n,)."""
        covariance = self.kernel(rows, self.features)
        left = self.kernel.variance(rows) - np.einsum("nk,nk->n", covariance @ self.inverse, covariance)
        return covariance @ self.weight, np.maximum(left, 0.0)

    def weights_without(self) -> Floats:
        """Return the weights of the process without each training row in turn, shape (k, k): a row a left-out row."""
        return self.weight - self.inverse * self.held_out_error[:, None]


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
    >>> process = fit_gaussian_process(x, 2.0 * x[:, 0], np.full(8, 1e-4), Kernel(linear=3.0, bend=0.1, reach=0.5))
    >>> mean, variance = process.predict(np.array([[0.55]]))
    >>> round(float(mean[0]), 2)
    1.1
    """
    Z, t = np.asarray(features, float), np.asarray(response, float)
    inverse = np.linalg.inv(kernel(Z, Z) + np.diag(np.asarray(noise, float)))
    inverse = (inverse + inverse.T) / 2.0
    return GaussianProcess(kernel=kernel, features=Z, inverse=inverse, weight=inverse @ t)
