"""`specmatch audit`: judge a reference set before anything is fitted on it."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import add_signature, share, signature
from specmatch.cli.outcome import Outcome, tell
from specmatch.storage import write_atomic
from specmatch.wording import counted

HELP = "judge a reference set before anything is fitted on it"
EXAMPLE = "specmatch audit sets/house"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `audit`."""
    share(parser, "set")
    parser.add_argument(
        "--settle", action="append", default=[], metavar="FINDING",
        help="settle a finding, or all of a code: it comes back only if what it rests on changes; may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--advice", metavar="SHEET", help="write the edits that are advised into a sheet, to strike out and to make"
    )
    parser.add_argument(
        "--costs", action="store_true", help="say what the findings cost: two fits a code, batches held out"
    )
    share(parser, "jobs")
    add_signature(parser, "settled it", why="why it is settled, for the history")


def run(args: argparse.Namespace) -> Outcome:
    """Audit and list the findings by what to do, worst first; or settle some of them."""
    from specmatch.report.set_text import group_lines, grouped

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
    """Write the edits that are advised as a sheet."""
    import pandas as pd

    from specmatch.reference.tending.edit_sheet import COLUMNS

    sheet = pd.DataFrame(edits, columns=list(COLUMNS)).to_csv(index=False, lineterminator="\n")
    write_atomic(args.advice, sheet.encode("utf-8"))
    return (
        f"{args.advice}: {counted(len(edits), 'edit')} advised; strike out what is not so, then\n"
        f"next: specmatch edit {args.set} --sheet {args.advice}"
    )
