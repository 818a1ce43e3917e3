"""Readings on a page, those that need somebody first; and the sheet of one reading, on one A4 for the file."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.batches import COLOUR_UNITS, in_digits
from specmatch.house.reading.explanations import apart_from_claim
from specmatch.report import plots
from specmatch.report.pages.html import MOST_DRAWN, Markup, cautions, described, drawing, small_drawing, table, text
from specmatch.report.plots.style import new_figure
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN, WARNING_CODES
from specmatch.wording import counted, listed, p_in_words

if TYPE_CHECKING:
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import Session


_ORDER = (HOLD, RESCAN, None, CONSISTENT)
# word, mark and weight say it together: none of them is a colour
_SHOWN = {HOLD: "■ HOLD", RESCAN: "↻ RESCAN", CONSISTENT: "✓ consistent", None: "– reading only"}
_GO_ON = "go on"
# a page of very many readings stays one that can be sent and opened: sheets of so many departures, so many with figures
MOST_SHEETS, MOST_DRAWN_SHEETS = 60, 12
_MOST_NAMED = 4
_WIDTH, _HEIGHT = 136.0, 18.0


def departures(verified: pd.DataFrame) -> list[str]:
    """Return the samples that need somebody, held ones first."""
    decisions = _decisions(verified)
    return [str(name) for kind in _ORDER[:3] for name, found in decisions.items() if found == kind]


def _decisions(verified: pd.DataFrame) -> dict[Any, str | None]:
    return {name: value if isinstance(value, str) else None for name, value in verified["decision"].items()}


def readings_verdict(verified: pd.DataFrame) -> str:
    """Say in one sentence what of all these readings needs somebody."""
    decisions = _decisions(verified)
    named = {kind: [str(name) for name, found in decisions.items() if found == kind] for kind in _ORDER}
    needing = [kind for kind in (HOLD, RESCAN) if named[kind]]
    parts = [f"{len(named[kind])} {kind} ({listed(named[kind], _MOST_NAMED)})" for kind in needing]
    rest = [f"{len(named[CONSISTENT])} {CONSISTENT}"] if named[CONSISTENT] else []
    rest += [f"{len(named[None])} without a claim"] if named[None] else []
    if not parts:
        return f"Nothing is held: of {counted(len(verified), 'sample')} {' and '.join(rest)}."
    n = len(named[HOLD]) + len(named[RESCAN])
    needs = f"{n} of {counted(len(verified), 'sample')} {'needs' if n == 1 else 'need'} somebody"
    return f"{'; '.join([f'{needs}: ' + ', '.join(parts), *rest])}."


def stated_risks(row: Mapping[str, Any]) -> list[str]:
    """Say of a row of a journal what its model states about intervals and right claims."""
    held, rate = (row.get(name) for name in ("coverage", "false_reject_rate"))
    said = [] if held is None else [f"stated: {float(held):.0%} of lab colours lie in their interval"]
    return said if rate is None else [*said, f"a right claim is held in {float(rate):.1%} of readings"]


def next_step(verified: pd.DataFrame) -> str:
    """Say what to do first about all these readings."""
    first = departures(verified)
    return f"{first[0]}: {verified.at[first[0], 'advice']}" if first else _GO_ON


def readings_table(
    verified: pd.DataFrame, scans: pd.DataFrame | None, ranges: Mapping[str, tuple[float, float]]
) -> str:
    """Return readings as a table; each that departs leads to its sheet."""
    departed, sheets, about = departures(verified), {}, pd.DataFrame()
    if scans is not None:
        sheets = {sample: f"sheet-{place}" for place, sample in enumerate(departed[:MOST_SHEETS])}
        about = scans.drop_duplicates("sample").set_index("sample")
    decisions = _decisions(verified)
    ordered = sorted(verified.index, key=lambda name: _ORDER.index(decisions[name]))
    rows = []
    for name in ordered:
        row = verified.loc[name]
        claimed, nearest = row.get("claimed"), text(row["nearest_beer"])
        beer = claimed if isinstance(claimed, str) else row["nearest_beer"]
        claim = text(claimed) if isinstance(claimed, str) else "no claim"
        shown: dict[str, Any] = {
            "sample": Markup(f'<a href="#{sheets[name]}">{text(name)}</a>') if name in sheets else name,
            "decision": decision_mark(decisions[name]),
            "claimed": Markup(claim if claim == nearest else f"{claim}<br>nearest: {nearest}"),
            f"colour, {row['colour_unit']}": interval_bar(row, str(beer), ranges.get(str(beer))),
            "what to do, and why": what_to_do_and_why(row.to_dict()),
        }
        for column, said in (("batch", "lot"), ("operator", "operator")):
            value = about.at[name, column] if name in about.index and column in about else ""
            known = not (value == name or pd.isna(value) or value == "")
            shown[said] = Markup(f'<span class="whole">{text(value)}</span>') if known else ""
        rows.append(shown)
    shown_rows = pd.DataFrame(rows)
    empty = [column for column in ("lot", "operator") if column in shown_rows and not shown_rows[column].any()]
    caption = (
        f"{counted(len(verified), 'sample')}, held and to be scanned again first; the bar is the interval of the "
        "colour, the grey block the lab colours of the beer"
    )
    n = len(departed)
    few = (
        f"<p>Of {n} samples that need somebody the first {MOST_SHEETS} have a sheet, {MOST_DRAWN_SHEETS} with figures; "
        "the others get theirs on the page of a folder of fewer samples.</p>"
    )
    shown_table = table(shown_rows.drop(columns=empty), caption, cards="cards")
    return shown_table + (few if sheets and n > MOST_DRAWN_SHEETS else "")


def decision_mark(decision: str | None) -> Markup:
    """Return a decision told by its word, its mark and its weight."""
    return Markup(f'<span class="said {text(decision or "")}">{text(_SHOWN.get(decision, decision))}</span>')


def what_to_do_and_why(reading: Mapping[str, Any]) -> Markup:
    """Return advice, reason and warnings of a reading in words; the sheet and the record hold all that was found."""
    codes: Sequence[str] = apart_from_claim({"warnings": (), **reading}).codes
    known = [WARNING_CODES[code] for code in dict.fromkeys(codes) if code in WARNING_CODES]
    # what made it a rescan is its reason already
    found = [code.sentence.partition(":")[0] for code in known if code.effect != RESCAN]
    advice = "" if reading.get("advice") == _GO_ON else reading.get("advice")
    parts = [("To do", advice), ("Why", reading.get("reason")), ("Warnings", "; ".join(found))]
    lines = [f"<strong>{head}:</strong> {text(said)}" for head, said in parts if said]
    return Markup(f'<div class="told">{"<br>".join(lines)}</div>')


def interval_bar(reading: Mapping[str, Any], beer: str, known: tuple[float, float] | None) -> Markup:
    """Return a colour with its interval, as text and as a bar over the lab colours of the beer."""
    # known: lowest and highest lab colour of the beer; without them no bar is drawn, and the unit is named
    colour, low, high = (
        float("nan") if reading.get(c) is None else float(reading[c]) for c in ("colour", "colour_low", "colour_high")
    )
    if np.isnan(colour):
        return Markup("none")
    unit = str(reading.get("colour_unit", COLOUR_UNITS[0]))
    words = "{} ({} to {})".format(*(in_digits(value, unit) for value in (colour, low, high)))
    words += "" if known else f" {unit}"
    if known is None or not np.isfinite([low, high]).all():
        return Markup(text(words))
    first, last = min(low, known[0]), max(high, known[1])
    room = 0.08 * (last - first) + 1e-9

    def at(value: float) -> float:
        return _WIDTH * (value - first + room) / (last - first + 2.0 * room)

    said = f"lab colours of {beer} in the set: {in_digits(known[0], unit)} to {in_digits(known[1], unit)}"
    block = max(at(known[1]) - at(known[0]), 2.0)
    drawn = (
        f'<rect x="{at(known[0]):.1f}" y="1" width="{block:.1f}" height="16"/>'
        f'<path d="M{at(low):.1f} 9 H{at(high):.1f} M{at(low):.1f} 5 v8 M{at(high):.1f} 5 v8"/>'
        f'<circle cx="{at(colour):.1f}" cy="9" r="2.5"/>'
    )
    return Markup(f'<span class="whole">{text(words)}</span>{small_drawing("within", _WIDTH, _HEIGHT, said, drawn)}')


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
    known = {name: _time_apart(value) for name, value in facts.items() if not _blank(value)}
    told = {"Why": reading.get("reason"), "What to do": reading.get("advice")}
    if not _blank(found.explanation):
        told["What was found"] = found.explanation
    after_all = f"If it is {reading.get('claimed')} after all: {', '.join(found.codes_if_claimed)}."
    doubt = f"<p>{text(after_all)}</p>" if found.codes_if_claimed else ""
    said = "".join(f"<p><strong>{head}.</strong> {text(_sentence(one, longest))}</p>" for head, one in told.items())
    return (
        f'<p class="decision">{text(shown)}</p>{said}'
        f"{described('facts', known)}{_warnings(found.codes)}{doubt}{figures}"
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
    says = f"How sample {sample} departs from {against or nearest}: {found}."
    drawn = [drawing(how, name=f"{name}departure", says=says)]
    if len(house.beers_) <= MOST_DRAWN:
        where = plots.plot_identity_map(house, spectra, scans, ax=new_figure(6.4, 5.2).subplots())
        says = f"Sample {sample} among the beers, nearest to {nearest}: {reading.get('reason')}."
        drawn.insert(0, drawing(where, name=f"{name}map", says=says))
    return f'<div class="pair">{"".join(f"""<div class="drawing">{svg}</div>""" for svg in drawn)}</div>'


def _warnings(codes: Sequence[str]) -> str:
    if not codes:
        return ""
    first, rest = codes[:_MOST_WARNINGS], tuple(codes[_MOST_WARNINGS:])
    said = [f"<li><code>{text(code)}</code>: {text(WARNING_CODES[code].sentence)}</li>" for code in first]
    if rest:
        said.append(f"<li>and {len(rest)} more: {text(rest)}</li>")
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
