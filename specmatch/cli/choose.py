"""`specmatch choose`: which batches to send to the lab next, and what more batches would buy."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome
from specmatch.report.text import text_table


def run(args: argparse.Namespace) -> Outcome:
    """Rank batches without a lab colour and tabulate the learning curve, or name those to teach a module by."""
    refs = sm.ReferenceSet.load(args.set)
    if args.transfer is not None:
        shared = sm.choose_batches(refs, transfer=args.transfer)
        text = f"measure these on the second module, real beer, poured as for the set:\n{text_table(shared[['beer']])}"
        return Outcome({"set": args.set, "hash": refs.hash, "chosen": shared}, text)
    chosen = sm.choose_batches(refs, args.number, method=args.method)
    curve = sm.learning_curve(refs, n_jobs=args.jobs)
    parts = ["every batch has a lab colour" if chosen.empty else "measure these first:\n" + text_table(chosen)]
    parts.append("what more batches would buy (estimates):\n" + text_table(curve))
    results = {"set": args.set, "hash": refs.hash, "chosen": chosen, "learning_curve": curve}
    return Outcome(results, "\n\n".join(parts))
