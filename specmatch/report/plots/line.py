"""Figures of a line: control charts."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from specmatch.line.charts.control_chart import TYPICALITY, ControlChart
from specmatch.maths.statistics.control_charts import prediction_limits
from specmatch.report.plots.style import BLUE, INK, ORANGE, PALE, axis_or_new, plain, time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# what has no unit is said by how it was computed
UNITS = {TYPICALITY: "normal score of p"}


def plot_control_chart(chart: ControlChart, *, ax: Axes | None = None) -> Axes:
    """Draw one control chart: points over time, limits of the baseline, what signalled.

    Parameters
    ----------
    chart : ControlChart
        From `specmatch.line.charts.series.line_charts`.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

    Notes
    -----
    A point signals alone where it lies beyond the limits, with others where a running test (moving average, sum of
    departures) does at this point. For the running tests a point counts as no farther than `FARTHEST_SD` standard
    deviations from the mean, so a moving average ends at a cap however far the points go on.

    Examples
    --------
    >>> from specmatch.line.charts.control_chart import Point, make_chart
    >>> points = [Point(i, "", 86400.0 * i, 8.0 + 0.1 * (i % 2)) for i in range(24)]
    >>> plot_control_chart(make_chart("colour", "Pale", "EBC", points)).get_ylabel()
    'colour, EBC'
    """
    ax = axis_or_new(ax, width_in=7.2, height_in=3.2)
    times = np.array([datetime.fromtimestamp(point.unix, UTC) for point in chart.points])
    values = np.array([point.value for point in chart.points])
    if chart.baseline is not None:
        low, high = prediction_limits(chart.baseline)
        ax.axhspan(low, high, color=PALE, alpha=0.6, linewidth=0, label=f"limits {low:.4g} to {high:.4g}")
        ax.axhline(chart.baseline.centre, color=INK, linewidth=1.0, linestyle="--", label="mean of the baseline")
    alone = {signal.entry for signal in chart.signals if signal.test == "single value"}
    together = {signal.entry for signal in chart.signals} - alone
    single, running = (
        np.array([p.entry in entries for p in chart.points], dtype=bool) for entries in (alone, together)
    )
    within = ~single & ~running
    ax.plot(times, values, color=INK, linewidth=0.6, alpha=0.5)
    ax.plot(times[within], values[within], "o", color=BLUE, markerfacecolor="white", markersize=4, label="within")
    for which, face, said in (
        (running, "white", "signals with others"),
        (single, ORANGE, "signals alone"),
    ):
        if which.any():
            ax.plot(times[which], values[which], "s", color=ORANGE, markerfacecolor=face, markersize=4.5, label=said)
    if len(chart.moving_average):
        ax.plot(
            times[chart.n_baseline :], chart.moving_average, color=BLUE, linewidth=1.8, label="moving average, capped"
        )
    time_axis(ax, "measured, UTC")
    unit = chart.unit or UNITS.get(chart.kind, "")
    ax.set(ylabel=f"{chart.kind}, {unit}" if unit else chart.kind)
    ax.legend(
        frameon=False, fontsize="small", loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3,
        title=plain(chart.subject), alignment="left",
    )  # fmt: skip
    return ax
