"""Critical values of T2 and of the squared spectral residual, as published."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri

from specmatch.errors import TooFewBatchesError


def t2_limit_new(n_batches: int, n_components: int, level: float = 0.95) -> float:
    """Return the limit of T2 for a spectrum that took no part in the fit.

    N. D. Tracy, J. C. Young, R. L. Mason, Journal of Quality Technology 24:88-95, 1992 (formula from memory).
    """
    if n_batches <= n_components:
        raise TooFewBatchesError(
            f"no T2 limit exists for {n_components} components on so few batches; "
            f"got {n_batches}, need more than {n_components}: add batches or take fewer components"
        )
    n, a = n_batches, n_components
    return float(a * (n**2 - 1) / (n * (n - a)) * fdtri(a, n - a, level))


def scaled_chi_square(values: ArrayLike) -> tuple[float, float]:
    """Return mean u0 and degrees of freedom N of values taken as u0/N chi-squared(N): N = 2 (u0/s)^2.

    A. L. Pomerantsev, O. Ye. Rodionova, Journal of Chemometrics 22:601-609, 2008 and 28:429-438, 2014 (from memory).
    """
    # values (n,)
    found = np.asarray(values, float)
    mean, variance = float(found.mean()), float(found.var(ddof=1))
    return mean, float(np.clip(2.0 * mean**2 / variance, 1.0, 250.0)) if variance > 0 else 250.0
