"""Figures of a plan: what more batches buy, what each beer gets, and what looking at the line catches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

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

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

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

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

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

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

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
