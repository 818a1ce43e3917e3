"""`specmatch compare`: say what changed from one reference set to another."""

import argparse

from specmatch.cli.outcome import Outcome

COMMAND = "compare"
HELP = "say what changed from one reference set to another"
EXAMPLE = "specmatch compare sets/last-year sets/house"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `compare`."""
    parser.add_argument("before", metavar="SET", help="folder of a reference set")
    parser.add_argument("after", metavar="SET", help="folder of another")


def run(args: argparse.Namespace) -> Outcome:
    """List changes, and the history that the second has over the first."""
    from specmatch.reference.comparison import compare_sets
    from specmatch.reference.reference_set import ReferenceSet
    from specmatch.report.text import text_table

    before, after = ReferenceSet.load(args.before), ReferenceSet.load(args.after)
    changes = compare_sets(before, after)
    parents = [entry.get("parent") for entry in after.history]
    since = after.history[parents.index(before.hash) :] if before.hash in parents else ()
    lines = [f"{args.before} {before.hash[:12]} -> {args.after} {after.hash[:12]}"]
    for entry in since:
        signed = ", ".join(entry[key] for key in ("who", "when") if entry.get(key))
        lines.append(f"- {entry['what']}: {entry['why']}{f' ({signed})' if signed else ''}")
    lines.append(text_table(changes) if len(changes) else "the two hold the same")
    results = {"before": before.hash, "after": after.hash, "history": list(since), "changes": changes}
    return Outcome(results, "\n".join(lines))
