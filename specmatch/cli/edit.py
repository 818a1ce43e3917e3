"""`specmatch edit`: drop, relabel or recolour batches of a reference set, with the reason in its history."""

import argparse

from specmatch.cli.outcome import Outcome

COMMAND = "edit"
HELP = "drop, relabel or recolour batches of a reference set; the reason goes into its history"
EXAMPLE = 'specmatch edit sets/house --relabel B17 "House Pils" --reason "label mixed up at sampling" --who JD'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `edit`."""
    parser.add_argument("set", metavar="SET", help="folder of a reference set; replaced by the new version")
    change = parser.add_mutually_exclusive_group(required=True)
    change.add_argument("--drop", metavar="BATCH", help="leave a batch out")
    change.add_argument("--drop-pour", metavar="POUR", help="leave one pour out")
    change.add_argument("--drop-scan", metavar="SCAN", help="leave one scan out")
    change.add_argument("--relabel", nargs=2, metavar=("BATCH", "BEER"), help="give a batch another beer")
    change.add_argument(
        "--colour", nargs=2, metavar=("BATCH", "COLOUR"), help="give a batch a lab colour ('none': none)"
    )
    parser.add_argument("--reason", required=True, help="why, for the history")
    parser.add_argument("--who", default="", help="who changed it")
    parser.add_argument("--when", default="", help="when, as 2026-01-31 or with time and offset")


def run(args: argparse.Namespace) -> Outcome:
    """Change the set and save the new version in its place."""
    from specmatch.errors import OptionError
    from specmatch.reference.reference_set import ReferenceSet

    before = ReferenceSet.load(args.set)
    why = {"reason": args.reason, "who": args.who, "when": args.when}
    if args.relabel:
        after = before.relabel(*args.relabel, **why)
    elif args.colour:
        batch, text = args.colour
        try:
            colour = float("nan") if text == "none" else float(text)
        except ValueError:
            raise OptionError(f"--colour {batch} {text}: {text!r} is no number; give one, or 'none'") from None
        after = before.set_colour(batch, colour, **why)
    else:
        levels = (("batch", args.drop), ("pour", args.drop_pour), ("scan", args.drop_scan))
        level, name = next((level, name) for level, name in levels if name is not None)
        after = before.drop(name, level=level, **why)
    after.save(args.set)
    what = after.history[-1]["what"]
    results = {"set": args.set, "before": before.hash, "after": after.hash, "what": what}
    if args.relabel and args.relabel[1] not in set(before.batches["beer"]):
        what += f"; {args.relabel[1]!r} is a beer that the set did not hold"
    text = f"{args.set}: {what}\nversion {before.hash[:12]} -> {after.hash[:12]}; fit the house model again to use it"
    return Outcome(results, text)
