"""`specmatch undo`: make the version before the last a new version of a reference set."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import signature
from specmatch.cli.outcome import Outcome
from specmatch.report.text import text_table


def run(args: argparse.Namespace) -> Outcome:
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
