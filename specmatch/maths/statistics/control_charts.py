"""Control charts of single values (individuals, EWMA, CUSUM), their limits by how many values those rest on."""

# Source of the charts: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4
# (EWMA); their limits come from a baseline that stays put.

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
    """Return what a Student t variable exceeds on either side with probability `rate` in all."""
    # by the integral of cos(u)^(dof - 1), to which t = sqrt(dof) tan(u) brings the density; no SciPy, whose import
    # alone would take longer than a look back at a line
    # evenly spaced in the cube root of the distance from the end, where the tail lies
    left = np.linspace(1.0, 0.0, 4001) ** 3 * (np.pi / 2.0)
    density = np.sin(left) ** (dof - 1.0) if dof != 1.0 else np.ones(left.size)
    area = np.concatenate(([0.0], np.cumsum(-0.5 * (density[1:] + density[:-1]) * np.diff(left))))
    beyond = 1.0 - area / area[-1]
    where = float(np.interp(-rate, -beyond, left))
    return float(np.sqrt(dof) / np.tan(where))


def prediction_limits(baseline: Baseline) -> tuple[float, float]:
    """Return limits that one more value of a steady process lies beyond with probability `FALSE_ALARM_RATE`."""
    # Normal values: t sqrt(1 + 1/n) standard deviations about the centre. A mean moving range of n values has the
    # relative variance (0.826 n - 1.082)/(n - 1)^2 (values from memory, held against simulation in the tests), and is
    # worth half of its inverse in degrees of freedom; unlike a standard deviation it is not too small on average, which
    # the factor 1 - 1/(4 dof) makes up for.
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


# the scatter known beforehand counts as much as so many values, and no more once this many are there
PRIOR_DOF, SETTLED = 4, 20
# a moving average of about nine values: for moves of one or two standard deviations that single values miss
WEIGHT = 0.2


@dataclass(frozen=True)
class Held:
    """One variable held against its limits."""

    low: float  # low, high: of the single value
    high: float
    average: float | None  # moving average of the values after the baseline; None while there is no settled baseline
    average_low: float  # average_low, average_high: of that
    average_high: float

    def inside(self, value: float) -> bool:
        """Whether value and moving average lie within their limits."""
        calm = self.average is None or self.average_low <= self.average <= self.average_high
        return calm and self.low <= value <= self.high


def hold(value: float, baseline: Floats, later: Floats, *, prior_sd: float, rate: float) -> Held:
    """Make the limits for a value after a baseline and the later values that were accepted."""
    # baseline (n,) with n of 1 or more, later (m,). rate: chance of being outside by either test while nothing moves
    n, centre = baseline.size, float(baseline.mean())
    squares, dof = float(((baseline - centre) ** 2).sum()), float(n - 1)
    if n < SETTLED:
        squares, dof = squares + PRIOR_DOF * prior_sd**2, dof + PRIOR_DOF
    sd = np.sqrt(squares / dof)
    settled = n >= SETTLED
    quantile = student_quantile(rate / 2.0 if settled else rate, dof)
    half = float(quantile * sd * np.sqrt(1.0 + 1.0 / n))
    if not settled:
        return Held(centre - half, centre + half, None, -np.inf, np.inf)
    values = np.append(later, value)
    average = float(ewma(values, centre, weight=WEIGHT)[-1])
    # of the average after m values: NIST/SEMATECH e-Handbook 6.3.2.4 gives the part of the values, 1/n is the mean's
    part = WEIGHT / (2.0 - WEIGHT) * (1.0 - (1.0 - WEIGHT) ** (2 * values.size))
    kept = 1.0 - (1.0 - WEIGHT) ** values.size
    wide = float(quantile * sd * np.sqrt(part + kept**2 / n))
    return Held(centre - half, centre + half, average, centre - wide, centre + wide)


def independent_number(values: Floats) -> float:
    """Return how many independent variables correlated ones are worth to the smallest p-value of all."""
    # J. Li, L. Ji, Heredity 95:221-227, 2005: each eigenvalue of the correlation matrix counts 1 if it is 1 or more,
    # and its part beyond whole numbers (formula from memory)
    # values (n, k), none missing
    k = values.shape[1]
    centred = values - values.mean(axis=0)
    size = np.sqrt((centred**2).sum(axis=0))
    if len(values) < 3 or not (size > 0).all():
        return float(k)
    eigen = np.clip(np.linalg.eigvalsh((centred / size).T @ (centred / size)), 0.0, None)
    # round first: rounding errors must not turn 2 into 1.999
    eigen = np.round(eigen, 9)
    return float(min(k, ((eigen >= 1.0) + (eigen - np.floor(eigen))).sum()))


# in the running tests a value counts for so many standard deviations at most
FARTHEST_SD = 4.0
# Values of a baseline, points that half of the steady charts last, and the factor on the limits of 3 and 5 standard
# deviations that this takes: by simulation of 4,000 charts, rounded to two digits. A test computes some anew.
BASELINES = (2, 3, 5, 10, 20, 50, 150, 500)
LENGTHS = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
FACTORS = (
    (0.72, 1.13, 1.38, 1.56, 1.71, 1.83),
    (0.60, 0.96, 1.24, 1.41, 1.57, 1.68),
    (0.49, 0.82, 1.07, 1.23, 1.39, 1.50),
    (0.42, 0.69, 0.96, 1.12, 1.26, 1.38),
    (0.39, 0.62, 0.86, 1.02, 1.17, 1.29),
    (0.36, 0.57, 0.80, 0.97, 1.12, 1.24),
    (0.35, 0.55, 0.77, 0.93, 1.08, 1.19),
    (0.35, 0.54, 0.75, 0.91, 1.06, 1.17),
)


def limit_factor(n_baseline: int, points: float) -> float:
    """Return the factor for a baseline of so many values and so many points that half of the steady charts last."""
    table = np.array(FACTORS)
    x = float(np.clip(np.log(points), np.log(LENGTHS[0]), np.log(LENGTHS[-1])))
    by_length = [float(np.interp(x, np.log(LENGTHS), row)) for row in table]
    # limits depend on a baseline through 1/n, and more so the fewer there are
    return float(np.interp(-1.0 / max(n_baseline, BASELINES[0]), [-1.0 / n for n in BASELINES], by_length))
