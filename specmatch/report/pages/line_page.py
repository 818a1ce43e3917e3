"""The page of a line: what its journals hold, what waits, what moved, and a sheet for each of the newest departures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from specmatch.line.charts.control_chart import ControlChart
from specmatch.line.charts.drift import Drift, find_drifts
from specmatch.line.charts.series import line_charts
from specmatch.line.journal.queries import decision_counts, newest
from specmatch.line.journal.queries import waiting as find_waiting
from specmatch.maths.statistics.control_charts import FARTHEST_SD
from specmatch.report import plots
from specmatch.report.pages.glance import span, verdict
from specmatch.report.pages.html import Section, bullets, figure_of, limits, section, table, text, versions, whole_page
from specmatch.report.pages.readings import decision_mark, interval_bar, reading_sheet, stated_risks, what_to_do_and_why
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.line.journal.hash_chain import ChainCheck
    from specmatch.line.journal.journal import Journal

# what a page can hold and still be read; `specmatch history` shows and exports the rest
MOST_ROWS, MOST_CHARTS, MOST_SHEETS = 60, 12, 10
_DEPARTED = ("hold", "rescan")


def journal_page(journals: Sequence[Journal]) -> str:
    """Return the page of one line or several.

    Parameters
    ----------
    journals : sequence of Journal
        At least one; opened read-only will do.

    Returns
    -------
    str
        One HTML file that needs nothing outside itself.

    Examples
    --------
    >>> from specmatch.line.journal.journal import Journal
    >>> with Journal("line1.db", read_only=True) as journal:
    ...     page = journal_page([journal])
    >>> page.startswith("<!DOCTYPE html>"), "consistent" in page
    (True, True)
    """
    counts, waiting = decision_counts(journals), find_waiting(journals)
    rows, charts = newest(journals, last=MOST_ROWS), line_charts(journals)
    drifts, checks = find_drifts(charts), [journal.check() for journal in journals]
    damaged = [
        f"{journal.path.name}: {fault.sentence}"
        for journal, check in zip(journals, checks, strict=True)
        for fault in check.faults
    ]
    n = sum(counts.values())
    can = [
        f"Say what was decided, when and why: {counted(n, 'reading')}, of them "
        + ", ".join(f"{count} {name}" for name, count in counts.items() if count)
        + "."
        if n
        else "Say what was decided, when and why, once there is a reading.",
        "Show that a row was changed or taken out: every row is sealed to the one before it.",
    ]
    cannot = [
        "Show a tail that was cut off, or a file rebuilt whole, unless a last hash is kept elsewhere.",
        "Say what a liquid is: a decision is a screening check.",
    ]
    if damaged:
        cannot.insert(0, "Be trusted as it stands: rows were altered or are missing, see below.")
    if waiting:
        wait = "it waits" if len(waiting) == 1 else "they wait"
        cannot.insert(0, f"Go on with {counted(len(waiting), 'entry')}: {wait} for a retest or a person, see above.")
    sections = [limits(can, cannot, title="What this record can and cannot do")]
    if damaged:
        sections.append(Section("damaged", "Damage", bullets(damaged)))
    first = verdict(_verdict(counts, len(waiting), damaged), _facts(journals, rows, waiting, checks)) + section(
        Section("waiting", "What waits", _waiting(waiting))
    )
    sections.append(Section("moved", "What moved", _moved([_drifted(drift) for drift in drifts], charts)))
    sections.append(Section("entries", "The newest entries", _entries(rows)))
    hashes = {
        f"{journal.path.name}: last hash of {counted(check.n_entries, 'entry')}": check.last_hash
        for journal, check in zip(journals, checks, strict=True)
    }
    sections.append(Section("versions", "Versions and hashes", versions(hashes)))
    departed = [row for row in rows if row.get("decision") in _DEPARTED and "nearest_beer" in row.get("reading", {})]
    sections += [_sheet(row, f"sheet-{place}") for place, row in enumerate(departed[-MOST_SHEETS:][::-1])]
    names = ", ".join(journal.path.name for journal in journals)
    lead = f"The record of {names}; times as the scans state them."
    return whole_page("What the line did", lead, first, sections)


def _verdict(counts: Mapping[str, int], n_waiting: int, damaged: Sequence[str]) -> str:
    n = sum(counts.values())
    said = f"{counted(n, 'reading')}: " + ", ".join(f"{count} {name}" for name, count in counts.items() if count)
    waits = f"{counted(n_waiting, 'entry')} {'waits' if n_waiting == 1 else 'wait'} for somebody" if n_waiting else ""
    parts = [
        "This record is damaged, see below" if damaged else "",
        waits or "Nothing waits",
        said if n else "no reading",
    ]
    return f"{'; '.join(part for part in parts if part)}."


def _facts(
    journals: Sequence[Journal],
    rows: Sequence[Mapping[str, Any]],
    waiting: Sequence[Mapping[str, Any]],
    checks: Sequence[ChainCheck],
) -> dict[str, str]:
    measured = "SELECT min(measured_at), max(measured_at) FROM entries"
    bases = dict.fromkeys(
        f"model {str(row.get('model_hash', ''))[:12]} of {row['set_name']}" for row in rows if "set_name" in row
    )
    n, whole = sum(check.n_entries for check in checks), all(not check.faults for check in checks)
    first = waiting[0] if waiting else {}
    lot = f", lot {first['lot']}" if first.get("lot") else ""
    return {
        "measured": span(moment for journal in journals for ends in journal.query(measured) for moment in ends),
        "do next": f"{first['claimed'] or first['sample']}{lot}: {first['to_do']}" if first else "go on",
        "how sure": "; ".join(stated_risks(rows[-1])) if rows else "",
        "judged by": ", ".join(list(bases)[-2:]),
        "record": f"{counted(n, 'entry')}, {'none altered' if whole else 'ALTERED'}",
        "it cannot": "say what a liquid is, or release anything: people do",
    }


def _waiting(waiting: Sequence[Mapping[str, Any]]) -> str:
    if not waiting:
        return "<p>Nothing waits for a retest or a person.</p>"
    rows = pd.DataFrame(
        [
            {
                "entry": row["entry"],
                "to do": row["to_do"],
                "beer and lot": ", ".join(
                    filter(None, (row["claimed"] or row["sample"], row["lot"] and f"lot {row['lot']}"))
                ),
                "why": row["reason"],
                "measured": str(row["measured_at"] or "").replace("T", " "),
                "line": row["line"],
            }
            for row in waiting
        ]
    )
    by_hand = "specmatch history JOURNAL --review ENTRY --outcome OUTCOME --operator NAME --note TEXT"
    return (
        table(rows.fillna(""), "What waits for another pour or for a person, oldest first", cards="cards")
        + f"<p>A person settles an entry by <code>{by_hand}</code>, or on the board.</p>"
    )


def _drifted(drift: Drift) -> str:
    # lines are told apart by their names, which a sentence about an instrument leaves out
    return drift.sentence if drift.subject in drift.sentence else f"{drift.subject}: {drift.sentence}"


def _moved(sentences: Sequence[str], charts: Sequence[ControlChart]) -> str:
    body = bullets(sentences) if sentences else "<p>Nothing is seen to have moved.</p>"
    drawn = [chart for chart in charts if chart.baseline is not None]
    if drawn:
        body += (
            "<p>A point signals alone where it lies beyond the limits, with others where the moving average or the sum "
            f"of departures does. To these two no point is farther than {FARTHEST_SD:g} standard deviations from the "
            "mean, so that one mix-up is no drift.</p>"
        )
    # those that drift come first, then those that signal: nothing that matters is beyond the last one drawn
    drawn.sort(key=lambda chart: (not chart.drifting, -len(chart.signals)))
    for place, chart in enumerate(drawn[:MOST_CHARTS]):
        signals, points = counted(len(chart.signals), "signal"), counted(len(chart.points), "point")
        said = f"{signals} in {points}; limits from {chart.baseline_name}."
        of = {"of": f"{chart.kind} of {chart.subject or 'the line'}"}
        body += figure_of("chart", plots.plot_control_chart, chart, says=said, mark=f"chart{place}", words=of)
    young = [
        f"{chart.kind} of {chart.subject or 'the line'} ({len(chart.points)})"
        for chart in charts
        if chart.baseline is None
    ]
    if young:
        body += f"<p>No limits yet, too few points for a baseline (points): {text(', '.join(young))}.</p>"
    if len(drawn) > MOST_CHARTS:
        body += f"<p>{len(drawn) - MOST_CHARTS} more charts with fewer signals are not drawn.</p>"
    return body


def _entries(rows: Sequence[Mapping[str, Any]]) -> str:
    if not rows:
        return "<p>No entries.</p>"
    shown = []
    # what departed stands first, and each part newest first
    for row in sorted(reversed(rows), key=lambda row: row.get("decision") not in _DEPARTED):
        reading = row.get("reading", {})
        said = {**reading, **{name: row.get(name) for name in ("reason", "advice")}}
        decided = row["kind"] in ("reading", "retest", "control")
        about = (row.get("claimed"), f"lot {row['lot']}" if row.get("lot") else "")
        shown.append(
            {
                "entry": row["entry"],
                "decision": decision_mark(row.get("decision")) if decided else row["kind"].replace("_", " "),
                "beer and lot": ", ".join(part for part in about if part),
                "colour": interval_bar(reading, "", None) if reading.get("colour") is not None else "",
                "what to do, and why": what_to_do_and_why(said),
                "measured": str(row.get("measured_at") or row["written_at"]).replace("T", " "),
                "line": row.get("line", ""),
                "operator": row.get("operator") or "",
            }
        )
    table_of = pd.DataFrame(shown)
    empty = [column for column in ("line", "operator") if not table_of[column].any()]
    caption = f"The newest {counted(len(rows), 'entry')}: what departed first, each part newest first"
    return table(table_of.drop(columns=empty), caption, cards="cards")


def _sheet(row: Mapping[str, Any], anchor: str) -> Section:
    reading = {**row["reading"], **{name: row.get(name) for name in ("claimed", "decision", "reason", "advice")}}
    about = {
        "lot": row.get("lot"),
        "line": row.get("line"),
        "operator": row.get("operator"),
        "measured": row.get("measured_at"),
        "entry": f"{row['entry']} (run {row['run_state']})" if row.get("run_state") else row["entry"],
        "house model": str(row.get("model_hash", ""))[:16],
        "reference set": f"{row.get('set_name', '')} {str(row.get('set_hash', ''))[:16]}",
    }
    return Section(anchor, f"Sample {row.get('sample')}", reading_sheet(reading, about=about), sheet=True)
