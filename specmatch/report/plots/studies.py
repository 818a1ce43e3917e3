"""Figures of studies: a commissioning, a gauge study, an uncertainty budget, a plan, and charts of a line."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.line.charts import TYPICALITY, ControlChart
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
    legend_above,
    of_its_kind,
    plain,
    plain_ticks,
    tell,
    time_axis,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.assessment.precision import Gauge
    from specmatch.house.planning.plan import Plan
    from specmatch.measurement.commissioning.commission import Commissioning


@of_its_kind
def plot_commissioning(found: Commissioning, *, ax: Axes | None = None) -> Axes:
    """Draw every figure of a commissioning as a share of its limit, with its 95 % reach.

    Parameters
    ----------
    found : Commissioning
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_commissioning(sm.commission("bench")).get_xlabel()
    'size over its limit'
    """
    rows = found.figures[found.figures["value"].notna() & found.figures["limit"].notna()].iloc[::-1]
    ax = axis_or_new(ax, width_in=7.0, height_in=1.2 + 0.3 * len(rows))
    share = (rows["value"].abs() / rows["limit"]).to_numpy(float)
    reach = (1.645 * rows["uncertainty"].fillna(0.0) / rows["limit"]).to_numpy(float)
    place = np.arange(len(rows))
    ax.axvspan(0.0, 1.0, color=PALE, alpha=0.6, linewidth=0)
    ax.axvline(1.0, color=INK, linestyle="--", linewidth=1.0)
    for state, mark, colour in (("within", "o", BLUE), ("near", "s", INK), ("beyond", "D", ORANGE)):
        one = (rows["state"] == state).to_numpy()
        if one.any():
            ax.errorbar(share[one], place[one], xerr=reach[one], fmt=mark, color=colour, capsize=2, label=state)
    ax.set_yticks(place, [plain(str(name).replace("_", " ")) for name in rows.index])
    farthest = max(1.4, 1.1 * float(np.max(share + reach, initial=0.0)))
    ax.set(xlabel="size over its limit", ylabel="figure", xlim=(0.0, farthest))
    ax.legend(loc="lower right", frameon=False)
    return ax


@of_its_kind
def plot_gauge_components(study: Gauge, *, ax: Axes | None = None) -> Axes:
    """Draw the components of a gauge study as bars with their bounds.

    Parameters
    ----------
    study : Gauge
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_gauge_components(sm.gauge(house, session)).get_ylabel()
    'standard deviation, % of colour'
    """
    ax = axis_or_new(ax, width_in=6.4, height_in=3.4)
    rows = study.components.drop(index=["batch"], errors="ignore")
    sd = 100.0 * rows["sd"].to_numpy(float)
    low, high = 100.0 * rows["sd_low"].to_numpy(float), 100.0 * rows["sd_high"].to_numpy(float)
    high = np.where(np.isfinite(high), high, sd)
    place = np.arange(len(rows))
    ax.bar(place, sd, color=PALE, edgecolor=BLUE)
    # one table of both ends: older matplotlib takes a list of two arrays for numbers
    reach = np.maximum(np.vstack([sd - low, high - sd]), 0.0)
    ax.errorbar(place, sd, yerr=reach, fmt="none", color=INK, capsize=3)
    ax.set_xticks(place, [plain(str(name)) for name in rows.index])
    ax.set(xlabel="component", ylabel="standard deviation, % of colour")
    return ax


@of_its_kind
def plot_gauge_interaction(study: Gauge, *, ax: Axes | None = None) -> Axes:
    """Draw what each condition reads of each batch, over the mean of the batch: parallel lines are no interaction.

    Parameters
    ----------
    study : Gauge
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_gauge_interaction(sm.gauge(house, session)).get_ylabel()
    'over the mean of the batch, %'
    """
    ax = axis_or_new(ax, width_in=6.4, height_in=3.4)
    condition = next((name for name in study.factors if name in study.readings and name != "batch"), "")
    about = _over_batch_means(study)
    names = list(dict.fromkeys(study.readings["batch"]))
    groups = study.readings[condition] if condition else pd.Series("all pours", index=about.index)
    for i, (name, part) in enumerate(about.groupby(groups, sort=False)):
        means = part.groupby(study.readings["batch"]).mean().reindex(names)
        mark, line = MARKERS[i % len(MARKERS)], LINES[i % len(LINES)]
        ax.plot(range(len(names)), means, marker=mark, linestyle=line, color=BLUE if i % 2 == 0 else ORANGE,
                label=plain(str(name)))  # fmt: skip
    ax.axhline(0.0, color=INK, linewidth=0.6)
    ax.set_xticks(range(len(names)), [plain(str(name)) for name in names], rotation=45, ha="right")
    ax.set(xlabel="batch", ylabel="over the mean of the batch, %")
    ax.legend(frameon=False, fontsize="small")
    return ax


@of_its_kind
def plot_gauge_run(study: Gauge, *, ax: Axes | None = None) -> Axes:
    """Draw the readings of a gauge study in their order, over the mean of each batch.

    Parameters
    ----------
    study : Gauge
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_gauge_run(sm.gauge(house, session)).get_xlabel()
    'pour, in order'
    """
    ax = axis_or_new(ax, width_in=7.0, height_in=3.0)
    about = _over_batch_means(study)
    ax.plot(np.arange(len(about)) + 1, about, "o-", color=BLUE, linewidth=0.8, markerfacecolor="white", markersize=4)
    ax.axhline(0.0, color=INK, linewidth=0.6)
    ax.set(xlabel="pour, in order", ylabel="over the mean of the batch, %")
    return ax


def _over_batch_means(study: Gauge) -> pd.Series:
    logs = np.log(study.readings["colour"])
    return 100.0 * (logs - logs.groupby(study.readings["batch"]).transform("mean"))


@of_its_kind
def plot_budget(budget: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw an uncertainty budget: shares of the variance of a reading, a bar a beer.

    Parameters
    ----------
    budget : DataFrame
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_budget(house.budget()).get_xlabel()
    'share of the variance of a reading'
    """
    shares = budget["share"].drop(["reading", "between batch", "new batches"], level="component").unstack()
    shares = shares.loc[list(dict.fromkeys(budget.index.get_level_values("beer")))][::-1]
    ax = axis_or_new(ax, width_in=7.0, height_in=1.4 + 0.3 * len(shares))
    left = np.zeros(len(shares))
    hatches = ("", "//", "..", "xx", "\\\\", "oo", "++")
    colours = (BLUE, PALE, ORANGE, INK)
    for i, name in enumerate(shares.columns):
        width = shares[name].fillna(0.0).to_numpy(float)
        bars = ax.barh(np.arange(len(shares)), width, left=left, label=name, color=colours[i % 4], edgecolor="white",
                       hatch=hatches[i % len(hatches)])  # fmt: skip
        for bar, beer, share in zip(bars, shares.index, width, strict=True):
            tell(bar, [f"{beer}: {name} {share:.0%}"], [beer])
        left = left + width
    ax.set_yticks(np.arange(len(shares)), [plain(str(name)) for name in shares.index])
    ax.set(xlabel="share of the variance of a reading", ylabel="beer", xlim=(0.0, 1.0))
    ax.legend(frameon=False, fontsize="small", ncols=4, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return ax


@of_its_kind
def plot_plan_curves(made: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the half-width of a colour against batches a beer, a line a cup and number of pours, with simulation error.

    Parameters
    ----------
    made : Plan
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


@of_its_kind
def plot_plan_beers(made: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the half-width of each beer, pale to dark, at what is advised.

    Parameters
    ----------
    made : Plan
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


@of_its_kind
def plot_plan_line(made: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the share of mix-ups held in time against the minutes between readings, for each false-reject rate.

    Parameters
    ----------
    made : Plan
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
        below, above = own["caught"] - own["caught_low"], own["caught_high"] - own["caught"]
        reach = 100.0 * np.maximum(np.vstack([below, above]), 0)
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


@of_its_kind
def plot_control_chart(chart: ControlChart, *, ax: Axes | None = None) -> Axes:
    """Draw one control chart: points over time, limits of the baseline, what signalled.

    Parameters
    ----------
    chart : ControlChart
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Notes
    -----
    A point signals alone beyond the limits, with others where a running test (moving average, sum of departures) does,
    for which it counts as no farther than `FARTHEST_SD` standard deviations from the mean.

    Examples
    --------
    >>> from specmatch.line.charts import Point, make_chart
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
    # by place: entries of two journals may bear one number
    alone = {signal.n_points for signal in chart.signals if signal.test == "single value"}
    together = {signal.n_points for signal in chart.signals} - alone
    place = np.arange(len(chart.points)) - chart.n_baseline + 1
    single, running = np.isin(place, [*alone]), np.isin(place, [*together])
    within = ~single & ~running
    ax.plot(times, values, color=INK, linewidth=0.6, alpha=0.5)
    ax.plot(times[within], values[within], "o", color=BLUE, markerfacecolor="white", markersize=4, label="within")
    for which, face, said in ((running, "white", "signals with others"), (single, ORANGE, "signals alone")):
        if which.any():
            ax.plot(times[which], values[which], "s", color=ORANGE, markerfacecolor=face, markersize=4.5, label=said)
    if len(chart.moving_average):
        later = times[chart.n_baseline :]
        ax.plot(later, chart.moving_average, color=BLUE, linewidth=1.8, label="moving average, capped")
    time_axis(ax, "measured, UTC")
    unit = chart.unit or UNITS.get(chart.kind, "")
    ax.set(ylabel=f"{chart.kind}, {unit}" if unit else chart.kind)
    legend_above(ax, ncols=3, title=plain(chart.subject), alignment="left")
    return ax
