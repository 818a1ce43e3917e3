"""`specmatch history`: look back over journals, check them, export them, add what people have to say."""

import argparse
from contextlib import ExitStack
from dataclasses import asdict
from textwrap import fill
from typing import Any

from specmatch.cli.arguments import shown_row
from specmatch.cli.outcome import WIDTH, Outcome, screen
from specmatch.errors import OptionError
from specmatch.line.journal import queries
from specmatch.line.journal.journal import Journal
from specmatch.line.journal.queries import waiting as find_waiting
from specmatch.wording import CAUTIONS, counted


def run(args: argparse.Namespace) -> Outcome:
    """Open the journals and do the one thing asked for."""
    writes = args.review is not None or args.baseline is not None or args.override is not None
    if (writes or args.backup or args.expect) and len(args.journals) > 1:
        raise OptionError(
            "a review, a baseline, a backup or a hash kept elsewhere is of one journal; name that one alone"
        )
    if args.last < 1 or not args.false_alarm_days > 0.0:
        raise OptionError("--last and --false-alarm-days are above 0")
    with ExitStack() as stack:
        # a misspelt name must not become a new journal
        journals = [stack.enter_context(Journal(path, read_only=True)) for path in args.journals]
        if writes:
            return _write(args, stack.enter_context(Journal(args.journals[0])))
        if args.check:
            return _check(journals, args.expect or "")
        journals = queries.without_copies(journals)
        if args.backup:
            return _backup(journals[0], args.backup)
        if args.export:
            asked = {"lot": args.lot, "line": args.line or None, "since": args.since, "until": args.until}
            n = queries.export(journals, args.export, beer=args.beer, **asked)
            return Outcome({"export": args.export, "n_entries": n}, f"{args.export}: {counted(n, 'row')}")
        return _now(args, journals) if args.now else _look_back(args, journals)


def _write(args: argparse.Namespace, journal: Journal) -> Outcome:
    from specmatch.line.reviews import name_baseline, override, review
    from specmatch.report.entry_text import entry_line

    signed = {"outcome": args.outcome, "operator": args.operator, "note": args.note, "second": args.second}
    with journal.writing():
        if args.review is not None:
            row = review(journal, queries.entry_number(journal, args.review), **signed, correct=True)
        elif args.override is not None:
            row = override(journal, *args.override, line=args.line, **signed)
        else:
            row = name_baseline(journal, *args.baseline, operator=args.operator, note=args.note, line=args.line)
    return Outcome([row], entry_line(row, width=screen()[0]))


def _backup(journal: Journal, path: str) -> Outcome:
    found = journal.backup(path)
    results = {"backup": path, **found.__dict__}
    lines = [f"{path}: {counted(found.n_entries, 'entry')}, last hash {found.last_hash}"]
    lines += [f"  DAMAGED: {fault.sentence}" for fault in found.faults] or ["  the copy's chain holds"]
    return Outcome(results, "\n".join(lines), needs_look=bool(found.faults))


def _check(journals: list[Journal], expect: str) -> Outcome:
    results, lines = [], []
    holds = (
        "and goes through the hash kept elsewhere"
        if expect
        else "rows cut off at the end would show only against a last hash kept elsewhere (--expect HASH)"
    )
    for journal in journals:
        found = journal.check(expect=expect)
        results.append({"journal": str(journal.path), **found.__dict__})
        lines.append(f"{journal.path}: {counted(found.n_entries, 'entry')}, last hash {found.last_hash}")
        lines += [f"  DAMAGED: {fault.sentence}" for fault in found.faults]
        lines += [f"  clock: {note.sentence}" for note in found.clock_notes]
        if not found.faults:
            lines.append(f"  the chain holds{', ' if expect else '; '}{holds}")
    return Outcome(results, "\n".join(lines), needs_look=any(result["faults"] for result in results))


def _now(args: argparse.Namespace, journals: list[Journal]) -> Outcome:
    from specmatch.line.now import line_now
    from specmatch.report.entry_text import now_text

    asked = [(journal, line) for journal in journals for line in queries.lines_of(journal) if args.line in ("", line)]
    if not asked and args.line:
        known = (
            ", ".join(line or "one without a name" for journal in journals for line in queries.lines_of(journal))
            or "none"
        )
        raise OptionError(f"no journal holds line {args.line!r}; lines: {known}")
    found = [(journal, line_now(journal, line)) for journal, line in asked]
    width, height = screen()
    texts = [now_text(now, str(j.path), width=width, height=height // len(found)) for j, now in found]
    results = [
        {"journal": str(journal.path), **asdict(now), "last": now.last and shown_row(now.last),
         "newest": [shown_row(row) for row in now.newest]} for journal, now in found
    ]  # fmt: skip
    look = any(now.stops or now.waiting for _, now in found)
    return Outcome(results, "\n\n".join(texts) or "no entries", needs_look=look)


def _look_back(args: argparse.Namespace, journals: list[Journal]) -> Outcome:
    from specmatch.line.charts import NOTHING, find_drifts, line_charts, upkeep
    from specmatch.report.entry_text import chart_line, entry_line, waiting_lines

    width, _ = screen()
    queries.refuse_unheld(journals, claimed=args.beer)
    counts = queries.decision_counts(journals, beer=args.beer)
    waiting = find_waiting(journals, beer=args.beer)
    rows = queries.newest(journals, beer=args.beer, last=args.last)
    charts = line_charts(journals, beer=args.beer, false_alarm_days=args.false_alarm_days)
    drifts = find_drifts(charts)
    shifts = [] if args.beer else queries.last_shifts(journals)
    actions = [] if args.beer else upkeep(journals, drifts)
    results: dict[str, Any] = {
        "journals": [str(journal.path) for journal in journals], "counts": counts, "shifts": shifts,
        "waiting": waiting, "charts": [asdict(chart) | {"drifting": chart.drifting} for chart in charts],
        "drifts": drifts, "upkeep": actions, "entries": [shown_row(row) for row in rows],
    }  # fmt: skip
    blocks = [[f"{args.beer or 'all beers'}: " + ", ".join(f"{n} {name}" for name, n in counts.items())]]
    if shifts:
        names = ["readings", "consistent", "rescan", "hold", "read-only", "controls", "left-out"]
        table = [f"{'shift':<17} {'line':<8}" + "".join(f"{name:>11}" for name in names)]
        for shift in shifts:
            numbers = list(asdict(shift).values())
            table.append(f"{numbers[0]:<17} {numbers[1]:<8}" + "".join(f"{n:>11}" for n in numbers[2:]))
        blocks.append(table)
    if waiting:
        blocks.append([line for row in waiting for line in waiting_lines(row, width=width)])
    blocks.append([entry_line(row, width=width) for row in rows] or ["no entries"])
    blocks.append([chart_line(chart) for chart in charts if chart.baseline is not None or args.beer])
    young = [
        f"{chart.kind} of {chart.subject or 'a line without a name'}"
        for chart in charts
        if chart.baseline is None and not args.beer
    ]
    blocks.append([f"no limits yet (fewer points than a baseline needs): {', '.join(young)}"] if young else [])
    blocks.append([f"moved: {drift.sentence}" for drift in drifts])
    to_do = [f"to do: {action.action} {action.subject}".rstrip() + f": {action.evidence}" for action in actions]
    if waiting and [action.action for action in actions] == [NOTHING]:
        to_do = [f"to do: see what WAITS above; else {NOTHING}: {actions[0].evidence}"]
    blocks.append(to_do)
    text = "\n\n".join("\n".join(block) for block in [*blocks, [fill(CAUTIONS, WIDTH)]] if block)
    return Outcome(results, text, needs_look=bool(waiting or drifts))
