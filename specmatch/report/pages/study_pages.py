"""Pages of studies: a commissioning, a gauge study with the budget of the model, a validation, and a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.house.assessment.precision import CROSSED, NESTED, PARTLY
from specmatch.house.assessment.validation import BIASED, FIT_FOR_USE, NOT_ENOUGH, REFIT
from specmatch.measurement.commissioning.figures import BEYOND, CAUTIONS, LINES_SOURCE, MISSING, NEAR, STATED
from specmatch.report import plots
from specmatch.report.pages.glance import span, verdict
from specmatch.report.pages.html import (
    Section,
    bullets,
    figure_of,
    left_out,
    limits,
    table,
    text,
    versions,
    whole_page,
)
from specmatch.report.text import beside_limits, figures_in_words
from specmatch.wording import counted, listed

if TYPE_CHECKING:
    from specmatch.house.assessment.precision import Gauge
    from specmatch.house.assessment.validation import Validation
    from specmatch.house.house_model import HouseModel
    from specmatch.house.planning.plan import Plan
    from specmatch.measurement.commissioning.commission import Commissioning
    from specmatch.measurement.session import Session


_UNIT_CAN = (
    "Say of each figure whether it is within, near or beyond its limit, with its uncertainty.",
    "Name what was not measured, and what to scan for it.",
)
_UNIT_CANNOT = (
    "Say what a beer reads on this module: that is for its own reference set, or a transfer.",
    "Certify a module for anybody else: the limits are the house's, or this library's defaults, no standard's.",
)


_NEXT = {
    CROSSED: "hold these parts against what is asked of a reading; study again after a change of cup, module or people",
    PARTLY: "measure the batches that some conditions lack, and study again",
    NESTED: "measure two batches or more under every condition: who, which module, which day",
}


def commissioning_page(found: Commissioning) -> str:
    """Return the page of a commissioning.

    Parameters
    ----------
    found : Commissioning

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> "within its limits" in commissioning_page(sm.commission("bench"))
    True
    """
    shown = found.figures.copy()
    size = (7.0, 1.2 + 0.3 * len(shown))
    drawn = figure_of("figure", plots.plot_commissioning, found, says=found.sentence, numbers=shown, size_in=size)
    drawn += table(beside_limits(shown), "Figures, limits, and where they stand")
    hashes = {"certificate (SHA-256)": found.certificate, "module": found.instrument or "not named"}
    if found.axis is not None:
        hashes["corrected axis"] = f"version {found.axis.version}, of {found.axis.parent}"
    sections = [
        Section("figures", "Every figure and its limit", drawn),
        limits(_UNIT_CAN, _UNIT_CANNOT),
        Section("lines", "Wavelengths, line by line", _lines(found)),
        Section("bench", "At the bench", f'<p class="cautions">{text(CAUTIONS)}</p>'),
        *left_out(found.left_out, "What was not used, and why"),
        versions(hashes),
    ]
    lead = f"Certificate {found.certificate[:12]}; reference scans of {found.reference_kind or 'a kind not stated'}."
    module, states = found.instrument or "This module", shown["state"].value_counts()
    said = ", ".join(f"{count} {state}" for state, count in states.items() if state != STATED)
    first = verdict(f"{module}: {found.verdict}. Of the figures with a limit: {said}.", _module_facts(found))
    return whole_page(f"Commissioning of {module}", lead, first, sections)


def _module_facts(found: Commissioning) -> dict[str, str]:
    judged = found.figures.dropna(subset=["value", "limit"])
    share = (judged["value"].abs() / judged["limit"]).sort_values(ascending=False)
    missing = found.figures[found.figures["state"] == MISSING]
    off = judged[judged["state"].isin([NEAR, BEYOND])]
    to_do = "; ".join(f"{name.replace('_', ' ')}: {row.source}" for name, row in missing.iterrows())
    if len(off):
        to_do = f"look at {', '.join(name.replace('_', ' ') for name in off.index)} first, then measure again"
    return {
        "measured": span(found.measured),
        "nearest limits": "; ".join(f"{name.replace('_', ' ')} at {size:.0%}" for name, size in share.head(3).items()),
        "how sure": "each figure with its 95 % reach, in the drawing and the table",
        "not measured": ", ".join(name.replace("_", " ") for name in missing.index) or "nothing is missing",
        "do next": to_do or "write the certificate's number into the column certificate of later scans",
        "it cannot": "say what a beer reads on this module, or certify it for anybody else",
    }


def _lines(found: Commissioning) -> str:
    source = f"<p>{text(LINES_SOURCE)}.</p>"
    if found.lines.empty:
        return f"<p>No piece with lines was scanned.</p>{source}"
    whole = table(found.pieces.reset_index(), "Whole pattern: true wavelength less stated, nm")
    return whole + table(found.lines, "Each line: published less found, nm, with its standard uncertainty") + source


def gauge_page(study: Gauge, *, budget: pd.DataFrame | None = None) -> str:
    """Return the page of a gauge study.

    Parameters
    ----------
    study : Gauge
    budget : DataFrame, optional
        From `HouseModel.budget`.

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> "Uncertainty budget" in gauge_page(sm.gauge(house, session), budget=house.budget())
    True
    """
    told = " ".join(study.sentences)
    drawn = figure_of("components", plots.plot_gauge_components, study, says=told)
    drawn += figure_of("interaction", plots.plot_gauge_interaction, study, says=told)
    drawn += figure_of("run", plots.plot_gauge_run, study, says=told)
    tables = table(study.components, "Components of variance: sd of log colour, 0.01 is 1 %")
    tables += table(study.precision, "Precision, with 95 % bounds")
    tables += table(study.beers, "ISO 5725 limits r and R beer by beer, in the unit of the set")
    can = ("Say how far readings of one batch differ between pours, operators, modules and days that it holds.",)
    cannot = ("Say anything of conditions that were not in the study, nor how near readings are to the lab.",)
    sections = [
        Section("told", "What this study tells", bullets(study.sentences)),
        Section("components", "Components", drawn + tables),
        Section("readings", "Readings", table(study.readings, "Every pour, read alone")),
        *left_out(study.left_out, "Pours that were not used"),
        *([] if budget is None else [Section("budget", "Uncertainty budget", budget_part(budget))]),
        limits(can, cannot),
        versions({}, "Versions"),
    ]
    lead = f"A {study.layout} study of {', '.join(study.factors)}; {len(study.readings)} pours."
    return whole_page("Gauge study", lead, verdict(_study_verdict(study), _study_facts(study)), sections)


def _study_verdict(study: Gauge) -> str:
    known = study.precision.dropna(subset=["sd"])
    name = "reproducibility" if "reproducibility" in known.index else "repeatability"
    row, others = known.loc[name], [f"{factor}s" for factor in study.factors if factor != "batch"]
    reach = f" ({row['sd_low']:.1%} to {row['sd_high']:.1%})" if np.isfinite(row["sd_high"]) else ""
    between = listed(["pours", *(others if name != "repeatability" else [])], 5)
    said = f"Readings of one batch scatter by {row['sd']:.1%} of the colour{reach} between {between}"
    share = study.figures["tolerance_share"]
    if np.isfinite(share):
        return f"{said}: six times that is {share:.0%} of the tolerance."
    stated = np.isfinite(study.figures["tolerance"])
    return f"{said}{'; what part of the tolerance readings take, pours alone do not say' if stated else ''}."


def _study_facts(study: Gauge) -> dict[str, str]:
    parts = study.components.drop("batch", errors="ignore")["sd"].dropna().sort_values(ascending=False)
    return {
        "measured": span(study.readings["measured_at"]),
        "largest part": f"{parts.index[0]}, {parts.iloc[0]:.1%}" if len(parts) else "",
        "how sure": f"{counted(len(study.readings), 'pour')} of {counted(int(study.figures['n_batches']), 'batch')}; "
        "in brackets: 95 % bounds",
        "beers": listed(sorted({str(beer) for beer in study.readings["beer"]}), 3),
        "do next": _NEXT[study.layout],
        "it cannot": "say how near readings are to the lab, or anything of conditions that were not in the study",
    }


def budget_part(budget: pd.DataFrame) -> str:
    """Return the drawing and the table of an uncertainty budget."""
    budget = budget.sort_values("colour", kind="stable")  # pale to dark, as everywhere on a page
    numbers = budget.reset_index().drop(columns="advice")
    for name in ("sd", "share", "reading_sd_if_halved"):
        numbers[name] = numbers[name].map("{:.2%}".format).replace("nan%", "")
    drawn = figure_of(
        "budget", plots.plot_budget, budget, says=_budget_says(budget),
        size_in=(7.0, 1.4 + 0.3 * budget.index.get_level_values("beer").nunique()),
        numbers=numbers.round({"colour": 2, "sd_in_unit": 3}),
    )  # fmt: skip
    parts = budget.groupby(level="component", sort=False)
    found = pd.DataFrame({
        "sd": parts["sd"].median().map("{:.1%}".format),
        "share of the variance": parts["share"].median().map("{:.0%}".format).replace("nan%", ""),
        "what to do, or what it is": parts["advice"].agg(lambda said: said.mode().iloc[0]),
    }).rename_axis("part")  # fmt: skip
    return drawn + table(found, "Each part, the middle one of the beers; sd is of the value", cards="cards")


def _budget_says(budget: pd.DataFrame) -> str:
    parts = budget["share"].drop(["reading", "between batch", "new batches"], level="component", errors="ignore")
    means = parts.groupby(level="component").mean().dropna().sort_values(ascending=False)
    if means.empty:
        return "Nothing can be told yet of what the variance of a reading is made of."
    told = ", ".join(f"{name} {share:.0%}" for name, share in means.head(3).items())
    return f"Largest parts of the variance of a reading, mean over the beers: {told}."


_NEXT_OF_VERDICT = {
    FIT_FOR_USE: "go on, and validate again with the next lab colours",
    NOT_ENOUGH: "measure what is missing, and validate again",
    BIASED: "measure some of these batches again, here and in the lab; then correct, or fit anew",
    REFIT: "extend the set with these batches, and fit it anew",
}
_VALIDATION_CAN = (
    "Say whether the model still reads new batches as well as it read those that it was fitted on.",
    "Offer a correction from five beers on; nothing applies it by itself.",
)
_VALIDATION_CANNOT = (
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
    house : HouseModel
        The model that was validated.
    session : Session, optional
        What it was validated on, for when that was measured.
    model_hash : str
        SHA-256 of the model file, where there is one.

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> batches = pd.DataFrame({"beer": ["Amber Lane"], "colour": [23.6]}, index=["AL-1-001"])
    >>> "Batch by batch" in validation_page(sm.validate(house, spectra, scans, batches), house=house)
    True
    """
    unit, figures = house.fitted.colour_unit, found.figures
    inside = int(found.colour["inside"].sum())
    said = f"{inside} of {len(found.colour)} lab colours lie in their {figures['nominal_coverage']:.0%} interval."
    drawn = figure_of("truth", plots.plot_held_out_colour, found, says=said, colour_unit=unit)
    shown = found.colour.assign(error=(found.colour["colour"] / found.colour["lab"] - 1.0).map("{:+.1%}".format))
    hashes = {"house model (SHA-256 of its file)": model_hash or "not saved", "reference set": house.fitted.set_hash}
    sections = [
        Section("batches", "Batch by batch", drawn + table(shown.round(2), f"New batches, colours in {unit}")),
        limits(_VALIDATION_CAN, _VALIDATION_CANNOT),
        Section("figures", "Figures", table(figures_in_words(figures), "Figures of this validation")),
        *left_out(found.left_out, "Batches that were not compared, and why"),
        versions(hashes),
    ]
    if found.correction is not None:
        said = f"{found.correction.sentence(unit)}; nothing applies it by itself."
        sections.insert(1, Section("correction", "A correction is offered", f"<p>{text(said)}</p>"))
    said = f"{found.verdict[:1].upper()}{found.verdict[1:]}: {found.sentence}."
    lead = f"A house model of the set {house.fitted.set_name} on {counted(len(found.colour), 'new batch')}."
    return whole_page("Validation", lead, verdict(said, _validation_facts(found, session, unit)), sections)


def _validation_facts(found: Validation, session: Session | None, unit: str) -> dict[str, str]:
    figures, rows = found.figures, found.colour
    off = (rows["colour"] / rows["lab"] - 1.0).astype(float)
    worst = off.abs().idxmax()
    times = () if session is None else session.scans.get("measured_at", ())
    return {
        "measured": span(times),
        "colour": f"within {figures['relative_error']:.1%} of the lab (root mean square); bias {figures['bias']:+.2f} "
        f"{unit}",
        "how sure": f"intervals hold {figures['covered']:.0%} ({figures['covered_low']:.0%} to "
        f"{figures['covered_high']:.0%}) of these lab colours, stated {figures['nominal_coverage']:.0%}",
        "beers": f"{counted(int(figures['n']), 'batch')} of {counted(int(figures['n_beers']), 'beer')}",
        "farthest off": f"{rows.at[worst, 'beer']}, batch {worst}: {off[worst]:+.1%}",
        "do next": _NEXT_OF_VERDICT[found.verdict],
        "it cannot": "say how well beers are told apart, or speak for beers that are not among these batches",
    }


_PLAN_CAN = (
    "Say what a set of so many batches and pours would show, by simulating houses with this list of beers.",
    "Compare cups, pours and ways of looking at the line on the same simulated houses.",
)
_PLAN_CANNOT = (
    "Promise it: simulated optics are a model, and real beers and cups differ from it. Hold the plan against the set "
    "as it grows (specmatch evaluate SET --plan FILE).",
    "Know the shape of a beer's spectrum from its colour: beers of one colour are told apart by nothing on a list.",
)


def plan_page(made: Plan) -> str:
    """Return the page of a plan.

    Parameters
    ----------
    made : Plan

    Returns
    -------
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> "At the bench" in plan_page(made)
    True
    """
    advice = made.advice
    curves = made.curves.drop(columns=[c for c in made.curves if c.endswith(("_low", "_high"))])
    drawn = figure_of("curves", plots.plot_plan_curves, made, says=made.sentences[0], numbers=curves)
    size = (6.4, 1.2 + 0.28 * len(made.beers))
    of_beers = figure_of("beers", plots.plot_plan_beers, made, says=made.sentences[0], numbers=made.beers, size_in=size)
    pairs = made.pairs.drop(columns=["sentence"])
    if len(pairs):
        of_beers += table(pairs, "Pairs held less often than wished; at best: with endless batches and pours")
    elif len(made.beers) > 1:
        of_beers += "<p>Every pair is held as often as wished.</p>"
    sections = [
        Section("advice", "What is advised, and what it gives", bullets(made.sentences)),
        limits(_PLAN_CAN, _PLAN_CANNOT),
        Section("curves", "Batches and pours", drawn),
        Section("cups", "Cups", table(made.cups, "Half-width of pale, middle and dark beers in each cup (relative)")),
        Section("beers", "Beer by beer", of_beers),
        Section("line", "At the line", _at_line(made)),
        Section("upkeep", "Reference and control", table(made.upkeep, "How often, and why")),
        Section("assumed", "What it rests on", table(made.assumed, "What was taken for true, and where it comes from")),
        Section("bench", "At the bench: the first weeks", _bench_sheet(made), sheet=True),
        versions({"seed": str(made.seed), "rough": "yes" if made.rough else "no"}, "Versions"),
    ]
    lead = (
        f"Simulated for {counted(len(made.beers), 'beer')}; coverage {made.coverage:.0%}, false-reject rate "
        f"{made.false_reject_rate:.1%}."
    )
    met = "every wish met" if advice["meets"] else "the best that can be had, not every wish met"
    said = (
        f"{met[:1].upper()}{met[1:]} by {counted(int(advice['n_batches']), 'batch')} of each beer, "
        f"{counted(int(advice['n_pours']), 'pour')} a sample, {advice['fill_ml']:g} mL in a cup of "
        f"{advice['cup_mm']:g} mm."
    )
    if made.line["caught"].notna().any() and not made.line["meets"].any():
        said += " At the line no interval tried is enough: see there."
    return whole_page("Plan before the first batch", lead, verdict(said, _plan_facts(made)), sections)


def _plan_facts(made: Plan) -> dict[str, str]:
    advice = made.advice
    start = made.bench_sheet.iloc[0] if len(made.bench_sheet) else None
    alike = ""
    if made.beers["caught_most_like"].notna().any():  # of one beer there is none
        row = made.beers.loc[made.beers["caught_most_like"].idxmin()]
        alike = f"{row.name} and {row['most_like']}: {row['caught_most_like']:.0%} of mix-ups caught"
        alike += "" if made.pairs.empty else ", less than wished"
    return {
        "ready after": counted(int(np.ceil(advice["weeks"])), "week") if np.isfinite(advice["weeks"]) else "",
        "colour": f"within {advice['half_width']:.1%} at {made.coverage:.0%} (half-width of the interval)",
        "how sure": f"simulated; nine houses of ten lie within {max(advice['half_width_low'], 0.0):.1%} to "
        f"{advice['half_width_high']:.1%}",
        "most alike": alike,
        "do next": "" if start is None else f"week {start['week']}, session {start['session']}: {start['what']}",
        "it cannot": "promise it: simulated optics are a model; hold it against the set as that grows",
    }


def _bench_sheet(made: Plan) -> str:
    rows = made.bench_sheet
    if rows.empty:
        return "<p>The set holds the batches already.</p>"
    said = (
        "<p>Each session opens with dark, reference and control and takes beers from the whole range of colours, so "
        "that what a day does to the module is not taken for a beer. Every batch goes to the lab; write fill, cup and "
        "session into scans.csv.</p>"
    )
    shown = rows[["week", "session", "what", "batch"]].assign(
        pours=rows["pours"].astype(str).where(rows["pours"] > 0, ""),
        to_the_lab=rows["to_the_lab"].map({True: "yes", False: ""}),
        done="☐",
    )
    return said + table(shown, "What to pour, scan and send to the lab, in this order")


def _at_line(made: Plan) -> str:
    body = ""
    if made.line["caught"].notna().any():
        body = figure_of("line", plots.plot_plan_line, made, says=" ".join(made.sentences))
    changeover = made.changeover.rename(lambda name: name.replace("_", " ")).rename_axis("what").to_frame("value")
    body += table(made.line, "Readings at an interval, with the retest rule as it is")
    body += table(made.packages, "Of a lot looked at once: from where, how many packages, chance to meet a wrong one")
    return body + table(changeover, "At a changeover")
