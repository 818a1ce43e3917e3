"""`specmatch gauge`: pours, operators, instruments and days on the same batches."""

import argparse
from textwrap import fill

from specmatch.cli.arguments import number
from specmatch.cli.outcome import WIDTH, Outcome

COMMAND = "gauge"
HELP = "gauge study: what pours, operators, instruments and days add, and what the method may claim"
EXAMPLE = "specmatch gauge house.model study/ --tolerance 2"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `gauge`."""
    parser.add_argument("model", metavar="MODEL", help="model file")
    parser.add_argument("folder", metavar="FOLDER", help="measured folder of batches poured several times")
    parser.add_argument(
        "--tolerance", type=number, metavar="WIDTH", help="whole width of the colour tolerance, in the set's unit"
    )
    parser.add_argument("--out", metavar="PAGE", help="HTML page to write; replaced if it is there")


def run(args: argparse.Namespace) -> Outcome:
    """Study, and lay out the components."""
    from specmatch.house.assessment.gauge import gauge
    from specmatch.house.house_model import HouseModel
    from specmatch.measurement.session import measure
    from specmatch.report.text import text_table
    from specmatch.storage import write_atomic

    if args.out:
        from specmatch.report.plots.style import need_matplotlib

        need_matplotlib()
    house = HouseModel.load(args.model)
    session = measure(args.folder)
    study = gauge(house, session, tolerance=args.tolerance)
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
        from specmatch.report.pages import gauge_page

        write_atomic(args.out, gauge_page(study, budget=budget).encode("utf-8"))
        lines.append(f"{args.out}: the page")
    left_out = [*study.left_out.to_dict("records"), *session.left_out.to_dict("records")]
    results = {
        "layout": study.layout,
        "factors": list(study.factors),
        "sentences": list(study.sentences),
        "figures": study.figures,
        "components": study.components,
        "precision": study.precision,
        "beers": study.beers,
        "readings": study.readings,
        "budget": budget.reset_index(),
        "page": args.out,
    }
    return Outcome(results, "\n".join(lines), left_out, needs_look=bool(left_out))
