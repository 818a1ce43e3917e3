"""Page of a plan: the advice, its figures, sampling at the line, and the sheet for the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.report import plots
from specmatch.report.pages.glance import verdict
from specmatch.report.pages.html import Section, bullets, figure_of, limits, section, table, versions, whole_page
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.house.planning.plan import Plan

_CAN = (
    "Say what a set of so many batches and pours would show, by simulating houses with this list of beers.",
    "Compare cups, pours and ways of looking at the line on the same simulated houses.",
)
_CANNOT = (
    "Promise it: simulated optics are a model, and real beers and cups differ from it. Hold the plan against the set "
    "as it grows (specmatch evaluate SET --plan FILE).",
    "Know the shape of a beer's spectrum from its colour: beers of one colour are told apart by nothing on a list.",
)


def plan_page(made: Plan) -> str:
    """Return the page of a plan.

    Parameters
    ----------
    made : Plan
        From `specmatch.plan`.

    Returns
    -------
    str
        One HTML file that needs nothing outside itself.

    Examples
    --------
    >>> page = plan_page(made)
    >>> page.startswith("<!DOCTYPE html>"), "At the bench" in page
    (True, True)
    """
    advice = made.advice
    curves = made.curves.drop(columns=[c for c in made.curves if c.endswith(("_low", "_high"))])
    drawn = figure_of("curves", plots.plot_plan_curves, made, says=made.sentences[0], numbers=curves)
    size = (6.4, 1.2 + 0.28 * len(made.beers))
    of_beers = figure_of("beers", plots.plot_plan_beers, made, says=made.sentences[0], numbers=made.beers, size_in=size)
    pairs = made.pairs.drop(columns=["sentence"])
    sections = [
        Section("advice", "What is advised, and what it gives", bullets(made.sentences)),
        Section("curves", "Batches and pours", drawn),
        Section("cups", "Cups", table(made.cups, "Half-width of pale, middle and dark beers in each cup (relative)")),
        Section(
            "beers",
            "Beer by beer",
            of_beers
            + (
                table(pairs, "Pairs held less often than wished; at best: with endless batches and pours")
                if len(pairs)
                else "<p>Every pair is held as often as wished.</p>"
            ),
        ),
        Section("line", "At the line", _at_line(made)),
        Section("upkeep", "Reference and control", table(made.upkeep, "How often, and why")),
        Section("assumed", "What it rests on", table(made.assumed, "What was taken for true, and where it comes from")),
        Section("bench", "At the bench: the first weeks", _sheet(made), sheet=True),
        Section("versions", "Versions", versions({"seed": str(made.seed), "rough": "yes" if made.rough else "no"})),
    ]
    lead = (
        f"Simulated for {len(made.beers)} beers; coverage {made.coverage:.0%}, false-reject rate "
        f"{made.false_reject_rate:.1%}."
    )
    met = "every wish met" if advice["meets"] else "the best that can be had, not every wish met"
    said = (
        f"{met[:1].upper()}{met[1:]} by {counted(int(advice['n_batches']), 'batch')} of each beer, "
        f"{counted(int(advice['n_pours']), 'pour')} a sample, {advice['fill_ml']:g} mL in a cup of "
        f"{advice['cup_mm']:g} mm."
    )
    if len(made.line) and not made.line["meets"].any():
        said += " At the line no interval tried is enough: see there."
    first = verdict(said, _facts(made)) + section(sections[0])
    return whole_page("Plan before the first batch", lead, first, [limits(_CAN, _CANNOT), *sections[1:]])


def _facts(made: Plan) -> dict[str, str]:
    advice = made.advice
    start = made.bench_sheet.iloc[0] if len(made.bench_sheet) else None
    alike = made.beers["caught_most_like"].idxmin()
    other, share = made.beers.loc[alike, ["most_like", "caught_most_like"]]
    return {
        "ready after": counted(int(np.ceil(advice["weeks"])), "week") if np.isfinite(advice["weeks"]) else "",
        "colour": f"within {advice['half_width']:.1%} at {made.coverage:.0%} (half-width of the interval)",
        "how sure": f"simulated; nine houses of ten lie within {max(advice['half_width_low'], 0.0):.1%} to "
        f"{advice['half_width_high']:.1%}",
        "most alike": f"{alike} and {other}: {share:.0%} of mix-ups caught"
        + ("" if made.pairs.empty else ", less than wished"),
        "do next": "" if start is None else f"week {start['week']}, session {start['session']}: {start['what']}",
        "it cannot": "promise it: simulated optics are a model; hold it against the set as that grows",
    }


def _sheet(made: Plan) -> str:
    rows = made.bench_sheet
    if rows.empty:
        return "<p>The set holds the batches already.</p>"
    said = (
        "<p>Each session opens with dark, reference and control and takes beers from the whole range of colours, so "
        "that what a day does to the module is not taken for a beer. Every batch goes to the lab; write fill, cup and "
        "session into scans.csv.</p>"
    )
    shown = pd.DataFrame(
        {
            "week": rows["week"],
            "session": rows["session"],
            "what": rows["what"],
            "batch": rows["batch"],
            "pours": rows["pours"].astype(str).where(rows["pours"] > 0, ""),
            "to the lab": rows["to_the_lab"].map({True: "yes", False: ""}),
            "done": "☐",
        }
    )
    return said + table(shown, "What to pour, scan and send to the lab, in this order")


def _at_line(made: Plan) -> str:
    at_line = ""
    if made.line["caught"].notna().any():
        at_line = figure_of("line", plots.plot_plan_line, made, says=" ".join(made.sentences))
    changeover = made.changeover.rename(lambda name: name.replace("_", " ")).rename_axis("what").to_frame("value")
    return (
        at_line
        + table(made.line, "Readings at an interval, with the retest rule as it is")
        + table(made.packages, "Of a lot looked at once: from where, how many packages, chance to meet a wrong one")
        + table(changeover, "At a changeover")
    )
