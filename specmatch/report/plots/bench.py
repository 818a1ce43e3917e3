"""Figures of the bench: a commissioning, a gauge study and an uncertainty budget."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.report.plots.style import BLUE, INK, LINES, MARKERS, ORANGE, PALE, axis_or_new, plain, tell

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.assessment.gauge import Gauge
    from specmatch.measurement.commissioning.commission import Commissioning


def plot_commissioning(found: Commissioning, *, ax: Axes | None = None) -> Axes:
    """Draw every figure of a commissioning as a share of its limit, with its 95 % reach.

    Parameters
    ----------
    found : Commissioning
        From `specmatch.commission`.
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
    ax.set(
        xlabel="size over its limit",
        ylabel="figure",
        xlim=(0.0, max(1.4, 1.1 * float(np.max(share + reach, initial=0.0)))),
    )
    ax.legend(loc="lower right", frameon=False)
    return ax


def plot_gauge_components(study: Gauge, *, ax: Axes | None = None) -> Axes:
    """Draw the components of a gauge study as bars with their bounds.

    Parameters
    ----------
    study : Gauge
        From `specmatch.gauge`.
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


def plot_gauge_interaction(study: Gauge, *, ax: Axes | None = None) -> Axes:
    """Draw what each condition reads of each batch, over the mean of the batch: parallel lines are no interaction.

    Parameters
    ----------
    study : Gauge
        From `specmatch.gauge`.
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
    logs = np.log(study.readings["colour"])
    about = 100.0 * (logs - logs.groupby(study.readings["batch"]).transform("mean"))
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


def plot_gauge_run(study: Gauge, *, ax: Axes | None = None) -> Axes:
    """Draw the readings of a gauge study in their order, over the mean of each batch.

    Parameters
    ----------
    study : Gauge
        From `specmatch.gauge`.
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
    logs = np.log(study.readings["colour"])
    about = 100.0 * (logs - logs.groupby(study.readings["batch"]).transform("mean"))
    ax.plot(np.arange(len(about)) + 1, about, "o-", color=BLUE, linewidth=0.8, markerfacecolor="white", markersize=4)
    ax.axhline(0.0, color=INK, linewidth=0.6)
    ax.set(xlabel="pour, in order", ylabel="over the mean of the batch, %")
    return ax


def plot_budget(budget: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw an uncertainty budget: shares of the variance of a reading, a bar a beer.

    Parameters
    ----------
    budget : DataFrame
        From `HouseModel.budget`.
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
