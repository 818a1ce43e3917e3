"""`specmatch merge`: two reference sets, such as those of two sites, as one."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import signature
from specmatch.cli.extend import conflict_outcome, taken
from specmatch.cli.outcome import Outcome
from specmatch.errors import ConflictError
from specmatch.wording import counted

SIDES = ("FIRST", "SECOND", "BOTH")


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
