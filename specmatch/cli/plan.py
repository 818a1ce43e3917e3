"""`specmatch plan` and `choose`: before the first batch, and which batches to send to the lab next."""

import argparse
from textwrap import fill
from typing import Any

import specmatch as sm
from specmatch.cli.arguments import named_numbers
from specmatch.cli.outcome import WIDTH, Outcome, fields_of, need_drawing, tell, written
from specmatch.house.planning.assumptions import read_beers
from specmatch.house.planning.plan import CUPS, Plan
from specmatch.report.text import text_table

PAIRS_SHOWN = 8


def run(args: argparse.Namespace) -> Outcome:
    """Plan, keep what was asked for, and lay it out."""
    need_drawing(args.out)
    stated = {"--habit": args.habit, "--wish": args.wish, "--at-line": args.at_line}
    habits, wishes, line = (named_numbers(given, option) for option, given in stated.items())
    beers, notes = read_beers(args.beers)
    refs = sm.ReferenceSet.load(args.set) if args.set else None
    made = sm.plan(
        beers, refs=refs, module=_module(args), cups=list(dict.fromkeys(args.cup or CUPS)), n_batches=args.batches,
        n_pours=args.pours, habits=habits, wishes=wishes, line=line, colour_unit=args.unit, rough=args.rough,
        seed=args.seed, n_jobs=1 if args.rough else args.jobs, progress=tell,
    )  # fmt: skip
    lines = [_text(made)]
    if args.save:
        made.save(args.save)
        lines.append(f"{args.save}: the plan, for specmatch evaluate SET --plan {args.save}")
    if args.out:
        lines.append(written(args.out, sm.pages.plan_page(made)))
    left_out = [{"subject": args.beers, "reason": note} for note in notes]
    results = fields_of(made, *made.__dataclass_fields__) | {"page": args.out}
    return Outcome(results, "\n".join(lines), left_out, needs_look=not made.advice["meets"])


def _text(made: Plan) -> str:
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


def choose(args: argparse.Namespace) -> Outcome:
    """Rank batches without a lab colour and tabulate the learning curve, or name those to teach a module by."""
    refs = sm.ReferenceSet.load(args.set)
    if args.transfer is not None:
        shared = sm.choose_batches(refs, transfer=args.transfer)
        text = f"measure these on the second module, real beer, poured as for the set:\n{text_table(shared[['beer']])}"
        return Outcome({"set": args.set, "hash": refs.hash, "chosen": shared}, text)
    chosen = sm.choose_batches(refs, 10 if args.number is None else args.number, method=args.method or "model")
    curve = sm.learning_curve(refs, n_jobs=args.jobs)
    parts = ["every batch has a lab colour" if chosen.empty else "measure these first:\n" + text_table(chosen)]
    parts.append("what more batches would buy (estimates):\n" + text_table(curve))
    results = {"set": args.set, "hash": refs.hash, "chosen": chosen, "learning_curve": curve}
    return Outcome(results, "\n\n".join(parts))
