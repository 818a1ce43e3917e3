"""`specmatch edit`, `undo` and `compare`: change a reference set, go back to an earlier version, say what changed."""

import argparse
import logging

import specmatch as sm
from specmatch.cli.arguments import signature
from specmatch.cli.outcome import Outcome
from specmatch.measurement.folder.sheets import read_sheet
from specmatch.reference.changes import history_since
from specmatch.reference.tables.edits import COLUMNS, colour_of
from specmatch.report.text import story_lines, text_table

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


def undo(args: argparse.Namespace) -> Outcome:
    """Go back and save."""
    refs = sm.ReferenceSet.load(args.set)
    after = refs.undo(to=args.to, **signature(args))
    changes = sm.compare_sets(refs, after)
    after.save(args.set)
    results = {"set": args.set, "before": refs.hash, "after": after.hash, "changes": changes}
    taken_back = (
        f"taken back: {refs.history[-1]['what']}" if refs.history and not args.to else after.history[-1]["what"]
    )
    text = (
        f"{args.set}: {taken_back}\n{text_table(changes) if len(changes) else 'the tables are the same'}\n"
        f"version {refs.hash[:12]} -> {after.hash[:12]}"
    )
    return Outcome(results, text)


def compare(args: argparse.Namespace) -> Outcome:
    """List changes, and the history that the second has over the first."""
    before, after = sm.ReferenceSet.load(args.before), sm.ReferenceSet.load(args.after)
    changes, since = sm.compare_sets(before, after), history_since(before, after)
    lines = [f"{args.before} {before.hash[:12]} -> {args.after} {after.hash[:12]}"]
    lines += story_lines(since, changes, after.sources)
    results = {"before": before.hash, "after": after.hash, "history": since, "changes": changes,
               "sources": after.sources}  # fmt: skip
    return Outcome(results, "\n".join(lines))
