"""Figures of colour: held out against lab, error over time, coverage of intervals, what more batches would buy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.batches import VALUE_NAME, in_digits, values_of
from specmatch.house.assessment.evaluation import BEER, THIRDS, Evaluation
from specmatch.reference.tables.edits import batch_days
from specmatch.report.plots.spectra import set_glass
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
    legend_beside,
    of_its_kind,
    plain,
    plain_ticks,
    shades,
    tell,
    time_axis,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.house.assessment.validation import Validation
    from specmatch.reference.reference_set import ReferenceSet


@of_its_kind
def plot_held_out_colour(
    evaluation: Evaluation | Validation, *, refs: ReferenceSet | None = None, colour_unit: str = "EBC",
    ax: Axes | None = None,
) -> Axes:  # fmt: skip
    """Draw the colour that the model gave each held-out or new batch against its lab colour, with the interval.

    Parameters
    ----------
    evaluation : Evaluation or Validation
    refs : ReferenceSet, optional
        The set that was evaluated, for when batches were measured.
    colour_unit : {"EBC", "SRM"}, default "EBC"
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_held_out_colour(evaluation).get_ylabel()
    'held-out colour with 90% interval, EBC'
    """
    ax, what = axis_or_new(ax, width_in=5.2, height_in=5.0), _what(evaluation)
    known = evaluation.colour.dropna(subset=["lab", "colour"])
    inside = (known["colour_low"] <= known["lab"]) & (known["lab"] <= known["colour_high"])
    of_batch = evaluation.identity if isinstance(evaluation, Evaluation) else known
    beers = of_batch["beer"].reindex(known.index).fillna("").astype(str)
    days = batch_days(refs.scans, refs.batches) if refs is not None else pd.Series(dtype=object)
    ends = np.array([1.0, 100.0])
    if len(known):
        least, largest = known[["lab", "colour"]].min().min(), known[["lab", "colour"]].max().max()
        # values of 0 or below have no logarithmic axis
        room = 0.1 * (largest - least)
        ends = np.array([least / 1.15, largest * 1.15]) if least > 0 else np.array([least - room, largest + room])
    edges = ends * np.array([0.5, 2.0]) if ends[0] > 0 else ends + np.ptp(ends) * np.array([-1.0, 1.0])
    ax.plot(ends, ends, color=INK, linewidth=1.0, linestyle="--", label="equal")
    for part, marker, colour, name in (
        (known[inside], "o", BLUE, f"lab {what} inside the interval"),
        (known[~inside], "s", ORANGE, f"lab {what} outside the interval"),
    ):
        # lengths of bars go as lists: older matplotlib asks an array of one for its number in a way that NumPy gives up
        # an unbounded limit is drawn to the edge of the figure, which it leaves
        low, high = part["colour_low"].clip(lower=edges[0]), part["colour_high"].clip(upper=edges[1])
        bars = ax.errorbar(
            part["lab"].to_numpy(), part["colour"].to_numpy(), fmt=marker, color=colour,
            yerr=[(part["colour"] - low).tolist(), (high - part["colour"]).tolist()],
            markersize=4.5, markerfacecolor="white" if marker == "o" else colour, elinewidth=0.9, linewidth=0,
            label=f"{name} ({len(part)})",
        )  # fmt: skip
        whose, told = beers[part.index], []
        for row, beer in zip(part.itertuples(), whose, strict=True):
            which = ", ".join(filter(None, (str(row.Index), beer, days.get(row.Index, ""))))
            told.append(
                f"{which}: lab {row.lab:.1f}, read {row.colour:.1f} ({row.colour_low:.1f} to {row.colour_high:.1f})"
            )
        tell(bars.lines[0], told, whose)
        for bar in bars.lines[2]:
            tell(bar, [""] * len(whose), whose)
    if ends[0] > 0:
        for which in ("x", "y"):
            plain_ticks(ax, which=which, low=float(ends[0]), high=float(ends[1]))
    else:
        ax.set(xlim=ends, ylim=ends)
    nominal = evaluation.figures["nominal_coverage"]
    how = "held-out" if isinstance(evaluation, Evaluation) else "read"
    ax.set(xlabel=f"lab {what}, {colour_unit}", ylabel=f"{how} {what} with {nominal:.0%} interval, {colour_unit}")
    ax.set_aspect("equal")
    ax.legend(frameon=False, fontsize="small", loc="upper left")
    return ax


@of_its_kind
def plot_colour_over_time(refs: ReferenceSet, *, ax: Axes | None = None) -> Axes:
    """Draw the lab colour of each batch over time, a line a beer in the colour that it has in a glass.

    Parameters
    ----------
    refs : ReferenceSet
        Batches stand at the day on which they were packaged, or else first measured; without days in their order.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> plot_colour_over_time(refs).get_ylabel()
    'lab colour, EBC'
    """
    known = refs.batches[refs.batches["colour"].notna()]
    days = batch_days(refs.scans, refs.batches).reindex(known.index)
    means = known.groupby("beer")["colour"].mean().sort_values()
    ax = axis_or_new(ax, width_in=7.2, height_in=4.4)
    dated = len(days) > 0 and bool((days != "").all())
    x = pd.to_datetime(days) if dated else pd.Series(np.arange(1, len(known) + 1), index=known.index)
    glass = set_glass(refs)
    for beer, marker, line in zip(means.index, MARKERS * len(means), LINES * len(means), strict=False):
        at = x[known["beer"] == beer].sort_values()
        colour = known.loc[at.index, "colour"]
        (drawn,) = ax.plot(at, colour, color=QUIET, linestyle=line, linewidth=0.8)
        (dots,) = ax.plot(at, colour, marker, color=INK, markerfacecolor=glass[beer] or "white", markersize=5,
                          markeredgewidth=0.7, label=plain(beer))  # fmt: skip
        tell(drawn, [""], [beer])
        said = [
            f"{k}, {beer}, {days[k]}: {in_digits(colour[k], refs.colour_unit)} {refs.colour_unit}" for k in at.index
        ]
        tell(dots, said, [beer] * len(said))
    if len(known) and known["colour"].min() > 0.0:
        plain_ticks(ax, which="y", low=known["colour"].min() / 1.2, high=known["colour"].max() * 1.2)
    ax.set(xlabel="batch, in the order of the set", ylabel=f"lab {refs.value_name}, {refs.colour_unit}")
    if dated:
        time_axis(ax, "packaged, or else measured")
    if 0 < len(means) <= 2 * len(MARKERS):
        handles, names = ax.get_legend_handles_labels()
        legend_beside(ax, handles=handles[::-1], labels=names[::-1])
    return ax


@of_its_kind
def plot_colour_error(evaluation: Evaluation, refs: ReferenceSet, *, ax: Axes | None = None) -> Axes:
    """Draw the colour error of each held-out batch over the time at which it was measured.

    Parameters
    ----------
    evaluation : Evaluation
    refs : ReferenceSet
        The set that was evaluated; without times batches stand in its order.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Notes
    -----
    A slope, or a step from one day on, says that something drifted: the instrument, the reference, the lab.

    Examples
    --------
    >>> plot_colour_error(evaluation, refs).get_legend().get_texts()[0].get_text()
    'root mean square: 1.8 %'
    """
    ax = axis_or_new(ax, width_in=7.2, height_in=3.4)
    known = evaluation.colour.dropna(subset=["lab", "colour"])
    relative, unit = 100.0 * (known["colour"] / known["lab"] - 1.0), "%"
    if known["lab"].le(0).any():  # no error is a part of such a value
        relative, unit = known["colour"] - known["lab"], refs.colour_unit
    inside = (known["colour_low"] <= known["lab"]) & (known["lab"] <= known["colour_high"])
    times = _measured(refs).reindex(known.index)
    dated = times.notna().all() and len(times) > 0
    x = times if dated else pd.Series(np.arange(1, len(known) + 1), index=known.index)
    ax.axhline(0.0, color=INK, linewidth=1.0)
    beers = refs.batches["beer"].reindex(known.index).fillna("").astype(str)
    spread = float(np.sqrt(np.mean(relative**2))) if len(relative) else 0.0
    said = f"{spread:.1f}" if unit == "%" else f"{spread:.2g}"
    ax.axhspan(-spread, spread, color=PALE, alpha=0.6, linewidth=0, label=f"root mean square: {said} {unit}")
    for which, mark, colour, face in ((inside, "o", BLUE, "white"), (~inside, "s", ORANGE, ORANGE)):
        label = f"{'inside' if which is inside else 'outside'} its interval"
        (dots,) = ax.plot(
            x[which], relative[which], mark, color=colour, markerfacecolor=face, markersize=4.5, label=label
        )
        when = [f"{time:%Y-%m-%d}, " if dated else "" for time in x[which]]
        whose = beers[which]
        rows = zip(x.index[which], whose, when, relative[which], strict=True)
        tell(dots, [f"{k}, {beer}, {day}{size:+.3g} {unit}" for k, beer, day, size in rows], whose)
    ax.set(
        xlabel="batch, in the order of the set", ylabel=f"held-out {_what(evaluation)}\nabove or below the lab, {unit}"
    )
    if dated:
        time_axis(ax, "measured, UTC")
    legend_above(ax, ncols=3)
    return ax


@of_its_kind
def plot_coverage(evaluation: Evaluation, *, ax: Axes | None = None) -> Axes:
    """Draw how often the intervals covered the lab colour of a held-out batch, against what they promise.

    Parameters
    ----------
    evaluation : Evaluation
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Notes
    -----
    Bars are exact 95 % bounds (Clopper and Pearson): one that holds the promise is no evidence against it.

    Examples
    --------
    >>> [text.get_text() for text in plot_coverage(evaluation).get_legend().get_texts()][:2]
    ['promised', 'all batches (18)']
    """
    ax = axis_or_new(ax, width_in=5.6, height_in=3.8)
    levels = sorted(evaluation.coverage["nominal"].unique())
    groups = ("all", *THIRDS)
    for place, (group, marker, colour) in enumerate(zip(groups, MARKERS, (INK, ORANGE, BLUE, INK), strict=False)):
        chosen = (evaluation.coverage["group"] == group) & (evaluation.coverage["by"] != BEER)
        part = evaluation.coverage[chosen].set_index("nominal").reindex(levels)
        x = np.arange(len(levels)) + 0.16 * (place - 1.5)
        covered = 100.0 * part["covered"].to_numpy()
        below, above = covered - 100.0 * part["low"].to_numpy(), 100.0 * part["high"].to_numpy() - covered
        ax.errorbar(
            x, covered, yerr=[below.tolist(), above.tolist()], fmt=marker, color=colour, markersize=6, capsize=3,
            elinewidth=1.2, markerfacecolor=colour if place == 0 else "white",
            label=f"{'all batches' if group == 'all' else group + ' third'} ({int(part['n'].max())})",
        )  # fmt: skip
    promised, places = 100.0 * np.array(levels), np.arange(len(levels))
    ax.hlines(promised, places - 0.4, places + 0.4, color=INK, linestyle="--", linewidth=1.2, label="promised")
    ax.set_xticks(range(len(levels)), [f"{level:.0%}" for level in levels])
    ax.set(xlabel="promised coverage", ylabel=f"lab {values_of(_what(evaluation))} covered, %", ylim=(None, 102.0))
    ax.grid(visible=False, axis="x")
    legend_beside(ax)
    return ax


def _what(evaluation: Evaluation | Validation) -> str:
    return str(evaluation.figures.get("value_name", VALUE_NAME))


def _measured(refs: ReferenceSet) -> pd.Series:
    if "measured_at" not in refs.scans.columns:
        return pd.Series(dtype="datetime64[ns, UTC]")
    times = pd.to_datetime(refs.scans["measured_at"], utc=True, format="ISO8601", errors="coerce")
    return times.groupby(refs.scans["batch"].to_numpy()).min()


@of_its_kind
def plot_learning_curve(curve: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw the colour error of each beer against its number of batches: today's filled, estimates for more open.

    Parameters
    ----------
    curve : DataFrame
        From `specmatch.learning_curve`; beers whose error cannot be told are named in the legend alone.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> curve = pd.DataFrame({"beer": "Pale", "more": [0, 5], "n_batches": [4, 9], "colour_error": [0.03, 0.02]})
    >>> plot_learning_curve(curve).get_ylabel()
    'colour error, %'
    """
    ax = axis_or_new(ax, width_in=7.2, height_in=4.0)
    errors = curve.groupby("beer")["colour_error"].max().sort_values(ascending=False)
    known = list(errors.dropna().index)
    looks = zip(known, shades(len(known)), LINES * len(known), MARKERS * len(known), strict=False)
    for beer, colour, line, marker in looks:
        rows = curve[(curve["beer"] == beer) & curve["colour_error"].notna()].sort_values("n_batches")
        x, y = rows["n_batches"].to_numpy(float), 100.0 * rows["colour_error"].to_numpy(float)
        now = (rows["more"] == 0).to_numpy()
        (drawn,) = ax.plot(x, y, color=colour, linestyle=line, marker=marker, markerfacecolor="white", markersize=5,
                           linewidth=1.3, label=plain(beer))  # fmt: skip
        tell(drawn, [f"{beer}: {', '.join(f'{k:.0f} batches {e:.1f} %' for k, e in zip(x, y, strict=True))}"], [beer])
        (today,) = ax.plot(x[now], y[now], color=colour, marker=marker, markersize=5, linewidth=0)
        tell(today, [f"{beer} today: {y[now][0]:.1f} %"] if now.any() else [], [beer] if now.any() else [])
    for beer in errors.index[errors.isna()]:
        ax.plot([], [], linewidth=0, label=f"{plain(beer)}: cannot be told")
    ax.set(xlabel="batches of the beer in the set (filled: today; open: estimates)", ylabel="colour error, %")
    ax.set_ylim(bottom=0.0)
    legend_beside(ax, handlelength=3.0)
    return ax
