"""`specmatch undo`: make the version before the last a new version of a reference set."""

import argparse

from specmatch.cli.outcome import Outcome

COMMAND = "undo"
HELP = "go back to the version before the last, as a new version; an undo is undone by another"
EXAMPLE = 'specmatch undo sets/house --reason "the wrong folder was added"'


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `undo`."""
    parser.add_argument("set", metavar="SET", help="folder of a reference set; replaced by the new version")
    parser.add_argument("--reason", required=True, help="why, for the history")
    parser.add_argument("--to", default="", metavar="VERSION", help="an earlier version, by the digits that name it")
    parser.add_argument("--who", default="", help="who took it back")
    parser.add_argument("--when", default="", help="when, as 2026-01-31 or with time and offset")


def run(args: argparse.Namespace) -> Outcome:
    """Go back and save."""
    from specmatch.reference.comparison import compare_sets
    from specmatch.reference.reference_set import ReferenceSet
    from specmatch.report.text import text_table

    refs = ReferenceSet.load(args.set)
    after = refs.undo(to=args.to, reason=args.reason, who=args.who, when=args.when)
    changes = compare_sets(refs, after)
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
