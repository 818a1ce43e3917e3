"""Conformity with a tolerance when the measured value is uncertain.

Source of every formula: JCGM 106:2012, Evaluation of measurement data: the role of measurement uncertainty in
conformity assessment (a normal distribution for the value given its measurement, clause 7; guard bands, clause 8;
risks, clause 9).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from specmatch.array_types import Floats

# beyond nine standard deviations a normal density holds less than 1e-18: no digit of a risk comes from there
FARTHEST_SD = 9.0


@dataclass(frozen=True)
class Risks:
    """Shares of items, each in [0, 1]."""

    in_tolerance: float  # conform, whatever the measurement says
    consumer: float  # do not conform and are accepted
    producer: float  # conform and are rejected


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
            if short(inside) >= 0:
                edge = brentq(short, limit, inside)
                return (edge, np.inf) if sign > 0 else (-np.inf, edge)
        return np.nan, np.nan
    ys = np.linspace(lower, upper, 257)
    best = int(conformance_probability(ys, [u(y) for y in ys.tolist()], lower=lower, upper=upper).argmax())
    if short(ys[best]) < 0:
        return np.nan, np.nan
    below, above = lower - FARTHEST_SD * u(lower), upper + FARTHEST_SD * u(upper)
    return brentq(short, below, ys[best]), brentq(short, ys[best], above)


def rejection_limit(uncertainty: float | Callable[[float], float], risk: float, *, upper: float) -> float:
    """Return the measured value above which an item fails an upper limit with a probability of at least `1 - risk`.

    Guarded rejection, JCGM 106:2012, 8.3.3.
    """
    from scipy.optimize import brentq  # here: it takes longer to import than a reading does

    u = uncertainty if callable(uncertainty) else (lambda _: float(uncertainty))

    def over(y: float) -> float:
        return float(conformance_probability(y, u(y), upper=upper)) - risk

    step = u(upper)
    for _ in range(60):
        if over(upper + step) <= 0:
            return brentq(over, upper, upper + step)
        step *= 2.0
    return np.inf


def global_risks(
    mean: float,
    process_sd: float,
    uncertainty: float,
    *,
    tolerance: tuple[float, float],
    acceptance: tuple[float, float] | None = None,
) -> Risks:
    """Return consumer's and producer's risk of a process that is measured once an item.

    JCGM 106:2012, equations (18) to (21): the joint probability of a value outside and its measurement inside, and the
    other way round, by adaptive quadrature.
    """
    from scipy.integrate import quad  # here: it takes longer to import than a reading does

    low, high = tolerance if acceptance is None else acceptance

    def density(y: float) -> float:
        return float(np.exp(-0.5 * ((y - mean) / process_sd) ** 2) / (process_sd * np.sqrt(2.0 * np.pi)))

    def accepted(y: float) -> float:
        return density(y) * float(ndtr((high - y) / uncertainty) - ndtr((low - y) / uncertainty))

    far = FARTHEST_SD * process_sd

    def over(start: float, end: float) -> float:
        start, end = max(start, mean - far), min(end, mean + far)
        if start >= end:
            return 0.0
        # the acceptance limits bend the integrand within an uncertainty or two: the quadrature is told where
        bends = [x for limit in (low, high) for x in (limit - 3 * uncertainty, limit, limit + 3 * uncertainty)]
        inside = sorted({x for x in [*bends, mean] if start < x < end})
        # risks are shares of lots: beyond 1e-10 no digit counts
        return float(quad(accepted, start, end, points=inside or None, limit=200, epsabs=1e-10)[0])

    bottom, top = tolerance
    in_tolerance = float(ndtr((top - mean) / process_sd) - ndtr((bottom - mean) / process_sd))
    consumer = over(-np.inf, bottom) + over(top, np.inf)
    return Risks(in_tolerance, consumer, in_tolerance - over(bottom, top))
