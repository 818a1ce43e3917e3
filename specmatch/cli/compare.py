"""`specmatch compare`: say what changed from one reference set to another."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome

HELP = "say what changed from one reference set to another"
EXAMPLE = "specmatch compare sets/last-year sets/house"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `compare`."""
    parser.add_argument("before", metavar="SET", help="folder of a reference set")
    parser.add_argument("after", metavar="SET", help="folder of another")


def run(args: argparse.Namespace) -> Outcome:
    """List changes, and the history that the second has over the first."""
    from specmatch.reference.comparison import history_since
    from specmatch.report.set_text import story_lines

    before, after = sm.ReferenceSet.load(args.before), sm.ReferenceSet.load(args.after)
    changes, since = sm.compare_sets(before, after), history_since(before, after)
    lines = [f"{args.before} {before.hash[:12]} -> {args.after} {after.hash[:12]}"]
    lines += story_lines(since, changes, after.sources)
    results = {"before": before.hash, "after": after.hash, "history": since, "changes": changes,
               "sources": after.sources}  # fmt: skip
    return Outcome(results, "\n".join(lines))
