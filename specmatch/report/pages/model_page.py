"""The page of a house model, and of readings made with it."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.batches import in_digits, must_be, values_of
from specmatch.errors import TableError
from specmatch.house.reading.samples import parts_by_module
from specmatch.long_jobs import counted_off
from specmatch.report import plots
from specmatch.report.pages.glance import (
    ALWAYS_TRUE,
    HELD_AND_A_WEEK,
    IT_CANNOT,
    glance,
    map_says,
    model_beers,
    most_alike,
    span,
    thin_beers,
    told_apart,
    verdict,
)
from specmatch.report.pages.html import (
    MOST_DRAWN,
    Section,
    figure_of,
    limits,
    pairs,
    table,
    versions,
    whole_page,
)
from specmatch.report.pages.readings import (
    MOST_DRAWN_SHEETS,
    MOST_SHEETS,
    departures,
    next_step,
    reading_sheet,
    readings_table,
    readings_verdict,
    sheet_figures,
)
from specmatch.report.text import risk_shares, show
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.decision.specification import Specification
    from specmatch.house.fitting.fitted import FittedHouse
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import Session

_CONDITIONS = {
    "stage": "stage", "cup": "cup", "reference_kind": "reference scan of", "cup_mm": "cup, mm inside",
    "fill_ml": "filling, mL", "temperature_c": "temperature, °C",
}  # fmt: skip


def model_page(
    house: HouseModel, *, model_hash: str = "", session: Session | None = None, verified: pd.DataFrame | None = None,
    specification: Specification | None = None,
) -> str:  # fmt: skip
    """Return the page of a house model, with a sheet for each reading of a session that is not consistent.

    Parameters
    ----------
    house : HouseModel
    model_hash : str
        SHA-256 of the model file, where there is one.
    session, verified : Session and DataFrame, optional
        Samples and what `house.verify` said of them.
    specification : Specification, optional
        Colour limits in force: what their rules come to is told.

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> "Readings of" in model_page(house, session=session, verified=house.verify(session))
    True
    """
    must_be("model", house)
    fitted = house.fitted
    can, cannot = _abilities(house)
    lead = (
        f"A house model of {_size(fitted)}, {fitted.wavelength_nm[0]:.0f} to {fitted.wavelength_nm[-1]:.0f} nm; fitted "
        f"on the set {fitted.set_name} ({fitted.set_hash[:12]})."
    )
    rows = model_beers(house)
    title, said, facts = f"House model of the set {fitted.set_name}", _verdict(house, rows), _facts(house, rows)
    if verified is not None and len(verified):
        title, said = f"Readings of {counted(len(verified), 'sample')}", readings_verdict(verified)
        times = () if session is None else session.scans.get("measured_at", ())
        facts |= {"measured": span(times), "do next": next_step(verified)}
    sections = []
    if verified is not None:
        told = readings_table(verified, None if session is None else session.scans, _ranges(rows))
        sections.append(Section("readings", "Readings", told))
    beers = glance(rows, unit=fitted.colour_unit, what=fitted.value_name)
    sections += [Section("glance", "The beers at a glance", beers), limits(can, cannot)]
    on_first = len(sections) - 1
    if len(fitted.beers) <= MOST_DRAWN:
        one_map = session is not None and len(parts_by_module(fitted, session, None)) == 1
        # samples of two modules have no common map: then it holds the set alone
        samples = session if one_map else None
        drawn = figure_of("map", plots.plot_identity_map, house, samples, says=map_says(rows))
        sections.append(Section("map", "The beers on a map", drawn))
    sections += [
        Section("beers", "The beers", f"{_beers(house)}<p>{HELD_AND_A_WEEK}</p>"),
        *_limits(house, specification),
        Section("conditions", "Under which conditions the set was measured", _conditions(house)),
    ]
    saved = {"house model (SHA-256 of its file)": model_hash or "not saved"}
    sections.append(versions({**saved, "reference set (SHA-256)": fitted.set_hash}))
    if verified is not None and session is not None:
        sheets = departures(verified)[:MOST_SHEETS]
        sections += [
            _sheet(house, session, verified, sample, model_hash, f"sheet-{place}", drawn=place < MOST_DRAWN_SHEETS)
            for place, sample in enumerate(counted_off(sheets, "sheets of departures", len(sheets)))
        ]
    return whole_page(title, lead, verdict(said, facts), sections, on_first=on_first)


def _facts(house: HouseModel, rows: pd.DataFrame) -> dict[str, str]:
    return {
        "measured": "when is on the page of its set: specmatch report SET",
        "how sure": f"stated: {house.coverage:.0%} of lab colours lie in their interval, {house.false_reject_rate:.0%} "
        "of right claims are held",
        "most alike": most_alike(rows),
        "do next": "hold it against new lab colours (specmatch validate), then verify claims",
        "it cannot": IT_CANNOT,
    }


def _limits(house: HouseModel, specification: Specification | None) -> list[Section]:
    risks = pd.DataFrame() if specification is None else house.limit_risks(specification)
    if risks.empty:
        return []
    told = table(risk_shares(risks), "Shares of lots like those of the set, with 95 % bounds, by the rule in force")
    said = "<p>Bounds carry how few batches taught the beer's mean and scatter (JCGM 106:2012, 9.5).</p>"
    return [Section("risks", "What the colour limits come to", told + said)]


def _size(fitted: FittedHouse) -> str:
    return f"{counted(len(fitted.beers), 'beer')}, {counted(len(fitted.batches), 'batch')}"


def _held_out_error(fitted: FittedHouse) -> float | None:
    """Return the relative root mean square error of colours, each batch held out; None where values may be 0."""
    if fitted.colour is None or not fitted.colour.is_relative:
        return None
    return float(np.sqrt(np.mean((fitted.colour.held_out_colour / fitted.colour.lab_colour - 1.0) ** 2)))


def _abilities(house: HouseModel) -> tuple[list[str], list[str]]:
    fitted, can, cannot = house.fitted, [], []
    relative = _held_out_error(fitted)
    if fitted.colour is not None:
        lab, colour = fitted.colour.lab_colour, fitted.colour.held_out_colour
        unit, what = fitted.colour_unit, values_of(fitted.value_name)
        within = f"{float(np.sqrt(np.mean((colour - lab) ** 2))):.2g} {unit}" if relative is None else f"{relative:.1%}"
        can.append(
            f"Read {what} from {in_digits(fitted.lowest_colour, unit)} to {in_digits(fitted.highest_colour, unit)} "
            f"{unit}; each batch held out in turn, within {within} of the lab value (root mean square over "
            f"{counted(lab.size, 'batch')})."
        )
        can.append(f"Give an interval that is to cover {house.coverage:.0%} of lab values.")
    else:
        cannot.append(f"Read {fitted.value_name}: too few batches have a lab {fitted.value_name}.")
    if fitted.identity.judges:
        can.append(
            f"Hold a sample that is not typical of its claim, at a stated rate of {house.false_reject_rate:.0%} of "
            "right claims held."
        )
    else:
        cannot.append("Refuse any claim: there are too few batches to know how a beer scatters.")
    cannot += thin_beers([b for b, few in zip(fitted.beers, fitted.identity.too_few_batches, strict=True) if few])
    cannot.append(
        "Say by itself how often it is right: that is for the report of its set, with batches held out whole, and for "
        "new lab values."
    )
    return can, [*cannot, *ALWAYS_TRUE]


def _beers(house: HouseModel) -> str:
    fitted = house.fitted
    method = [method.replace("_", " ") for method in fitted.identity.p_method]
    columns = {"batches": fitted.identity.batches_per_beer, "p-value by": method}
    rows = pd.DataFrame(columns, index=pd.Index(fitted.beers, name="beer"))
    if fitted.colour is not None:
        own = pd.Series(fitted.colour.lab_colour, index=fitted.colour.batch_code)
        if len(own) == len(fitted.batches):
            by_beer = own.groupby(fitted.beer_of_batch[own.index.to_numpy()]).agg(["min", "max"])
            by_beer.index = pd.Index([fitted.beers[code] for code in by_beer.index])
            rows[f"lowest, {fitted.colour_unit}"] = by_beer["min"]
            rows[f"highest, {fitted.colour_unit}"] = by_beer["max"]
            rows = rows.sort_values(f"lowest, {fitted.colour_unit}")
    body = table(rows, "Beers of the model")
    if fitted.odd_pours:
        odd = pd.DataFrame({"pour": fitted.odd_pours})
        body += table(odd, "Pours unlike the others of their sample, left out of the fit")
    return body


def _conditions(house: HouseModel) -> str:
    known = house.fitted.conditions
    rows = {shown: _condition(getattr(known, name)) for name, shown in _CONDITIONS.items()}
    said = table(pairs(rows, "condition", "in the set"), "Of the scans of the set, the lowest and the highest")
    more = "".join(f"<p>{escape(sentence)}</p>" for sentence in _conditions_told(house.fitted))
    return f"{said}<p>A scan made otherwise gets the warning <code>outside_conditions</code>.</p>{more}"


def _conditions_told(fitted: FittedHouse) -> list[str]:
    said = ["No filling is recorded: scans are taken to be at the depth of the set, whatever that is."]
    if fitted.depth is not None and fitted.path_law is not None:
        law = fitted.path_law
        said = [
            f"All stands at {fitted.depth.said}; other recorded fillings, up to a factor of two, are brought there. "
            f"Taught by {law.taught_by}" + (f" of {law.n_batches} batches" if law.n_batches else "") + ": glare "
            f"{law.glare:.1%}, light returned {law.returned:.0%} ± {float(np.linalg.norm(law.spread[1])):.0%}, "
            f"stray light {law.stray:.1%}."
        ]
    labs = None if fitted.colour is None else fitted.colour.labs
    if labs is not None and labs.labs:
        others = ", ".join(
            f"{lab} reads {np.expm1(effect):+.1%} ± {2.0 * sd:.1%} against it"
            for lab, effect, sd in zip(labs.labs[1:], labs.effect[1:], labs.sd[1:], strict=True)
        )
        said.append(f"Colours are those of {labs.labs[0]}; {others}.")
    if fitted.temperature is not None:
        cost = fitted.temperature
        said.append(
            f"Ten degrees warmer its scans read {np.expm1(10.0 * cost.per_c):+.1%} ± {20.0 * cost.sd:.1%} "
            f"({cost.n_batches} batches)."
        )
    return said


def _condition(value: Any) -> str:
    if isinstance(value, tuple) and len(value) == 2 and all(isinstance(end, float) for end in value):
        low, high = value
        return f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return show(value) or "not recorded"


def _verdict(house: HouseModel, rows: pd.DataFrame) -> str:
    error = _held_out_error(house.fitted)
    what = house.fitted.value_name
    colour = f"no {what}" if error is None else f"{what} within {error:.1%} of the lab"
    return f"This model reads {colour} and {told_apart(rows)}."


def _ranges(rows: pd.DataFrame) -> dict[str, tuple[float, float]]:
    known = {str(beer): colours[np.isfinite(colours)] for beer, colours in rows["colours"].items()}
    return {beer: (float(colours.min()), float(colours.max())) for beer, colours in known.items() if colours.size}


def reading_page(
    house: HouseModel, session: Session, verified: pd.DataFrame, sample: str, *, model_hash: str = ""
) -> str:
    """Return the page of one reading, which prints on one A4.

    Parameters
    ----------
    house : HouseModel
    session, verified : Session and DataFrame
        Samples and what `house.verify` said of them.
    sample : str
    model_hash : str
        SHA-256 of the model file, where there is one.

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Raises
    ------
    TableError
        If there is no such sample.

    Examples
    --------
    >>> reading_page(house, session, house.verify(session), "MP-1-001-S1").count("<svg")
    2
    """
    if sample not in verified.index:
        raise TableError(f"there is no reading of {sample!r}; there are {', '.join(map(str, verified.index))}")
    part = _sheet(house, session, verified, sample, model_hash, "sheet")
    fitted = house.fitted
    lead = f"House model of the set {fitted.set_name}; {_size(fitted)}. It cannot {IT_CANNOT}."
    return whole_page(part.title, lead, f'<div class="alone">{part.body}</div>', [])


def _sheet(
    house: HouseModel, session: Session, verified: pd.DataFrame, sample: str, model_hash: str, anchor: str, *,
    drawn: bool = True,
) -> Section:  # fmt: skip
    scans = session.scans[session.scans["sample"] == sample]
    reading = verified.loc[sample]
    about = {
        "batch": scans["batch"].iloc[0],
        "measured": scans["measured_at"].iloc[0] if "measured_at" in scans.columns else "",
        "house model": model_hash[:16] or "not saved",
        "reference set": f"{house.fitted.set_name} {house.fitted.set_hash[:16]}",
    }
    figures = sheet_figures(house, session, sample, reading, name=anchor) if drawn else ""
    return Section(anchor, f"Sample {sample}", reading_sheet(reading, about=about, figures=figures), sheet=True)
