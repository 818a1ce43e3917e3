"""`specmatch gauge`: pours, operators, instruments and days on the same batches."""

import argparse
from textwrap import fill

import specmatch as sm
from specmatch.cli.outcome import WIDTH, Outcome, fields_of, need_drawing, written
from specmatch.report.text import text_table


def run(args: argparse.Namespace) -> Outcome:
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
