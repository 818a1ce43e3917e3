"""The page of a validation: readings of new batches against their new lab colours, and what follows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from specmatch.house.assessment.validation import BIASED, FIT_FOR_USE, NOT_ENOUGH, REFIT
from specmatch.report import plots
from specmatch.report.pages.glance import span, verdict
from specmatch.report.pages.html import Section, figure, limits, section, table, text, versions, whole_page
from specmatch.report.plots.style import new_figure
from specmatch.report.text import figures_in_words
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.assessment.validation import Validation
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import Session

_NEXT = {
    FIT_FOR_USE: "go on, and validate again with the next lab colours",
    NOT_ENOUGH: "measure what is missing, and validate again",
    BIASED: "measure some of these batches again, here and in the lab; then correct, or fit anew",
    REFIT: "extend the set with these batches, and fit it anew",
}
_CAN = (
    "Say whether the model still reads new batches as well as it read those that it was fitted on.",
    "Offer a correction from five beers on; nothing applies it by itself.",
)
_CANNOT = (
    "Say how well beers are told apart: that is for the page of the reference set.",
    "Speak for beers, modules or labs that are not among these batches.",
)


def validation_page(
    found: Validation, *, house: HouseModel, session: Session | None = None, model_hash: str = ""
) -> str:
    """Return the page of a validation.

    Parameters
    ----------
    found : Validation
        From `specmatch.validate`.
    house : HouseModel
        The model that was validated.
    session : Session, optional
        What it was validated on; it knows when that was measured.
    model_hash : str
        SHA-256 of the model file, where there is one.

    Returns
    -------
    str
        One HTML file that needs nothing outside itself.

    Raises
    ------
    MissingExtraError
        If matplotlib is not installed.

    Examples
    --------
    >>> names, beers = ["MP-1-001", "AL-1-001", "NP-1-001"], ["Meadow Pils", "Amber Lane", "Night Porter"]
    >>> batches = pd.DataFrame({"beer": beers, "colour": [6.8, 23.6, 62.0]}, index=names)
    >>> found = sm.validate(house, spectra, scans, batches)
    >>> validation_page(found, house=house).count("<svg")
    1
    """
    unit, figures = house.fitted.colour_unit, found.figures
    inside = int(found.colour["inside"].sum())
    drawn = figure(
        plots.plot_held_out_colour(found, colour_unit=unit, ax=new_figure(5.6, 5.2).subplots()),
        name="truth",
        caption="Colour of each new batch with its interval, against its lab colour",
        says=f"{inside} of {len(found.colour)} lab colours lie in their {figures['nominal_coverage']:.0%} interval.",
    )
    shown = found.colour.assign(error=(found.colour["colour"] / found.colour["lab"] - 1.0).map("{:+.1%}".format))
    sections = [
        Section("batches", "Batch by batch", drawn + table(shown.round(2), f"New batches, colours in {unit}")),
        limits(_CAN, _CANNOT),
        Section("figures", "Figures", table(figures_in_words(figures), "Figures of this validation")),
    ]
    if found.correction is not None:
        said = f"{found.correction.sentence(unit)}; nothing applies it by itself."
        sections.insert(1, Section("correction", "A correction is offered", f"<p>{text(said)}</p>"))
    if len(found.left_out):
        sections.append(
            Section("left-out", "Left out", table(found.left_out, "Batches that were not compared, and why"))
        )
    hashes = {"house model (SHA-256 of its file)": model_hash or "not saved", "reference set": house.fitted.set_hash}
    sections.append(Section("versions", "Versions and hashes", versions(hashes)))
    said = f"{found.verdict[:1].upper()}{found.verdict[1:]}: {found.sentence}."
    first = verdict(said, _facts(found, session, unit)) + section(sections[0])
    lead = f"A house model of the set {house.fitted.set_name} on {counted(len(found.colour), 'new batch')}."
    return whole_page("Validation", lead, first, sections[1:])


def _facts(found: Validation, session: Session | None, unit: str) -> dict[str, str]:
    figures, rows = found.figures, found.colour
    off = (rows["colour"] / rows["lab"] - 1.0).astype(float)
    worst = off.abs().idxmax()
    times = pd.Series(dtype=object) if session is None else session.scans.get("measured_at", pd.Series(dtype=object))
    return {
        "measured": span(times),
        "colour": f"within {figures['relative_error']:.1%} of the lab (root mean square); bias {figures['bias']:+.2f} "
        f"{unit}",
        "how sure": f"intervals hold {figures['covered']:.0%} ({figures['covered_low']:.0%} to "
        f"{figures['covered_high']:.0%}) of these lab colours, stated {figures['nominal_coverage']:.0%}",
        "beers": f"{counted(int(figures['n']), 'batch')} of {counted(int(figures['n_beers']), 'beer')}",
        "farthest off": f"{rows.at[worst, 'beer']}, batch {worst}: {off[worst]:+.1%}",
        "do next": _NEXT[found.verdict],
        "it cannot": "say how well beers are told apart, or speak for beers that are not among these batches",
    }
