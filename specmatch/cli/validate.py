"""`specmatch validate` and `gauge`: a model against new batches with new lab values, and a study of its precision."""

import argparse
from dataclasses import asdict
from pathlib import Path
from textwrap import fill

import specmatch as sm
from specmatch.cli.arguments import tell_sheet_notes
from specmatch.cli.outcome import WIDTH, Outcome, fields_of, need_drawing, written
from specmatch.house.assessment.validation import FIT_FOR_USE
from specmatch.report.text import text_table
from specmatch.storage import sha256_of


def run(args: argparse.Namespace) -> Outcome:
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
    if args.out:
        page = sm.pages.validation_page(found, house=house, session=session, model_hash=sha256_of(Path(args.model)))
        lines.append(written(args.out, page))
    results["page"] = args.out
    lines += [f"left out: batch {row.batch}: {row.reason}" for row in found.left_out.itertuples()]
    left_out = [*found.left_out[["batch", "reason"]].to_dict("records"), *session.left_out.to_dict("records")]
    look = found.verdict != FIT_FOR_USE or bool(left_out)
    return Outcome(results, "\n".join(lines), left_out, needs_look=look)


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
    return Outcome(results, "\n".join(lines), left_out, needs_look=bool(left_out))
