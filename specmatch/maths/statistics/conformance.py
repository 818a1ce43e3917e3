"""Conformity with a tolerance when the measured value is uncertain.

Source of every formula: JCGM 106:2012, Evaluation of measurement data: the role of measurement uncertainty in
conformity assessment (a normal distribution for the value given its measurement, clause 7; guard bands, clause 8;
risks, clause 9).
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from specmatch.array_types import Floats

# beyond nine standard deviations a normal density holds less than 1e-18: no digit of a risk comes from there
FARTHEST_SD = 9.0


def conformance_probability(
    value: ArrayLike, uncertainty: ArrayLike, *, lower: float = -np.inf, upper: float = np.inf
) -> Floats:
    """Return the probability that the true value lies within the tolerance.

    JCGM 106:2012, equation (7) with a normal distribution.
    """
    y, u = np.broadcast_arrays(np.asarray(value, float), np.asarray(uncertainty, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        normal = ndtr((upper - y) / u) - ndtr((lower - y) / u)
    inside = ((lower <= y) & (y <= upper)).astype(float)
    unknown = np.isnan(y) | np.isnan(u)
    return np.where(unknown, np.nan, np.where(u > 0, normal, inside))


def acceptance_limits(
    uncertainty: float | Callable[[float], float],
    risk: float,
    *,
    lower: float = -np.inf,
    upper: float = np.inf,
) -> tuple[float, float]:
    """Return the measured values between which an item conforms with a probability of at least `1 - risk`.

    Guarded acceptance, JCGM 106:2012, 8.3.2. Where the other limit is far away the guard band is z u with z the normal
    quantile of `1 - risk`; with a risk above one half it lies outside: that is guarded rejection, 8.3.3.
    """
    from scipy.optimize import brentq  # here: it takes longer to import than a reading does

    u = uncertainty if callable(uncertainty) else (lambda _: float(uncertainty))
    z = float(ndtri(1.0 - risk))

    def short(y: float) -> float:
        return float(conformance_probability(y, u(y), lower=lower, upper=upper)) - (1.0 - risk)

    if np.isinf(lower) or np.isinf(upper):
        limit, sign = (upper, -1.0) if np.isinf(lower) else (lower, 1.0)
        # the limit itself conforms with one half: walk inwards until the probability is enough
        inside = limit
        for _ in range(60):
            inside += sign * z * u(inside)
            if (short(inside) >= 0) == (risk < 0.5):
                edge = brentq(short, limit, inside)
                return (edge, np.inf) if sign > 0 else (-np.inf, edge)
        return np.nan, np.nan
    ys = np.linspace(lower, upper, 257)
    best = int(conformance_probability(ys, [u(y) for y in ys.tolist()], lower=lower, upper=upper).argmax())
    if short(ys[best]) < 0:
        return np.nan, np.nan
    below, above = lower - FARTHEST_SD * u(lower), upper + FARTHEST_SD * u(upper)
    return brentq(short, below, ys[best]), brentq(short, ys[best], above)
