"""Figure of a growing set: what more batches of each beer would buy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from specmatch.report.figure_style import LINES, MARKERS, axis_or_new, plain, shades

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plot_learning_curve(curve: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw the colour error of each beer against its number of batches: today's filled, estimates for more open.

    Parameters
    ----------
    curve : DataFrame
        From `specmatch.house.choose.learning_curve`; beers whose error cannot be told are left out of the drawing and
        named in the legend.
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
        ax.plot(x, y, color=colour, linestyle=line, marker=marker, markerfacecolor="white", markersize=5,
                linewidth=1.3, label=plain(beer))  # fmt: skip
        ax.plot(x[now], y[now], color=colour, marker=marker, markersize=5, linewidth=0)
    for beer in errors.index[errors.isna()]:
        ax.plot([], [], linewidth=0, label=f"{plain(beer)}: cannot be told")
    ax.set(xlabel="batches of the beer in the set (filled: today; open: estimates)", ylabel="colour error, %")
    ax.set_ylim(bottom=0.0)
    ax.legend(frameon=False, fontsize="small", loc="upper left", bbox_to_anchor=(1.0, 1.0), handlelength=3.0)
    return ax
