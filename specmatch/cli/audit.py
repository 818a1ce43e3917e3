"""`specmatch audit`: judge a reference set before anything is fitted on it."""

import argparse

from specmatch.cli.outcome import Outcome
from specmatch.wording import counted

COMMAND = "audit"
HELP = "judge a reference set before anything is fitted on it"
EXAMPLE = "specmatch audit sets/house"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `audit`."""
    parser.add_argument("set", metavar="SET", help="folder of a reference set")


def run(args: argparse.Namespace) -> Outcome:
    """Audit and list the findings, worst first."""
    from specmatch.reference.reference_set import ReferenceSet

    refs = ReferenceSet.load(args.set)
    findings = refs.audit()
    if findings.empty:
        text = f"{args.set}: no finding\nnext: specmatch fit {args.set} --out house.model"
    else:
        lines = [
            f"{place}. {row['sentence']} [{row['code']}]\n   do: {row['action']}"
            + (f"\n   suggestion: {row['suggestion']}" if row["suggestion"] else "")
            for place, (_, row) in enumerate(findings.iterrows(), start=1)
        ]
        order = ", worst first" if len(findings) > 1 else ""
        text = f"{args.set}: {counted(len(findings), 'finding')}{order}\n" + "\n".join(lines)
    notes = list(findings.attrs.get("notes", ()))
    text += "".join(f"\nnot told: {note}" for note in notes)
    results = {"set": args.set, "hash": refs.hash, "findings": findings, "not_told": notes}
    return Outcome(results, text, needs_look=not findings.empty)
