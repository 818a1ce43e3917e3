"""`specmatch validate`: a model against new batches with new lab values."""

import argparse
from dataclasses import asdict
from textwrap import fill

from specmatch.cli.arguments import add_dates_argument, add_lab_argument, tell_sheet_notes
from specmatch.cli.outcome import WIDTH, Outcome

COMMAND = "validate"
HELP = "judge a model on new batches with new lab values"
EXAMPLE = "specmatch validate house.model april/ --save-correction april.json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `validate`."""
    parser.add_argument("model", metavar="MODEL", help="model file")
    parser.add_argument("folder", metavar="FOLDER", help="measured folder with lab colours in batches.csv")
    parser.add_argument("--save-correction", metavar="FILE", help="where to write the correction, if one is offered")
    parser.add_argument("--out", metavar="PAGE", help="HTML page to write; replaced if it is there")
    add_lab_argument(parser)
    add_dates_argument(parser)


def run(args: argparse.Namespace) -> Outcome:
    """Validate and lay out the verdict."""
    from specmatch.house.assessment.validation import FIT_FOR_USE, validate
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import measure
    from specmatch.report.text import text_table

    if args.out:
        from specmatch.report.plots.style import need_matplotlib

        need_matplotlib()
    house = HouseModel.load(args.model)
    session = measure(args.folder, date_order=args.dates)
    tell_sheet_notes(session)
    found = validate(house, session, lab=args.lab)
    unit = house.fitted.colour_unit
    correction, saved = found.correction, ""
    if correction is not None and args.save_correction:
        correction.save(args.save_correction)
        saved = str(args.save_correction)
    figures = found.figures
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
        lines.append(
            fill(
                f"offered: {correction.sentence(unit)}; nothing applies it by itself"
                + (f"; written to {saved}" if saved else ""),
                WIDTH,
            )
        )
    if args.out:
        from specmatch.report.pages import validation_page
        from specmatch.storage import sha256_of, write_atomic

        page = validation_page(found, house=house, session=session, model_hash=sha256_of(args.model))
        write_atomic(args.out, page.encode("utf-8"))
        lines.append(f"{args.out}: the page")
    lines += [f"left out: batch {row.batch}: {row.reason}" for row in found.left_out.itertuples()]
    left_out = [
        *({"batch": row.batch, "reason": row.reason} for row in found.left_out.itertuples()),
        *session.left_out.to_dict("records"),
    ]
    results = {
        "verdict": found.verdict,
        "sentence": found.sentence,
        "figures": figures,
        "colour": found.colour,
        "correction": None
        if correction is None
        else {
            **asdict(correction),
            "version": correction.version,
            "file": saved or None,
        },
        "page": args.out,
    }
    look = found.verdict != FIT_FOR_USE or bool(left_out)
    return Outcome(results, "\n".join(lines), left_out, needs_look=look)
