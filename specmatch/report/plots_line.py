"""Figures of a line: control charts."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from specmatch.line.control_chart import ControlChart
from specmatch.maths.control_limits import individuals_limits
from specmatch.report.figure_style import BLUE, INK, ORANGE, PALE, axis_or_new, plain, time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plot_control_chart(chart: ControlChart, *, ax: Axes | None = None) -> Axes:
    """Draw one control chart: points over time, limits of the baseline, what signalled.

    Parameters
    ----------
    chart : ControlChart
        From `specmatch.line.charted.line_charts`.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

    Examples
    --------
    >>> from specmatch.line.control_chart import Point, make_chart
    >>> points = [Point(i, "", 86400.0 * i, 8.0 + 0.1 * (i % 2)) for i in range(24)]
    >>> plot_control_chart(make_chart("colour", "Pale", "EBC", points)).get_ylabel()
    'colour, EBC'
    """
    ax = axis_or_new(ax, width_in=7.2, height_in=3.2)
    times = np.array([datetime.fromtimestamp(point.unix, UTC) for point in chart.points])
    values = np.array([point.value for point in chart.points])
    if chart.baseline is not None:
        low, high = individuals_limits(chart.baseline)
        ax.axhspan(low, high, color=PALE, alpha=0.6, linewidth=0, label=f"limits {low:.4g} to {high:.4g}")
        ax.axhline(chart.baseline.centre, color=INK, linewidth=1.0, linestyle="--", label="mean of the baseline")
    signalled = {signal.entry for signal in chart.signals}
    out = np.array([point.entry in signalled for point in chart.points], dtype=bool)
    ax.plot(times, values, color=INK, linewidth=0.6, alpha=0.5)
    ax.plot(times[~out], values[~out], "o", color=BLUE, markerfacecolor="white", markersize=4, label="within")
    ax.plot(times[out], values[out], "s", color=ORANGE, markersize=5, label="signals")
    if len(chart.moving_average):
        ax.plot(times[chart.n_baseline :], chart.moving_average, color=BLUE, linewidth=1.8, label="moving average")
    time_axis(ax, "measured, UTC")
    ax.set(ylabel=f"{chart.kind}, {chart.unit}" if chart.unit else chart.kind)
    ax.set_title(plain(chart.subject), fontsize="medium", loc="left")
    ax.legend(frameon=False, fontsize="small", loc="upper center", bbox_to_anchor=(0.5, 1.2), ncols=5)
    return ax
