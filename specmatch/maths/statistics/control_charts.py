"""Control charts of single values: individuals, EWMA, CUSUM, all with limits from a baseline that stays put.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError

# mean range of two normal values over their standard deviation, in the digits that the handbook works with
D2 = 1.128
EWMA_WEIGHT = 0.3
# of a normal value beyond three standard deviations on either side
FALSE_ALARM_RATE = 0.0027
# a CUSUM for shifts of about one standard deviation: half of it is allowed, five are the signal
CUSUM_ALLOWANCE, CUSUM_DECISION = 0.5, 5.0


@dataclass(frozen=True)
class Baseline:
    """Where a chart starts from."""

    centre: float  # mean of the baseline
    # mean moving range over 1.128: shifts within the baseline widen it less than they would a standard deviation
    sd: float
    n: int  # values behind it


def baseline_of(values: ArrayLike) -> Baseline:
    """Return centre and standard deviation of a baseline."""
    # values (n,)
    x = np.asarray(values, float)
    if x.size < 2:
        raise OptionError(f"a baseline holds {x.size} values; give at least 2, better 20")
    return Baseline(float(x.mean()), float(np.abs(np.diff(x)).mean() / D2), int(x.size))


def student_quantile(rate: float, dof: float) -> float:
    """Return what a Student t variable exceeds on either side with probability `rate` in all.

    By the integral of cos(u)^(dof - 1), to which t = sqrt(dof) tan(u) brings the density; no SciPy, whose import alone
    would take longer than a look back at a line.
    """
    # evenly spaced in the cube root of the distance from the end, where the tail lies
    left = np.linspace(1.0, 0.0, 4001) ** 3 * (np.pi / 2.0)
    density = np.sin(left) ** (dof - 1.0) if dof != 1.0 else np.ones(left.size)
    area = np.concatenate(([0.0], np.cumsum(-0.5 * (density[1:] + density[:-1]) * np.diff(left))))
    beyond = 1.0 - area / area[-1]
    where = float(np.interp(-rate, -beyond, left))
    return float(np.sqrt(dof) / np.tan(where))


def prediction_limits(baseline: Baseline) -> tuple[float, float]:
    """Return limits that one more value of a steady process lies beyond with probability `FALSE_ALARM_RATE`.

    Normal values: t sqrt(1 + 1/n) standard deviations about the centre. A mean moving range of n values has the
    relative variance (0.826 n - 1.082)/(n - 1)^2 (values from memory, held against simulation in the tests), and is
    worth half of its inverse in degrees of freedom; unlike a standard deviation it is not too small on average, which
    the factor 1 - 1/(4 dof) makes up for.
    """
    n = baseline.n
    dof = max(1.0, (n - 1) ** 2 / (2.0 * (0.826 * n - 1.082)))
    width = student_quantile(FALSE_ALARM_RATE, dof) * (1.0 - 0.25 / dof) * float(np.sqrt(1.0 + 1.0 / n))
    return individuals_limits(baseline, width=width)


def individuals_limits(baseline: Baseline, *, width: float) -> tuple[float, float]:
    """Return lower and upper limit of single values: `width` standard deviations about the centre."""
    return baseline.centre - width * baseline.sd, baseline.centre + width * baseline.sd


def ewma(values: ArrayLike, start: float, *, weight: float = EWMA_WEIGHT) -> Floats:
    """Return the exponentially weighted moving average after each value."""
    # values (n,) -> (n,)
    x = np.asarray(values, float)
    averages = np.empty(x.size)
    level = start
    for i, value in enumerate(x):
        level += weight * (value - level)
        averages[i] = level
    return averages


def ewma_limits(baseline: Baseline, *, weight: float = EWMA_WEIGHT, width: float = 3.0) -> tuple[float, float]:
    """Return lower and upper limit of the moving average once it has run for a while."""
    half = width * baseline.sd * np.sqrt(weight / (2.0 - weight))
    return float(baseline.centre - half), float(baseline.centre + half)


def cusum(values: ArrayLike, target: float, allowance: float) -> tuple[Floats, Floats]:
    """Return the sums of departures upwards and downwards beyond an allowance, each never below 0."""
    # values (n,) -> (n,)
    away = np.asarray(values, float) - target
    upper, lower = np.empty(away.size), np.empty(away.size)
    up = down = 0.0
    for i, departure in enumerate(away):
        up = max(0.0, up + departure - allowance)
        down = max(0.0, down - departure - allowance)
        upper[i], lower[i] = up, down
    return upper, lower
