"""The sheet of one reading: what was decided and why, on one A4 for the file and for those who act on it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from specmatch.house.reading.explanations import apart_from_claim
from specmatch.report import plots
from specmatch.report.pages.html import MOST_DRAWN, cautions, drawing, text
from specmatch.report.plots.style import new_figure
from specmatch.warning_codes import WARNING_CODES
from specmatch.wording import p_in_words

if TYPE_CHECKING:
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import Session

# a sheet is one A4; longer texts than this are cut, and say so
_LONGEST, _LONGEST_BESIDE_FIGURES = 700, 280
_MOST_WARNINGS = 4


def reading_sheet(reading: Mapping[str, Any], *, about: Mapping[str, Any], figures: str = "") -> str:
    """Return the sheet of one reading as HTML."""
    longest = _LONGEST_BESIDE_FIGURES if figures else _LONGEST
    found = apart_from_claim(reading)
    decision = reading.get("decision")
    shown = decision if isinstance(decision, str) else "reading only"
    facts = {
        "claimed": reading.get("claimed"),
        "nearest beer": f"{reading.get('nearest_beer')} ({_p_value(reading.get('p_value'))})",
        "plausible beers": ", ".join(reading.get("plausible_beers") or ()) or "none of the set",
        "colour": _colour(reading),
        # what it would be as the claimed beer is no colour of a sample that is another
        "colour without the fault": "" if found.codes_if_claimed else _without(reading),
        "nearest batch": f"{reading.get('nearest_batch')} at {_number(reading.get('distance'), '.1f')} (1 = typical)",
        "pours": reading.get("n_pours"),
        **about,
    }
    rows = "".join(
        f"<div><dt>{text(name)}</dt><dd>{text(_time_apart(value))}</dd></div>"
        for name, value in facts.items()
        if not _blank(value)
    )
    why = (
        ""
        if _blank(found.explanation)
        else f"<p><strong>What was found.</strong> {text(_sentence(found.explanation, longest))}</p>"
    )
    after_all = f"If it is {reading.get('claimed')} after all: {', '.join(found.codes_if_claimed)}."
    doubt = f"<p>{text(after_all)}</p>" if found.codes_if_claimed else ""
    return (
        f'<p class="decision">{text(shown)}</p>'
        f"<p><strong>Why.</strong> {text(_sentence(reading.get('reason'), longest))}</p>"
        f"<p><strong>What to do.</strong> {text(_sentence(reading.get('advice'), longest))}</p>{why}"
        f'<dl class="facts">{rows}</dl>{_warnings(found.codes)}{doubt}{figures}'
        '<div class="sign"><div>what was done</div><div>by whom</div><div>date and time</div></div>'
        f"{cautions()}"
    )


def sheet_figures(house: HouseModel, session: Session, sample: str, reading: Mapping[str, Any], *, name: str) -> str:
    """Return two drawings of a sample: where it lies among the beers, and how it departs from the claim."""
    ids = session.scans.index[session.scans["sample"] == sample]
    spectra, scans = session.spectra.loc[ids], session.scans.loc[ids]
    claimed, nearest = reading.get("claimed"), reading.get("nearest_beer")
    against = claimed if claimed in house.beers_ else None
    how = plots.plot_departure(house, spectra, scans, beer=against, ax=new_figure(6.4, 5.2).subplots())
    found = str(reading.get("explanation") or "").strip() or "nothing known explains a departure"
    drawn = [
        drawing(how, name=f"{name}departure", says=f"How sample {sample} departs from {against or nearest}: {found}.")
    ]
    if len(house.beers_) <= MOST_DRAWN:
        where = plots.plot_identity_map(house, spectra, scans, ax=new_figure(6.4, 5.2).subplots())
        says = f"Sample {sample} among the beers, nearest to {nearest}: {reading.get('reason')}."
        drawn.insert(0, drawing(where, name=f"{name}map", says=says))
    return f'<div class="pair">{"".join(f"""<div class="drawing">{svg}</div>""" for svg in drawn)}</div>'


def _warnings(codes: Sequence[str]) -> str:
    if not codes:
        return ""
    said = [
        f"<li><code>{text(code)}</code>: {text(WARNING_CODES[code].sentence)}</li>" for code in codes[:_MOST_WARNINGS]
    ]
    if len(codes) > _MOST_WARNINGS:
        said.append(f"<li>and {len(codes) - _MOST_WARNINGS} more: {text(tuple(codes[_MOST_WARNINGS:]))}</li>")
    return f"<p><strong>Warnings.</strong></p><ul>{''.join(said)}</ul>"


def _colour(reading: Mapping[str, Any]) -> str:
    colour, unit = reading.get("colour"), reading.get("colour_unit")
    if _blank(colour):
        return ""
    low, high = (_number(reading.get(name), ".1f", "no limit") for name in ("colour_low", "colour_high"))
    return f"{_number(colour, '.1f')} {unit} (interval {low} to {high})"


def _without(reading: Mapping[str, Any]) -> str:
    value = reading.get("colour_without_fault")
    return "" if _blank(value) else f"{_number(value, '.1f')} {reading.get('colour_unit')}"


def _number(value: Any, form: str, otherwise: str = "unknown") -> str:
    return format(float(value), form) if value is not None and math.isfinite(value) else otherwise


def _time_apart(value: Any) -> Any:
    """Write the clock time of an ISO moment apart from its date, as people read it."""
    return re.sub(r"^(\d{4}-\d\d-\d\d)T(\d\d:)", r"\1 \2", value) if isinstance(value, str) else value


def _p_value(value: Any) -> str:
    return p_in_words(float(value)) if value is not None and math.isfinite(value) else "p = unknown"


def _blank(value: Any) -> bool:
    return value is None or (isinstance(value, float) and pd.isna(value)) or str(value).strip() == ""


def _sentence(value: Any, longest: int) -> str:
    """Return text with a capital and a full stop, cut where it is too long for a sheet."""
    said = "" if _blank(value) else str(value).strip()
    said = said[:1].upper() + said[1:]
    if len(said) > longest:
        return f"{said[:longest].rsplit(' ', 1)[0]} ... (cut here; the record holds it whole)"
    return said if not said or said.endswith(".") else f"{said}."
