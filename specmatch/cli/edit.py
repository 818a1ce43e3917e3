"""`specmatch edit`: drop, relabel or recolour batches of a reference set, with the reason in its history."""

import argparse
import logging

import specmatch as sm
from specmatch.cli.arguments import add_signature, share, signature
from specmatch.cli.outcome import Outcome

_LOG = logging.getLogger(__name__)
HELP = "drop, relabel or recolour batches of a reference set; the reason goes into its history"
EXAMPLE = 'specmatch edit sets/house --relabel B17 "House Pils" --reason "label mixed up at sampling" --who JD'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `edit`."""
    share(parser, "set to change")
    change = parser.add_mutually_exclusive_group(required=True)
    change.add_argument("--drop", metavar="BATCH", help="leave a batch out")
    change.add_argument("--drop-pour", metavar="POUR", help="leave one pour out")
    change.add_argument("--drop-scan", metavar="SCAN", help="leave one scan out")
    change.add_argument("--drop-sample", metavar="SAMPLE", help="leave one sample out")
    change.add_argument("--drop-session", metavar="SESSION", help="leave out all scans of a session")
    change.add_argument("--relabel", nargs=2, metavar=("BATCH", "BEER"), help="give a batch another beer")
    change.add_argument(
        "--colour", nargs=2, metavar=("BATCH", "COLOUR"), help="give a batch a lab colour ('none': none)"
    )
    change.add_argument(
        "--rename", nargs=2, metavar=("BEER", "NAME"), help="give a beer another name: two spellings become one"
    )
    change.add_argument(
        "--recipe", nargs=2, metavar=("BEER", "DAY"), help="a new recipe from that day on; older batches are set apart"
    )
    change.add_argument("--sheet", metavar="SHEET", help="many edits: a sheet with batch, what, value and reason")
    add_signature(parser, "changed it", why="why, for the history; needed but for a sheet that says it itself")


def run(args: argparse.Namespace) -> Outcome:
    """Change the set and save the new version in its place."""
    from specmatch.measurement.folder.sheets import read_sheet
    from specmatch.reference.tending.edit_sheet import COLUMNS, colour_of

    before, why = sm.ReferenceSet.load(args.set), signature(args)
    if args.relabel:
        after = before.relabel(*args.relabel, **why)
    elif args.colour:
        batch, text = args.colour
        after = before.set_colour(batch, colour_of(text), **why)
    elif args.rename:
        after = before.rename_beer(*args.rename, **why)
    elif args.recipe:
        after = before.recipe_step(*args.recipe, **why)
    elif args.sheet:
        sheet = read_sheet(args.sheet, known=COLUMNS)
        for note in sheet.notes:
            _LOG.warning("%s", note)
        after = before.edit_from(sheet.table, **why)
    else:
        levels = {"batch": args.drop, "pour": args.drop_pour, "scan": args.drop_scan, "sample": args.drop_sample,
                  "session": args.drop_session}  # fmt: skip
        level, name = next((level, name) for level, name in levels.items() if name is not None)
        after = before.drop(name, level=level, **why)
    after.save(args.set)
    what = after.history[-1]["what"]
    results = {"set": args.set, "before": before.hash, "after": after.hash, "what": what}
    if args.relabel and args.relabel[1] not in set(before.batches["beer"]):
        what += f"; {args.relabel[1]!r} is a beer that the set did not hold"
    text = f"{args.set}: {what}\nversion {before.hash[:12]} -> {after.hash[:12]}; fit the house model again to use it\n"
    text += f"next: specmatch audit {args.set}"
    return Outcome(results, text)
