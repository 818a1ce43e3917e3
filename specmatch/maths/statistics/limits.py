"""Critical values of T2 and of the squared spectral residual, as published."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, chdtri, fdtri, ndtri

from specmatch.errors import TooFewBatchesError


def t2_limit_new(n_batches: int, n_components: int, level: float = 0.95) -> float:
    """Return the limit of T2 for a spectrum that took no part in the fit.

    N. D. Tracy, J. C. Young, R. L. Mason, Journal of Quality Technology 24:88-95, 1992 (formula from memory).
    """
    _check_components(n_batches, n_components)
    n, a = n_batches, n_components
    return float(a * (n**2 - 1) / (n * (n - a)) * fdtri(a, n - a, level))


def t2_limit_member(n_batches: int, n_components: int, level: float = 0.95) -> float:
    """Return the limit of T2 for a spectrum that took part in the fit: (n-1)^2/n Beta(level; A/2, (n-A-1)/2).

    N. D. Tracy, J. C. Young, R. L. Mason, Journal of Quality Technology 24:88-95, 1992 (formula from memory).
    """
    _check_components(n_batches - 1, n_components)
    n, a = n_batches, n_components
    return float((n - 1) ** 2 / n * betaincinv(a / 2.0, (n - a - 1) / 2.0, level))


def q_limit_jackson_mudholkar(discarded: ArrayLike, level: float = 0.95) -> float:
    """Return the limit of the squared spectral residual from the eigenvalues that the components leave.

    J. E. Jackson, G. S. Mudholkar, Technometrics 21:341-349, 1979.
    """
    # discarded (m,)
    th1, th2, th3 = (float(np.sum(np.asarray(discarded, float) ** power)) for power in (1, 2, 3))
    if th1 == 0.0:
        return 0.0
    h0 = 1.0 - 2.0 * th1 * th3 / (3.0 * th2**2)
    if h0 <= 0.0:
        return q_limit_box(discarded, level)
    root = 1.0 + ndtri(level) * np.sqrt(2.0 * th2 * h0**2) / th1 + th2 * h0 * (h0 - 1.0) / th1**2
    return float(th1 * root ** (1.0 / h0))


def q_limit_box(discarded: ArrayLike, level: float = 0.95) -> float:
    """Return the limit of the squared spectral residual as g chi-squared(h), g = th2/th1, h = th1^2/th2.

    G. E. P. Box, Annals of Mathematical Statistics 25:290-302, 1954.
    """
    th1, th2 = (float(np.sum(np.asarray(discarded, float) ** power)) for power in (1, 2))
    return float(th2 / th1 * chdtri(th1**2 / th2, 1.0 - level)) if th1 else 0.0


def scaled_chi_square(values: ArrayLike) -> tuple[float, float]:
    """Return mean u0 and degrees of freedom N of values taken as u0/N chi-squared(N): N = 2 (u0/s)^2.

    A. L. Pomerantsev, O. Ye. Rodionova, Journal of Chemometrics 22:601-609, 2008 and 28:429-438, 2014 (from memory).
    """
    # values (n,)
    found = np.asarray(values, float)
    mean, variance = float(found.mean()), float(found.var(ddof=1))
    return mean, float(np.clip(2.0 * mean**2 / variance, 1.0, 250.0)) if variance > 0 else 250.0


def _check_components(n_batches: int, n_components: int) -> None:
    if n_batches <= n_components:
        raise TooFewBatchesError(
            f"no T2 limit exists for {n_components} components on so few batches; "
            f"got room for {n_batches}, need more than {n_components}: add batches or take fewer components"
        )
