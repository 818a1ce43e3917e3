"""`specmatch compare`: say what changed from one reference set to another."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome
from specmatch.reference.comparison import history_since
from specmatch.report.text import story_lines


def run(args: argparse.Namespace) -> Outcome:
    """List changes, and the history that the second has over the first."""
    before, after = sm.ReferenceSet.load(args.before), sm.ReferenceSet.load(args.after)
    changes, since = sm.compare_sets(before, after), history_since(before, after)
    lines = [f"{args.before} {before.hash[:12]} -> {args.after} {after.hash[:12]}"]
    lines += story_lines(since, changes, after.sources)
    results = {"before": before.hash, "after": after.hash, "history": since, "changes": changes,
               "sources": after.sources}  # fmt: skip
    return Outcome(results, "\n".join(lines))
