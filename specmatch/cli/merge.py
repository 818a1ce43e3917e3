"""`specmatch merge`: two reference sets, such as those of two sites, as one."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import add_signature, signature
from specmatch.cli.extend import add_take, conflict_outcome, taken
from specmatch.cli.outcome import Outcome
from specmatch.errors import ConflictError
from specmatch.wording import counted

HELP = "join two reference sets, such as those of two sites or lines, in a third; conflicts are listed"
EXAMPLE = "specmatch merge sets/north sets/south --out sets/both"
SIDES = ("FIRST", "SECOND", "BOTH")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `merge`."""
    parser.add_argument("first", metavar="SET", help="folder of a reference set; its history goes on")
    parser.add_argument("second", metavar="SET", help="folder of another")
    parser.add_argument("--out", required=True, metavar="SET", help="folder of the set to write")
    add_signature(parser, "joined them", reason="two sets as one")
    add_take(parser, SIDES)


def run(args: argparse.Namespace) -> Outcome:
    """Join and save, or list what the two say differently."""
    first, second = sm.ReferenceSet.load(args.first), sm.ReferenceSet.load(args.second)
    try:
        both = sm.merge_sets(first, second, take=taken(args.take, SIDES), **signature(args))
    except ConflictError as error:
        return conflict_outcome(args.out, error, ("first", "second"))
    both.save(args.out)
    results = {"set": args.out, "hash": both.hash, "n_scans": len(both.spectra), "n_batches": len(both.batches)}
    text = (
        f"{args.out}: {counted(len(both.spectra), 'scan')} of {counted(len(both.batches), 'batch')} of "
        f"{counted(both.batches['beer'].nunique(), 'beer')}, version {both.hash[:12]}\n"
        f"next: specmatch audit {args.out}"
    )
    return Outcome(results, text)
