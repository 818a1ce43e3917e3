"""`specmatch merge`: two reference sets, such as those of two sites, as one."""

import argparse

from specmatch.cli.extend import add_take, conflict_outcome, taken
from specmatch.cli.outcome import Outcome
from specmatch.wording import counted

COMMAND = "merge"
HELP = "join two reference sets, such as those of two sites or lines, in a third; conflicts are listed"
EXAMPLE = "specmatch merge sets/north sets/south --out sets/both"
SIDES = ("FIRST", "SECOND", "BOTH")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `merge`."""
    parser.add_argument("first", metavar="SET", help="folder of a reference set; its history goes on")
    parser.add_argument("second", metavar="SET", help="folder of another")
    parser.add_argument("--out", required=True, metavar="SET", help="folder of the set to write")
    parser.add_argument("--reason", default="two sets as one", help="why, for the history")
    parser.add_argument("--who", default="", help="who joined them")
    parser.add_argument("--when", default="", help="when, as 2026-01-31 or with time and offset")
    add_take(parser, SIDES)


def run(args: argparse.Namespace) -> Outcome:
    """Join and save, or list what the two say differently."""
    from specmatch.errors import ConflictError
    from specmatch.reference.extension import merge_sets
    from specmatch.reference.reference_set import ReferenceSet

    first, second = ReferenceSet.load(args.first), ReferenceSet.load(args.second)
    why = {"reason": args.reason, "who": args.who, "when": args.when}
    try:
        both = merge_sets(first, second, take=taken(args.take, SIDES), **why)
    except ConflictError as error:
        return conflict_outcome(args.out, error, ("first", "second"), "SECOND")
    both.save(args.out)
    results = {"set": args.out, "hash": both.hash, "n_scans": len(both.spectra), "n_batches": len(both.batches)}
    text = (
        f"{args.out}: {counted(len(both.spectra), 'scan')} of {counted(len(both.batches), 'batch')} of "
        f"{counted(both.batches['beer'].nunique(), 'beer')}, version {both.hash[:12]}\n"
        f"next: specmatch audit {args.out}"
    )
    return Outcome(results, text)
