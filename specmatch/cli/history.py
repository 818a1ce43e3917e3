"""`specmatch history`: look back over journals, check them, export them, add what people have to say."""

import argparse
from textwrap import fill
from typing import TYPE_CHECKING, Any

from specmatch.cli.outcome import WIDTH, Outcome
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.line.journal.journal import Journal

COMMAND = "history"
HELP = "what a line did: the last shifts, runs that wait, charts, upkeep; check and export the record"
EXAMPLE = "specmatch history line1.db line2.db --beer 'House Pils'"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `history`."""
    parser.add_argument("journals", nargs="+", metavar="DB", help="one or several journals")
    parser.add_argument("--beer", metavar="BEER", help="only what was claimed to be this beer")
    parser.add_argument("--last", type=int, default=20, metavar="N", help="newest rows to show (default 20)")
    parser.add_argument("--check", action="store_true", help="follow the chain of hashes, name altered or missing rows")
    parser.add_argument("--export", metavar="FILE", help="write the rows to a .csv or .json file")
    parser.add_argument(
        "--review", type=int, metavar="ENTRY", help="clear the run of an entry (with --operator, --note)"
    )
    parser.add_argument(
        "--baseline",
        nargs=2,
        metavar=("FROM", "TO"),
        help="name the period that charts take their limits from, times with offset (with --operator, --note)",
    )
    parser.add_argument("--line", default="", metavar="NAME", help="line of the baseline (default: all)")
    parser.add_argument("--operator", default="", metavar="NAME", help="who reviews or names")
    parser.add_argument("--note", default="", metavar="TEXT", help="what was found and done")


def run(args: argparse.Namespace) -> Outcome:
    """Open the journals and do the one thing asked for."""
    from contextlib import ExitStack

    from specmatch.errors import OptionError
    from specmatch.line.journal.journal import Journal

    writes = args.review is not None or args.baseline is not None
    if writes and len(args.journals) > 1:
        raise OptionError("a review or a baseline goes into one journal; name that one alone")
    with ExitStack() as stack:
        # a misspelt name must not become a new journal
        journals = [stack.enter_context(Journal(path, read_only=True)) for path in args.journals]
        if writes:
            return _write(args, stack.enter_context(Journal(args.journals[0])))
        if args.check:
            return _check(journals)
        if args.export:
            from specmatch.line.journal.queries import export

            n = export(journals, args.export, beer=args.beer)
            return Outcome({"export": args.export, "n_entries": n}, f"{args.export}: {counted(n, 'row')}")
        return _look_back(args, journals)


def _write(args: argparse.Namespace, journal: "Journal") -> Outcome:
    from specmatch.line.recording import name_baseline, review
    from specmatch.report.entry_text import entry_line

    with journal.writing():
        if args.review is not None:
            row = review(journal, args.review, operator=args.operator, note=args.note)
        else:
            row = name_baseline(journal, *args.baseline, operator=args.operator, note=args.note, line=args.line)
    return Outcome([row], entry_line(row))


def _check(journals: "list[Journal]") -> Outcome:
    results, lines = [], []
    for journal in journals:
        found = journal.check()
        results.append({"journal": str(journal.path), **found.__dict__})
        lines.append(f"{journal.path}: {counted(found.n_entries, 'entry')}, last hash {found.last_hash}")
        lines += [f"  DAMAGED: {fault.sentence}" for fault in found.faults]
        lines += [f"  clock: {note.sentence}" for note in found.clock_notes]
        if not found.faults:
            lines.append(
                "  the chain holds; rows cut off at the end would show only against a last hash kept elsewhere"
            )
    return Outcome(results, "\n".join(lines), needs_look=any(result["faults"] for result in results))


def _look_back(args: argparse.Namespace, journals: "list[Journal]") -> Outcome:
    from dataclasses import asdict

    from specmatch.cli.arguments import shown_row
    from specmatch.line.charts.drift import NOTHING, find_drifts, upkeep
    from specmatch.line.charts.series import line_charts
    from specmatch.line.journal.queries import decision_counts, last_shifts, newest, waiting_runs
    from specmatch.report.entry_text import chart_line, entry_line
    from specmatch.wording import CAUTIONS

    counts = decision_counts(journals, beer=args.beer)
    waiting = waiting_runs(journals, beer=args.beer)
    rows = newest(journals, beer=args.beer, last=args.last)
    charts = line_charts(journals, beer=args.beer)
    drifts = find_drifts(charts)
    shifts = [] if args.beer else last_shifts(journals)
    actions = [] if args.beer else upkeep(journals, drifts)
    results: dict[str, Any] = {
        "journals": [str(journal.path) for journal in journals],
        "counts": counts,
        "shifts": [asdict(shift) for shift in shifts],
        "waiting": waiting,
        "charts": [asdict(chart) | {"drifting": chart.drifting} for chart in charts],
        "drifts": [asdict(drift) for drift in drifts],
        "upkeep": [asdict(action) for action in actions],
        "entries": [shown_row(row) for row in rows],
    }
    blocks = [[f"{args.beer or 'all beers'}: " + ", ".join(f"{n} {name}" for name, n in counts.items())]]
    if shifts:
        names = ["readings", "consistent", "rescan", "hold", "read-only", "controls", "left-out"]
        table = [f"{'shift':<17} {'line':<8}" + "".join(f"{name:>11}" for name in names)]
        for shift in shifts:
            numbers = list(asdict(shift).values())
            table.append(f"{numbers[0]:<17} {numbers[1]:<8}" + "".join(f"{n:>11}" for n in numbers[2:]))
        blocks.append(table)
    if waiting:
        blocks.append(
            [f"WAITS: entry {run['entry']}, {run['claimed']}, lot {run['lot'] or 'unknown'}, line {run['line'] or '-'}"
             f": {run['run_state']} since {run['measured_at']}" for run in waiting]
            + ["open: pour again; held: find out why, then history DB --review ENTRY --operator NAME --note TEXT"]
        )  # fmt: skip
    blocks.append([entry_line(row) for row in rows] or ["no entries"])
    blocks.append([chart_line(chart) for chart in charts if chart.baseline is not None or args.beer])
    young = [f"{chart.kind} of {chart.subject}" for chart in charts if chart.baseline is None and not args.beer]
    blocks.append([f"no limits yet (fewer points than a baseline needs): {', '.join(young)}"] if young else [])
    blocks.append([f"moved: {drift.sentence}" for drift in drifts])
    to_do = [f"to do: {action.action} {action.subject}".rstrip() + f": {action.evidence}" for action in actions]
    if waiting and [action.action for action in actions] == [NOTHING]:
        to_do = [f"to do: see what WAITS above; else {NOTHING}: {actions[0].evidence}"]
    blocks.append(to_do)
    text = "\n\n".join("\n".join(block) for block in [*blocks, [fill(CAUTIONS, WIDTH)]] if block)
    return Outcome(results, text, needs_look=bool(waiting or drifts))
