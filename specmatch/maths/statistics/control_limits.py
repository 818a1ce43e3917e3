"""Is the newest of several correlated values where it was: limits by how many went before, single and running.

Normal values about a mean that holds. Beyond a handful of values the limits are those of prediction (Student t with the
values' own standard deviation); before, a scatter known beforehand stands in with the weight of a few values.
"""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats
from specmatch.maths.statistics.control_charts import ewma, student_quantile

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
    """Return how many independent variables correlated ones are worth when the smallest p-value of all is looked at.

    J. Li, L. Ji, Heredity 95:221-227, 2005: each eigenvalue of the correlation matrix counts 1 if it is 1 or more, and
    its part beyond whole numbers (formula from memory).
    """
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
