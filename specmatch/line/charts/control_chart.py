"""Charts of what a line measures: limits from a baseline that stays put, and what moved told apart.

The batch is the unit: a beer's chart has one point a run, the mean of its readings, because readings of one run share
its batch. What the reference and the control do is the instrument's doing; what one beer does is the beer's.
"""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats
from specmatch.maths.statistics.control_charts import (
    CUSUM_ALLOWANCE,
    CUSUM_DECISION,
    FARTHEST_SD,
    Baseline,
    baseline_of,
    cusum,
    ewma,
    ewma_limits,
    limit_factor,
    prediction_limits,
)

COLOUR, CONTROL, LEVEL, PEAK, TYPICALITY = "colour", "control", "reference level", "reference peak", "typicality"
# so many first points are the baseline unless somebody names a period
FIRST_POINTS = 20
# half of the charts that are steady are called out in so many days by chance: about a year
FALSE_ALARM_DAYS = 365.0


@dataclass(frozen=True)
class Point:
    """One value of a chart."""

    entry: int  # the entry that completed it
    at: str  # when, ISO 8601
    unix: float  # the same in seconds since 1970
    value: float
    held: bool = False  # whether its run was held


@dataclass(frozen=True)
class Signal:
    """A point outside the limits of one of the three tests."""

    test: str  # `single value`, `moving average` or `sum of departures`
    entry: int
    at: str
    direction: int  # 1 upwards, -1 downwards
    n_points: int  # points after the baseline up to this one


@dataclass(frozen=True)
class ControlChart:
    """One chart."""

    kind: str  # `colour`, `control`, `reference level`, `reference peak` or `typicality`
    subject: str  # beer, or line
    unit: str
    baseline: Baseline | None  # none while there are too few points
    baseline_name: str
    points: tuple[Point, ...]  # in the order of time
    n_baseline: int  # how many of the first points are the baseline or come before it
    moving_average: Floats  # moving_average, upper_sum, lower_sum: after each point behind the baseline
    upper_sum: Floats
    lower_sum: Floats
    signals: tuple[Signal, ...]  # in the order of time

    @property
    def drifting(self) -> int:
        """Direction of a drift that stands now (1, -1), or 0: moving average and sum of departures both outside."""
        if not self.points:
            return 0
        last = self.points[-1].entry
        now = {signal.test: signal.direction for signal in self.signals if signal.entry == last}
        average, total = now.get("moving average", 0), now.get("sum of departures", 0)
        return average if average == total else 0

    @property
    def drift_since(self) -> Signal | None:
        """First signal of the unbroken row of them that the drift of now ends."""
        if not self.drifting:
            return None
        outside = {signal.entry for signal in self.signals if signal.test != "single value"}
        since = None
        for point in reversed(self.points):
            if point.entry not in outside:
                break
            since = point.entry
        return next(signal for signal in self.signals if signal.entry == since and signal.test != "single value")


def make_chart(
    kind: str,
    subject: str,
    unit: str,
    points: list[Point],
    *,
    period: tuple[float, float] | None = None,
    period_name: str = "",
    false_alarm_days: float = FALSE_ALARM_DAYS,
) -> ControlChart:
    """Chart points in the order of time.

    The limits never move when points come in: they change only when somebody names another baseline. Runs that were
    held are no part of a baseline. In the running tests a point counts for four standard deviations at most.
    """
    # false_alarm_days: half of the steady charts of as many points a day as this one are called out in so many days
    if period is None:
        chosen = [point for point in points if not point.held][:FIRST_POINTS]
        after = points.index(chosen[-1]) + 1 if chosen else 0
        enough, name = len(chosen) >= FIRST_POINTS, f"its first {FIRST_POINTS} points"
    else:
        chosen = [point for point in points if period[0] <= point.unix <= period[1] and not point.held]
        after = sum(point.unix <= period[1] for point in points)
        enough, name = len(chosen) >= 2, period_name
    nothing = np.empty(0)
    if not enough:
        said = f"{name}: {len(chosen)} so far"
        return ControlChart(kind, subject, unit, None, said, tuple(points), len(points), nothing, nothing, nothing, ())
    base = baseline_of([point.value for point in chosen])
    later = points[after:]
    values = np.array([point.value for point in later])
    near = np.clip(values, base.centre - FARTHEST_SD * base.sd, base.centre + FARTHEST_SD * base.sd)
    average = ewma(near, base.centre)
    upper, lower = cusum(near, base.centre, CUSUM_ALLOWANCE * base.sd)
    factor = limit_factor(base.n, false_alarm_days * _points_a_day(points))
    signals = _signals(later, values, base, average, upper, lower, factor)
    return ControlChart(kind, subject, unit, base, name, tuple(points), after, average, upper, lower, signals)


def _points_a_day(points: list[Point]) -> float:
    """Points a day over the whole chart; one where their times do not tell."""
    days = (points[-1].unix - points[0].unix) / 86400.0
    return (len(points) - 1) / days if days > 0.0 else 1.0


def _signals(
    points: list[Point], values: Floats, base: Baseline, average: Floats, upper: Floats, lower: Floats, factor: float
) -> tuple[Signal, ...]:
    # factor: on the limits of the running tests
    single, moving = prediction_limits(base), ewma_limits(base, width=3.0 * factor)
    limit = factor * CUSUM_DECISION * base.sd
    found = []
    for i, point in enumerate(points):
        sums = int(upper[i] > limit) - int(lower[i] > limit)
        tests = (
            ("single value", _side(values[i], single)),
            ("moving average", _side(average[i], moving)),
            ("sum of departures", sums),
        )
        found += [Signal(test, point.entry, point.at, side, i + 1) for test, side in tests if side]
    return tuple(found)


def _side(value: float, limits: tuple[float, float]) -> int:
    return int(value > limits[1]) - int(value < limits[0])
