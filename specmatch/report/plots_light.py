"""Figure of the light itself: how the reference scans of each instrument went on over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.measurement.reference_history import DRIFTED, WEAK, reference_history, reference_times
from specmatch.report.figure_style import INK, LINES, MARKERS, ORANGE, axis_or_new, plain, shades, time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from specmatch.measurement.session import Session

# a lamp varies by about 1 % from scan to scan: an axis narrower than this would show that as if it were news
LEAST_SPAN = 10.0
SAID = {DRIFTED: "jumps from those before it", WEAK: "carries too little light"}


def plot_reference_history(
    history: pd.DataFrame | Sequence[Session], *, findings: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the level of each reference scan against the first of its instrument, and what was found about it.

    Parameters
    ----------
    history : sequence of Session, or DataFrame
        Measured folders, in any order, each from `measure`; or a table with a row a reference scan: `measured_at`,
        `instrument`, `session`, `level` (1.0 = as much light as the first) and `code`.
    findings : DataFrame, optional
        Of `ReferenceSet.audit()`: reference scans of sessions with a `drifted_reference` are marked.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.
    TableError
        If two folders share no usable wavelength of an instrument.

    Notes
    -----
    A slow fall is a lamp that ages, and does no harm: sample and reference lose the same share. A jump is a lamp, a
    base or a cup that changed.

    Examples
    --------
    >>> history = pd.DataFrame({"instrument": "A", "session": ["1", "2"], "measured_at": "", "level": [1.0, 0.97],
    ...                         "code": ""}, index=["r1", "r2"])
    >>> plot_reference_history(history).get_ylabel()
    'light of the reference,\\n% of the first of its instrument'
    >>> folders = [sm.measure("monday"), sm.measure("tuesday")]
    >>> plot_reference_history(folders, findings=refs.audit()).get_xlabel()
    'measured, UTC'
    """
    if not isinstance(history, pd.DataFrame):
        history = reference_history(history)
    ax = axis_or_new(ax, width_in=7.2, height_in=3.4)
    times, level = reference_times(history), 100.0 * history["level"].to_numpy(float)
    x = np.arange(1, len(history) + 1) if times is None else times.to_numpy()
    instrument = history["instrument"].to_numpy()
    names = list(dict.fromkeys(instrument))
    ax.axhline(100.0, color=INK, linewidth=1.0, linestyle="--")
    for name, colour, line, marker in zip(
        names, shades(len(names)), LINES * len(names), MARKERS * len(names), strict=False
    ):
        own = instrument == name
        ax.plot(x[own], level[own], color=colour, linestyle=line, linewidth=0.8, marker=marker, markersize=5,
                markerfacecolor="white", label=f"{plain(name or 'reference scans')} ({own.sum()})")  # fmt: skip
    for code, said in SAID.items():
        _mark(ax, x, level, (history["code"] == code).to_numpy(), "s" if code == DRIFTED else "v", said)
    if findings is not None:
        sessions = findings.loc[findings["code"] == "drifted_reference", "subject"]
        drifted = history["session"].isin(sessions).to_numpy()
        # around the mark, not over it: a scan may have jumped and its session have drifted
        _mark(ax, x, level, drifted, "o", "its session reads off (audit)", markersize=11, markerfacecolor="none")
    known = level[np.isfinite(level)]
    if known.size:
        low, high = min(known.min(), 100.0), max(known.max(), 100.0)
        more = max(0.06 * (high - low), (LEAST_SPAN - (high - low)) / 2.0)
        ax.set_ylim(low - more, high + more)
    ax.set(ylabel="light of the reference,\n% of the first of its instrument")
    if times is None:
        ax.set(xlabel="reference scan, in the order of the folders")
    else:
        stated = history["measured_at"].str.contains(r"(?:Z|[+-]\d\d:?\d\d)$").all()
        time_axis(ax, "measured, UTC" if stated else "measured")
    ax.legend(frameon=False, fontsize="small", loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3)
    return ax


def _mark(ax: Axes, x: np.ndarray, level: np.ndarray, which: np.ndarray, marker: str, said: str, **more: Any) -> None:
    if which.any():
        look: dict[str, Any] = {"color": ORANGE, "markersize": 6, "markeredgewidth": 1.6, "linewidth": 0, **more}
        ax.plot(x[which], level[which], marker=marker, label=f"{said} ({which.sum()})", **look)
