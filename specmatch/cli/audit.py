"""`specmatch audit`: judge a reference set before anything is fitted on it."""

import argparse

import pandas as pd

import specmatch as sm
from specmatch.cli.arguments import signature
from specmatch.cli.outcome import Outcome, tell
from specmatch.reference.tables.edits import COLUMNS
from specmatch.report.text import group_lines, grouped
from specmatch.storage import write_atomic
from specmatch.wording import counted


def run(args: argparse.Namespace) -> Outcome:
    """Audit and list the findings by what to do, worst first; or settle some of them."""
    refs = sm.ReferenceSet.load(args.set)
    settled = []
    for finding in args.settle:
        refs = refs.settle(finding, **signature(args))
        settled.append(refs.history[-1]["what"])
    if settled:
        refs.save(args.set)
    every = refs.audit(settled=True)
    findings = refs.audit() if refs.history else every
    groups = grouped(findings, refs.scans, refs.batches, args.set)
    quiet = len(every) - len(findings)
    lines = [f"{args.set}: {line}" for line in settled]
    if findings.empty:
        lines.append(f"{args.set}: no finding that is open{f' ({quiet} settled)' if quiet else ''}")
        lines.append(f"next: specmatch fit {args.set} --out house.model")
    else:
        things = f"{counted(len(groups), 'thing')} to do" if len(groups) != 1 else "one thing to do"
        settled_words = f"; {quiet} more settled" if quiet else ""
        lines.append(f"{args.set}: {things}, from {counted(len(findings), 'finding')}, worst first{settled_words}")
        edits = [edit for group in groups for edit in group["edits"]]
        if args.advice:
            lines.append(_write_advice(args, edits))
        else:
            lines += group_lines(groups)
            if edits:
                lines.append(
                    f"next: specmatch audit {args.set} --advice advice.csv writes the {counted(len(edits), 'edit')} "
                    "advised into a sheet"
                )
    notes = list(findings.attrs.get("notes", ()))
    results = {"set": args.set, "hash": refs.hash, "findings": findings, "groups": groups, "settled": quiet,
               "not_told": notes}  # fmt: skip
    if args.costs:
        from specmatch.report.text import text_table

        tell("fitting with and without the advice")
        results["costs"] = costs = sm.finding_costs(refs, n_jobs=args.jobs)
        shown = text_table(costs.round(4)) if len(costs) else "no finding asks for an edit whose cost could be told"
        lines.append(f"what following the advice changes, batches held out:\n{shown}")
    lines += [f"not told: {note}" for note in notes]
    return Outcome(results, "\n".join(lines), needs_look=not findings.empty)


def _write_advice(args: argparse.Namespace, edits: list[dict[str, str]]) -> str:
    sheet = pd.DataFrame(edits, columns=list(COLUMNS)).to_csv(index=False, lineterminator="\n")
    write_atomic(args.advice, sheet.encode("utf-8"))
    return (
        f"{args.advice}: {counted(len(edits), 'edit')} advised; strike out what is not so, then\n"
        f"next: specmatch edit {args.set} --sheet {args.advice}"
    )
