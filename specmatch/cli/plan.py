"""`specmatch plan`: before the first batch."""

import argparse
from textwrap import fill
from typing import TYPE_CHECKING, Any

import specmatch as sm
from specmatch.cli.arguments import named_numbers, number
from specmatch.cli.outcome import WIDTH, Outcome, fields_of, need_drawing, tell, written

if TYPE_CHECKING:
    from specmatch.house.planning.plan import Plan

HELP = "before the first batch: how many batches, pours and packages, and which cup, for what is wished"
EXAMPLE = "specmatch plan --beers beers.csv --wish half_width=0.05 --cup 40x10 --cup 40x6 --out plan.html"
PAIRS_SHOWN = 8


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `plan`."""
    parser.add_argument(
        "--beers", required=True, metavar="FILE", help="sheet of beer, colour, and if known batches_a_week"
    )
    parser.add_argument("--unit", choices=("EBC", "SRM"), default="EBC", help="of these colours (default EBC)")
    parser.add_argument("--set", metavar="SET", help="a reference set of a few batches that is there already")
    of_module = parser.add_mutually_exclusive_group()
    of_module.add_argument("--commissioned", metavar="FOLDER", help="the folder that specmatch commission judged")
    of_module.add_argument("--scans", metavar="FOLDER", help="measured folder: water and one beer, a few times each")
    parser.add_argument(
        "--cup", action="append", type=_cup, metavar="MMxML", help="inner diameter x fill; repeat it to choose between"
    )
    parser.add_argument("--batches", type=int, nargs="+", default=(4, 8, 16), metavar="N", help="a beer, to try")
    parser.add_argument("--pours", type=int, nargs="+", default=(1, 3), metavar="N", help="a sample, to try")
    for option, what in (("--habit", "of the house: lab_sd=0.02"), ("--wish", "such as half_width=0.05"),
                         ("--at-line", "such as pallets_an_hour=30")):  # fmt: skip
        parser.add_argument(option, action="append", default=[], metavar="NAME=NUMBER", help=f"{what}; may be repeated")
    parser.add_argument("--rough", action="store_true", help="in seconds, with a larger error of simulation")
    parser.add_argument("--seed", type=int, default=0, help="of the simulation (default 0)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--save", metavar="FILE", help="where to keep the plan, for specmatch evaluate --plan")
    parser.add_argument("--out", metavar="PAGE", help="HTML page to write, bench sheet and all; replaced if there")


def run(args: argparse.Namespace) -> Outcome:
    """Plan, keep what was asked for, and lay it out."""
    from specmatch.house.planning.assumptions import read_beers
    from specmatch.house.planning.plan import CUPS

    need_drawing(args.out)
    beers, notes = read_beers(args.beers)
    refs = sm.ReferenceSet.load(args.set) if args.set else None
    made = sm.plan(
        beers, refs=refs, module=_module(args), cups=args.cup or CUPS, n_batches=args.batches, n_pours=args.pours,
        habits=named_numbers(args.habit, "--habit"), wishes=named_numbers(args.wish, "--wish"),
        line=named_numbers(args.at_line, "--at-line"), colour_unit=args.unit, rough=args.rough, seed=args.seed,
        n_jobs=1 if args.rough else args.jobs, progress=tell,
    )  # fmt: skip
    lines = [_text(made)]
    if args.save:
        made.save(args.save)
        lines.append(f"{args.save}: the plan, for specmatch evaluate SET --plan {args.save}")
    if args.out:
        lines.append(written(args.out, sm.pages.plan_page(made)))
    left_out = [{"subject": args.beers, "reason": note} for note in notes]
    results = fields_of(made, *made.__dataclass_fields__) | {"page": args.out}
    return Outcome(results, "\n".join(lines), left_out, needs_look=not made.advice["meets"] or bool(left_out))


def _text(made: "Plan") -> str:
    from specmatch.report.text import text_table

    figures = ["cup_mm", "fill_ml", "n_pours", "n_batches", "half_width", "half_width_sd", "false_reject", "caught"]
    kept = ["minutes", "false_reject_rate", "caught", "caught_low", "caught_high", "false_holds_a_week", "meets"]
    of_beers = ["beer", "colour", "half_width", "half_width_in_unit", "caught_most_like", "most_like", "weeks"]
    parts = [
        "\n".join(fill(sentence, WIDTH, subsequent_indent="  ") for sentence in made.sentences),
        "What was tried (half_width is relative; sd: of the simulation)",
        text_table(made.curves[figures]),
        f"Beer by beer, as advised, colours in {made.colour_unit}",
        text_table(made.beers.reset_index()[of_beers]),
        "At the line: minutes between readings, and what comes of a mix-up and of right runs",
        text_table(made.line[kept]),
        "From where, of a lot that is looked at once",
        text_table(made.packages),
        "First sessions (all of them with --out)",
        text_table(made.bench_sheet.head(2 * PAIRS_SHOWN)),
        "What it rests on",
        text_table(made.assumed),
    ]
    return "\n\n".join(parts)


def _module(args: argparse.Namespace) -> Any:
    if args.commissioned:
        return sm.commission(args.commissioned)
    return sm.measure(args.scans) if args.scans else None


def _cup(text: str) -> tuple[float, float]:
    mm, _, ml = text.lower().partition("x")
    if not ml:
        raise argparse.ArgumentTypeError(f"{text!r} is no cup; write inner diameter in mm, x, fill in mL: 40x10")
    return number(mm), number(ml)
