"""The part of a set's page about the light: which channels carry it, and how the reference scans went on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from specmatch.measurement.reference_history import DRIFTED, WEAK
from specmatch.report import plots
from specmatch.report.figure_style import new_figure
from specmatch.report.page_frame import figure
from specmatch.report.plots_spectra import band_noise

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

_NOT_KEPT = (
    "<p>A set keeps no reference scans. Where their folders are still there, "
    "<code>specmatch report SET --measured FOLDER</code> draws how their light went on.</p>"
)


def light_body(refs: ReferenceSet, history: pd.DataFrame | None, findings: pd.DataFrame) -> str:
    """Return the body of the section.

    Parameters
    ----------
    refs : ReferenceSet
    history : DataFrame, optional
        From `specmatch.measurement.reference_history.reference_history`.
    findings : DataFrame
        Of the audit.

    Returns
    -------
    str

    Examples
    --------
    >>> light_body(refs, None, refs.audit()).count("<svg")  # the band; a set keeps no reference scans to draw
    1
    """
    noise = band_noise(refs)
    used = noise[noise["used"]]
    body = figure(
        plots.plot_usable_band(refs, ax=new_figure(7.0, 3.6).subplots()),
        name="band",
        caption="Noise of each channel, and the band that is quiet enough to be used",
        says=(
            f"{len(used)} of {len(noise)} channels are used, {used.index[0]:.0f} to {used.index[-1]:.0f} nm; noise "
            f"there is {used['noise'].median():.1e} in the middle, {used['noise'].max():.1e} at most."
        ),
    )
    if history is None or history.empty:
        return body + _NOT_KEPT
    shown = ["folder", "measured_at", "instrument", "session", "level", "code"]
    return body + figure(
        plots.plot_reference_history(history, findings=findings, ax=new_figure(7.2, 3.4).subplots()),
        name="references",
        caption="Light of the reference scans: a slow fall is an ageing lamp, a jump a lamp, base or cup that changed",
        says=_history_said(history),
        numbers=history[shown].rename_axis("scan").rename(columns={"code": "found"}).round({"level": 4}),
    )


def _history_said(history: pd.DataFrame) -> str:
    parts = []
    for name, rows in history.groupby("instrument", sort=False):
        whose, level = f" of {name}" if name else "", rows["level"].dropna()
        if len(rows) == 1:
            parts.append(f"one reference scan{whose}, nothing to hold it against")
        elif len(level):
            parts.append(
                f"the last of {len(rows)} reference scans{whose} carries {level.iloc[-1]:.1%} of the light of the first"
            )
    found = history["code"].value_counts()
    parts.append(f"off those before them: {found.get(DRIFTED, 0)}; with too little light: {found.get(WEAK, 0)}")
    said = "; ".join(parts)
    return f"{said[0].upper()}{said[1:]}."
