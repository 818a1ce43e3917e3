"""`specmatch evaluate`, `validate` and `gauge`: a model on batches held out, on new batches, and its precision."""

import argparse
from dataclasses import asdict
from pathlib import Path
from textwrap import fill

import pandas as pd

import specmatch as sm
from specmatch.cli.arguments import tell_sheet_notes
from specmatch.cli.outcome import WIDTH, Outcome, fields_of, need_drawing, written
from specmatch.house.assessment.evaluation import BEER, Evaluation
from specmatch.house.assessment.validation import FIT_FOR_USE
from specmatch.line.rules.rates import RunRisks
from specmatch.report.text import figures_in_words, figures_line, text_table
from specmatch.storage import sha256_of
from specmatch.wording import counted

WEAKEST_SHOWN = 5


def run(args: argparse.Namespace) -> Outcome:
    """Evaluate and lay out the tables."""
    house = sm.HouseModel(coverage=args.coverage, false_reject_rate=args.false_reject_rate)
    refs = sm.ReferenceSet.load(args.set)
    got = sm.evaluate(house, refs, n_folds=args.folds, seed=args.seed, n_jobs=args.jobs, plan=args.plan)
    line = sm.run_risks(
        refs, false_reject_rate=args.false_reject_rate, runs_a_week=args.runs_a_week, n_folds=args.folds,
        seed=args.seed, n_jobs=args.jobs,
    )  # fmt: skip
    results = fields_of(got, "figures", "colour", "identity", "mix_ups", "coverage")
    results["budget"] = None if got.budget is None else got.budget.reset_index()
    results |= {"line": line, "forecast": got.forecast}
    return Outcome(results, _text(got, line, args.coverage))


NO_POURS_TO_DRAW = (
    "What a line would hold with retests cannot be told: its readings are drawn from how the pours of a sample differ, "
    "and no sample of this set has two."
)


def _text(got: Evaluation, line: RunRisks, coverage: float) -> str:
    kinds = [part.head(WEAKEST_SHOWN) for _, part in got.mix_ups.groupby("kind", sort=False)]
    weakest = pd.concat(kinds) if kinds else got.mix_ups  # one beer has none
    weakest = weakest.drop(columns=["share", "other"])  # `really` says both in words
    if not weakest["advice"].any():
        weakest = weakest.drop(columns="advice")
    beers = got.coverage[(got.coverage["by"] == BEER) & (got.coverage["nominal"] == coverage)]
    beers = beers.sort_values(["covered", "n"], ascending=[True, False]).head(WEAKEST_SHOWN)
    least_covered = beers[["group", "covered", "low", "high", "n"]].rename(columns={"group": "beer"})
    parts = "no colour is read, so there is no budget"
    if got.budget is not None:
        rows = got.budget.xs("reading", level="component")[["colour", "sd", "advice"]]
        parts = text_table(rows.reset_index())
    wrong = (
        f"a wrong beer of the house held {line.wrong_held:.1%} ({line.wrong_held_low:.1%} to "
        f"{line.wrong_held_high:.1%}); least often {line.weakest_pair}: {line.weakest_held:.0%}"
        if line.weakest_pair
        else "and no other beer of the house that one could be"
    )
    said = [
        fill(figures_line(got.figures), WIDTH),
        f"In full, from {got.figures['n_folds']} folds; shares are of 1, low and high are 95 % bounds",
        text_table(figures_in_words(got.figures)),
        "Do the intervals hold what they state? (share of n lab values within them; pale to dark thirds)",
        text_table(got.coverage[got.coverage["by"] != BEER].drop(columns="by")),
        f"The same by beer at {coverage:.0%}, the {WEAKEST_SHOWN} least covered: few batches say little",
        text_table(least_covered),
        "Where the uncertainty of a colour comes from (sd 0.01: 1 %), by beer; the largest part, and what it needs",
        parts,
        f"Mix-ups: of each kind the {WEAKEST_SHOWN} least often held, of {len(got.mix_ups)} (held 1: always, of n)",
        text_table(weakest),
    ]
    if line.n_batches:
        holds = (
            f"On a line, with retests ({line.runs_a_week} runs a week of {line.readings_a_run} readings): "
            f"{line.false_holds_a_week:.1f} false holds a week ({line.false_holds_a_week_low:.1f} to "
            f"{line.false_holds_a_week_high:.1f}), {wrong}"
        )
        said += [fill(holds, WIDTH), fill(_beside_one_reading(got.figures, line), WIDTH)]
    else:
        said.append(fill(NO_POURS_TO_DRAW, WIDTH))
    if got.forecast is not None:
        said += [
            "What the plan forecast for a set of this size (low, high: nine houses in ten), and what was found",
            text_table(got.forecast),
        ]
    return "\n\n".join(said)


def _beside_one_reading(figures: pd.Series, line: RunRisks) -> str:
    """Say how false holds a week go with the share of single readings that are held."""
    return (
        f"Why this is not the {figures['false_hold']:.1%} of right claims held above: that is one reading of each "
        f"batch. A run takes {line.readings_a_run} readings, each one more chance to depart at "
        f"{line.false_reject_rate:.3g} and be poured again, and {line.false_hold:.1%} of right runs end in a hold. "
        f"With {counted(line.n_batches, 'batch')} neither share is known closely: up to "
        f"{figures['false_hold_high']:.1%} of single readings, {line.false_hold_low:.1%} to "
        f"{line.false_hold_high:.1%} of runs."
    )


def validate(args: argparse.Namespace) -> Outcome:
    """Validate and lay out the verdict."""
    need_drawing(args.out)
    house = sm.HouseModel.load(args.model)
    session = sm.measure(args.folder, date_order=args.dates)
    tell_sheet_notes(session)
    found = sm.validate(house, session, lab=args.lab)
    unit, figures, correction = house.fitted.colour_unit, found.figures, found.correction
    results = fields_of(found, "verdict", "sentence", "figures", "colour", "correction")
    lines = [
        f"verdict: {found.verdict}",
        fill(found.sentence, WIDTH),
        "",
        text_table(found.colour.reset_index()),
        "",
        f"{figures['n']} batches of {figures['n_beers']} beers; bias {figures['bias']:+.2f} {unit}, SEP "
        f"{figures['sep']:.2f} {unit}, relative error {figures['relative_error']:.1%}",
        f"intervals cover {figures['covered']:.0%} of the lab values "
        f"({figures['covered_low']:.0%}-{figures['covered_high']:.0%}), stated {figures['nominal_coverage']:.0%}",
    ]
    if correction is not None:
        said = f"offered: {correction.sentence(unit)}; nothing applies it by itself"
        if args.save_correction:
            correction.save(args.save_correction)
            said += f"; written to {args.save_correction}"
        lines.append(fill(said, WIDTH))
        results["correction"] = {
            **asdict(correction), "version": correction.version, "file": args.save_correction or None,
        }  # fmt: skip
    elif args.save_correction:
        lines.append(f"no correction is offered, and {args.save_correction} is not written")
    if args.out:
        page = sm.pages.validation_page(found, house=house, session=session, model_hash=sha256_of(Path(args.model)))
        lines.append(written(args.out, page))
    results["page"] = args.out
    lines += [f"left out: batch {row.batch}: {row.reason}" for row in found.left_out.itertuples()]
    left_out = [*found.left_out[["batch", "reason"]].to_dict("records"), *session.left_out.to_dict("records")]
    return Outcome(results, "\n".join(lines), left_out, needs_look=found.verdict != FIT_FOR_USE)


def gauge(args: argparse.Namespace) -> Outcome:
    """Study, and lay out the components."""
    need_drawing(args.out)
    house = sm.HouseModel.load(args.model)
    session = sm.measure(args.folder)
    study = sm.gauge(house, session, tolerance=args.tolerance)
    budget = house.budget()
    lines = [
        f"{study.layout} study of {', '.join(study.factors)}: {len(study.readings)} pours",
        *(fill(sentence, WIDTH) for sentence in study.sentences),
        "",
        "Components, standard deviations of log colour (0.01 is 1 %), with 95 % bounds",
        text_table(study.components.reset_index()),
        "",
        text_table(study.precision.reset_index()),
        "",
        f"Beer by beer, in {house.fitted.colour_unit}: two results differ by more than r (R) once in twenty times",
        text_table(study.beers.reset_index()),
    ]
    if args.out:
        lines.append(written(args.out, sm.pages.gauge_page(study, budget=budget)))
    left_out = [*study.left_out.to_dict("records"), *session.left_out.to_dict("records")]
    results = fields_of(
        study, "layout", "factors", "sentences", "figures", "components", "precision", "beers", "readings"
    )
    results |= {"budget": budget.reset_index(), "page": args.out}
    return Outcome(results, "\n".join(lines), left_out)
