"""Figures of a plan, and of a line that runs by it: what more batches buy, what looking catches, control charts."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from specmatch.line.charts.control_chart import TYPICALITY, ControlChart
from specmatch.maths.statistics.control_charts import prediction_limits
from specmatch.report.plots.style import (
    BLUE,
    INK,
    LINES,
    MARKERS,
    ORANGE,
    PALE,
    QUIET,
    axis_or_new,
    plain,
    plain_ticks,
    time_axis,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.planning.plan import Plan


def plot_plan_curves(made: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the half-width of a colour against batches a beer, a line a cup and number of pours, with simulation error.

    Parameters
    ----------
    made : Plan
        From `specmatch.plan`.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_plan_curves(made).get_xlabel()
    'batches of each beer'
    """
    ax = axis_or_new(ax, width_in=6.4, height_in=3.6)
    table = made.curves
    several = table["depth_mm"].nunique() > 1
    for i, ((depth, pours), own) in enumerate(table.groupby(["depth_mm", "n_pours"], sort=False)):
        name = f"{pours:g} pour{'s' if pours > 1 else ''}" + (f", {depth:.1f} mm deep" if several else "")
        style: dict[str, Any] = {"marker": MARKERS[i % len(MARKERS)], "linestyle": LINES[i % len(LINES)]}
        # beside each other, so that their bars can be told apart
        at = own["n_batches"].to_numpy(float) * (1.0 + 0.015 * (i - 0.5))
        width, error = 100.0 * own["half_width"], 100.0 * own["half_width_sd"].fillna(0.0)
        ax.errorbar(at, width, yerr=error, capsize=3, color=(BLUE, ORANGE, INK, QUIET)[i % 4], label=name, **style)
    batches = sorted(table["n_batches"].unique())
    plain_ticks(ax, which="x", low=0.85 * batches[0], high=1.18 * batches[-1])
    ax.set_xticks(batches, [f"{n:g}" for n in batches])
    ax.set_ylim(bottom=0.0)
    ax.set(xlabel="batches of each beer", ylabel=f"half-width at {made.coverage:.0%}, % of colour")
    ax.legend(frameon=False, loc="lower left")
    return ax


def plot_plan_beers(made: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the half-width of each beer, pale to dark, at what is advised.

    Parameters
    ----------
    made : Plan
        From `specmatch.plan`.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_plan_beers(made).get_xlabel()
    'half-width, % of colour'
    """
    rows = made.beers.iloc[::-1]
    ax = axis_or_new(ax, width_in=6.4, height_in=1.2 + 0.28 * len(rows))
    place = np.arange(len(rows))
    width = 100.0 * rows["half_width"].to_numpy(float)
    ax.barh(place, width, color=PALE, edgecolor=BLUE, height=0.62)
    for at, size, in_unit in zip(place, width, rows["half_width_in_unit"], strict=True):
        ax.text(float(size), float(at), f" ±{in_unit:.2g} {made.colour_unit}", va="center", fontsize="small", color=INK)
    ax.set_yticks(place, [f"{plain(str(name))} ({c:.3g})" for name, c in zip(rows.index, rows["colour"], strict=True)])
    ax.set(xlabel="half-width, % of colour", ylabel=f"beer (colour, {made.colour_unit})",
           xlim=(0.0, 1.25 * float(width.max())))  # fmt: skip
    return ax


def plot_plan_line(made: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the share of mix-ups held in time against the minutes between readings, for each false-reject rate.

    Parameters
    ----------
    made : Plan
        From `specmatch.plan`.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_plan_line(made).get_xlabel()
    'minutes between readings'
    """
    ax = axis_or_new(ax, width_in=6.4, height_in=3.6)
    for i, (rate, own) in enumerate(made.line.groupby("false_reject_rate", sort=False)):
        caught = 100.0 * own["caught"].to_numpy(float)
        reach = 100.0 * np.maximum(
            np.vstack([own["caught"] - own["caught_low"], own["caught_high"] - own["caught"]]), 0
        )
        at = own["minutes"].to_numpy(float) * (1.0 + 0.03 * (i - 0.5))
        holds = own["false_holds_a_week"]
        label = f"false-reject rate {100.0 * rate:g} %: {holds.min():.1f} to {holds.max():.1f} false holds a week"
        ax.errorbar(at, caught, yerr=reach, capsize=3, marker=MARKERS[i], linestyle=LINES[i],
                    color=(BLUE, ORANGE)[i % 2], label=label)  # fmt: skip
    minutes = sorted(made.line["minutes"].unique())
    plain_ticks(ax, which="x", low=0.8 * minutes[0], high=1.25 * minutes[-1])
    ax.set_xticks(minutes, [f"{m:g}" for m in minutes])
    ax.set(xlabel="minutes between readings", ylabel="mix-ups held in time, %", ylim=(0.0, 104.0))
    ax.legend(frameon=False, loc="lower left")
    return ax


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
