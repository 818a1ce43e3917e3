"""Scatter of single beers against the pooled scatter: tested for being alike, and told apart only as far as data allow.

One beer that wanders more than the rest must neither be held for it nor blamed on the rest.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, polygamma, psi

Floats = NDArray[np.float64]

# more prior degrees of freedom than this and the beers are alike for every purpose
MOST_PRIOR_DOF = 1e6


@dataclass(frozen=True)
class BeerScatter:
    """Variance of each beer over the pooled one.

    Attributes
    ----------
    scale : ndarray, shape (n_beers,)
        Own variance drawn towards the common one.
    dof : ndarray, shape (n_beers,)
        Degrees of freedom behind `scale`, those borrowed from the other beers included.
    prior_dof, prior_scale : float
        How much the beers vouch for one another (infinite where they are alike), and for what.
    alike_p_value : float
        Of the hypothesis that all beers scatter alike (1 where it cannot be tested).
    """

    scale: Floats
    dof: Floats
    prior_dof: float
    prior_scale: float
    alike_p_value: float


def shrink_scatter(variance: Floats, dof: Floats) -> BeerScatter:
    """Draw the variances of beers towards a common one, by as much as they resemble one another.

    Parameters
    ----------
    variance : ndarray, shape (n_beers,)
        Mean square of each beer; ignored where `dof` is 0.
    dof : ndarray, shape (n_beers,)
        Degrees of freedom of each.

    Returns
    -------
    BeerScatter

    Notes
    -----
    Variances are taken as drawn from a scaled inverse chi-squared distribution, whose two parameters follow from mean
    and variance of their logarithms: G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3(1):3,
    2004, section 6.2 (formulas from memory). The test compares the logarithms with the spread they would have alone.

    Examples
    --------
    >>> alike = shrink_scatter(np.array([1.0, 1.1, 0.9]), np.array([20.0, 20.0, 20.0]))
    >>> alike.scale.round(2).tolist(), alike.prior_dof
    ([1.0, 1.0, 1.0], inf)
    >>> shrink_scatter(np.array([1.0, 1.1, 0.9, 9.0]), np.full(4, 60.0)).scale.round(1).tolist()
    [1.0, 1.1, 0.9, 8.7]
    """
    known = (dof > 0) & (variance > 0)
    if known.sum() < 2:
        centre = float(variance[known][0]) if known.any() else 1.0
        return BeerScatter(np.full(dof.size, centre), np.full(dof.size, np.inf), np.inf, centre, 1.0)
    half = dof[known] / 2.0
    logs = np.log(variance[known]) - psi(half) + np.log(half)
    own_spread = polygamma(1, half)
    centre = np.average(logs, weights=1.0 / own_spread)
    departures = float(((logs - centre) ** 2 / own_spread).sum())
    alike = float(chdtrc(known.sum() - 1, departures))
    excess = float(logs.var(ddof=1) - own_spread.mean())
    prior = 2.0 * _inverse_trigamma(excess) if excess > 0 else np.inf
    if prior > MOST_PRIOR_DOF:
        # alike: the plain pooled mean square is the best estimate of the one variance there is
        pooled = float((variance[known] * dof[known]).sum() / dof[known].sum())
        return BeerScatter(np.full(dof.size, pooled), np.full(dof.size, np.inf), np.inf, pooled, alike)
    common = float(np.exp(logs.mean() + psi(prior / 2.0) - np.log(prior / 2.0)))
    own = np.where(known, dof, 0.0)
    scale = (prior * common + own * np.where(known, variance, 0.0)) / (prior + own)
    return BeerScatter(scale, prior + own, prior, common, alike)


def _inverse_trigamma(value: float) -> float:
    """Solve trigamma(x) = value by Newton's method on 1/trigamma, which is convex and nearly straight."""
    x = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(polygamma(1, x))
        step = trigamma * (1.0 - trigamma / value) / float(polygamma(2, x))
        x += step
        # a relative step below 1e-10 changes no degree of freedom that anyone could see
        if abs(step) < 1e-10 * x:
            break
    return x
