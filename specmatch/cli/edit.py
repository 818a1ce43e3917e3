"""`specmatch edit`: drop, relabel or recolour batches of a reference set, with the reason in its history."""

import argparse
import logging

import specmatch as sm
from specmatch.cli.arguments import signature
from specmatch.cli.outcome import Outcome
from specmatch.measurement.folder.sheets import read_sheet
from specmatch.reference.tables.edits import COLUMNS, colour_of

_LOG = logging.getLogger(__name__)


def run(args: argparse.Namespace) -> Outcome:
    """Change the set and save the new version in its place."""
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
