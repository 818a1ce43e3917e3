"""Pages of a line: what its journals hold, waits and moved; a tag for what is held, a sheet of a lot."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import pandas as pd

from specmatch.batches import in_digits
from specmatch.errors import MissingExtraError, OptionError
from specmatch.house.decision.specification import day_of
from specmatch.line.charts import ControlChart, Drift, find_drifts, line_charts
from specmatch.line.journal.queries import decision_counts, entry_code, newest, refuse_unheld, waiting, when
from specmatch.line.journal.schema import UNREPLACED
from specmatch.line.rules.controls import CONTROL, CONTROL_HOURS
from specmatch.maths.statistics.control_charts import FARTHEST_SD
from specmatch.measurement.folder.dates import read_dates
from specmatch.report import plots
from specmatch.report.entry_text import decision_word, shown_colour, subject
from specmatch.report.pages.glance import span, verdict
from specmatch.report.pages.html import (
    Section,
    bullets,
    cautions,
    figure_of,
    framed,
    limits,
    table,
    text,
    versions,
    whole_page,
)
from specmatch.report.pages.readings import decision_mark, interval_bar, reading_sheet, stated_risks, what_to_do_and_why
from specmatch.warning_codes import HOLD, RESCAN
from specmatch.wording import counted, cut, cut_sentence, text_beside

if TYPE_CHECKING:
    from specmatch.line.journal.journal import Journal
    from specmatch.line.journal.schema import ChainCheck


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
    str, one HTML file that needs nothing outside itself

    Examples
    --------
    >>> with sm.Journal("line1.db", read_only=True) as journal:
    ...     "consistent" in journal_page([journal])
    True
    """
    counts, waits = decision_counts(journals), waiting(journals)
    rows, charts = newest(journals, last=MOST_ROWS), line_charts(journals)
    drifts, checks = find_drifts(charts), [journal.check() for journal in journals]
    checked = list(zip([journal.path.name for journal in journals], checks, strict=True))
    damaged = [f"{name}: {fault.sentence}" for name, check in checked for fault in check.faults]
    n, of_them = sum(counts.values()), ", ".join(f"{count} {name}" for name, count in counts.items() if count)
    can = [
        f"Say what was decided, when and why: {counted(n, 'reading')}, of them {of_them}."
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
    if waits:
        wait = "it waits" if len(waits) == 1 else "they wait"
        cannot.insert(0, f"Go on with {counted(len(waits), 'entry')}: {wait} for a retest or a person, see above.")
    hashes = {f"{name}: last hash of {counted(check.n_entries, 'entry')}": check.last_hash for name, check in checked}
    sections = [
        Section("waiting", "What waits", _waiting(waits)),
        limits(can, cannot, title="What this record can and cannot do"),
        *([Section("damaged", "Damage", bullets(damaged))] if damaged else []),
        Section("moved", "What moved", _moved(drifts, charts)),
        Section("entries", "The newest entries", _entries(rows)),
        versions(hashes),
    ]
    said = f"{counted(n, 'reading')}: {of_them}" if n else "no reading"
    first = verdict(_verdict(said, len(waits), damaged), _facts(journals, rows, waits, checks))
    departed = [row for row in rows if row.get("decision") in _DEPARTED and "nearest_beer" in row.get("reading", {})]
    sections += [_sheet(row, f"sheet-{place}") for place, row in enumerate(departed[-MOST_SHEETS:][::-1])]
    lead = f"The record of {', '.join(name for name, _ in checked)}; times as the scans state them."
    return whole_page("What the line did", lead, first, sections)


def _verdict(readings: str, n_waiting: int, damaged: Sequence[str]) -> str:
    waits = f"{counted(n_waiting, 'entry')} {'waits' if n_waiting == 1 else 'wait'} for somebody" if n_waiting else ""
    parts = ["This record is damaged, see below" if damaged else "", waits or "Nothing waits", readings]
    return f"{'; '.join(part for part in parts if part)}."


def _facts(
    journals: Sequence[Journal],
    rows: Sequence[Mapping[str, Any]],
    waiting: Sequence[Mapping[str, Any]],
    checks: Sequence[ChainCheck],
) -> dict[str, str]:
    # a scan that is dated in the future was not measured then; ten minutes are the clocks of two machines
    measured = (
        "SELECT min(measured_at), max(measured_at) FROM entries WHERE measured_unix <= strftime('%s', written_at) + 600"
    )
    bases = dict.fromkeys(
        f"model {str(row.get('model_hash', ''))[:12]} of {row['set_name']}" for row in rows if "set_name" in row
    )
    n, whole = sum(check.n_entries for check in checks), all(not check.faults for check in checks)
    first = waiting[0] if waiting else {}
    lot = f", lot {first['lot']}" if first.get("lot") else ""
    return {
        "measured": span(moment for journal in journals for ends in journal.query(measured) for moment in ends),
        "do next": f"{first['claimed'] or first['sample']}{lot}: {first['to_do']}" if first else "go on",
        "how sure": "; ".join(stated_risks(next((row for row in reversed(rows) if "coverage" in row), {}))),
        "judged by": ", ".join(list(bases)[-2:]),
        "record": f"{counted(n, 'entry')}, {'none altered' if whole else 'ALTERED'}",
        "it cannot": "say what a liquid is, or release anything: people do",
    }


def _waiting(waiting: Sequence[Mapping[str, Any]]) -> str:
    if not waiting:
        return "<p>Nothing waits for a retest or a person.</p>"
    whose = ((row["claimed"] or row["sample"], row["lot"] and f"lot {row['lot']}") for row in waiting)
    rows = [
        {
            "entry": row["entry"],
            "to do": row["to_do"],
            "beer and lot": ", ".join(filter(None, one)),
            "why": row["reason"],
            "measured": str(row["measured_at"] or "").replace("T", " "),
            "line": row["line"],
        }
        for row, one in zip(waiting, whose, strict=True)
    ]
    by_hand = "specmatch history JOURNAL --review ENTRY --outcome OUTCOME --operator NAME --note TEXT"
    caption = "What waits for another pour or for a person, oldest first"
    told = f"<p>A person settles an entry by <code>{by_hand}</code>, or on the board.</p>"
    return table(pd.DataFrame(rows).fillna(""), caption, cards="cards") + told


def _moved(drifts: Sequence[Drift], charts: Sequence[ControlChart]) -> str:
    # lines are told apart by their names, which a sentence about an instrument leaves out
    moved = [one.sentence if one.subject in one.sentence else f"{one.subject}: {one.sentence}" for one in drifts]
    body = bullets(moved) if moved else "<p>Nothing is seen to have moved.</p>"
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
    young = [chart for chart in charts if chart.baseline is None]
    if young:
        named = ", ".join(f"{chart.kind} of {chart.subject or 'the line'} ({len(chart.points)})" for chart in young)
        body += f"<p>No limits yet, too few points for a baseline (points): {text(named)}.</p>"
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
        known = reading.get("colour") is not None
        about = (row.get("claimed"), f"lot {row['lot']}" if row.get("lot") else "")
        shown.append(
            {
                "entry": row["entry"],
                "decision": decision_mark(row.get("decision")) if decided else row["kind"].replace("_", " "),
                "beer and lot": ", ".join(part for part in about if part),
                # a control is held against its own limits, and has no interval
                "colour": (interval_bar(reading, "", None) if row["kind"] != "control" else shown_colour(dict(row)))
                if known
                else "",
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


# one A6 holds a name and sentences of so many letters
_LONGEST_NAME, _LONGEST_SENTENCE, _LONGEST_REASON = 40, 160, 400
TAG_STYLE = text_beside(__file__, "tag.css")
_SIGN = '<div class="sign"><div>released or not</div><div>by whom</div><div>date and time</div></div>'
_SHAPES = {
    HOLD: '<rect x="4" y="4" width="92" height="92"/><path d="M36 24V76M64 24V76" stroke="#fff" stroke-width="14"/>',
    RESCAN: '<path d="M50 6 94 50 50 94 6 50Z" fill="none" stroke="#000" stroke-width="9"/>',
}


def hold_tag(journal: Journal, entry: int) -> str:
    """Return the tag of an entry that holds packages, or asks for another pour: one A6 to print and stick on.

    Parameters
    ----------
    journal : Journal
        Opened read-only will do.
    entry : int
        A reading or retest whose decision is `hold` or `rescan`.

    Returns
    -------
    str, one HTML file that needs nothing outside itself
        Its QR code holds the entry's code, which `specmatch history --review` takes.

    Raises
    ------
    MissingExtraError, OptionError, TableError
        If segno (extra `board`) is not installed; if nothing is held by this entry; if there is no such entry.

    Examples
    --------
    >>> with sm.Journal("line1.db", read_only=True) as journal:
    ...     hold_tag(journal, 3)
    Traceback (most recent call last):
    specmatch.errors.OptionError: entry 3 is consistent: a tag is for what is held or is to be poured again
    """
    row = journal.entry(entry)
    decision = row.get("decision")
    if row["kind"] not in ("reading", "retest") or decision not in _SHAPES:
        raise OptionError(f"entry {entry} is {decision_word(row)}: a tag is for what is held or is to be poured again")
    if later := journal.select("replaces = ?", (entry,), last=1):
        raise OptionError(f"entry {entry} was put right by entry {later[0]['entry']}: make the tag of what stands now")
    code = entry_code(journal, entry)
    reviews = journal.select("kind = 'review' AND concerns IN (?, ?)", (entry, row.get("concerns") or entry), last=1)
    done = f"<p><strong>Reviewed: {text(reviews[0].get('outcome') or 'seen')}</strong></p>" if reviews else ""
    where = " · ".join(part for part in (f"line {row['line']}" if row.get("line") else "", _time(row)) if part)
    body = (
        f'<main><h1><svg viewBox="0 0 100 100" aria-hidden="true">{_SHAPES[decision]}</svg>'
        f"{text(decision_word(row))}</h1>"
        f'<p class="name"><bdi>{text(cut(row.get("claimed"), _LONGEST_NAME))}</bdi></p>'
        f'<p class="lot">lot <bdi>{text(cut(row.get("lot") or "not stated", _LONGEST_NAME))}</bdi></p>'
        f'<p class="where">sample <bdi>{text(cut(row.get("sample"), _LONGEST_NAME))}</bdi> · {text(where)} · '
        f"{text(shown_colour(row))}</p>"
        f'<p class="to-do">{text(cut_sentence(row.get("advice"), _LONGEST_SENTENCE))}</p>{done}'
        f'<p class="why">{text(cut_sentence(row.get("reason"), _LONGEST_SENTENCE))}</p>'
        f'<div class="foot"><div class="code">{_drawn(code)}</div><div class="sign"><p>what was done</p><p>by whom</p>'
        f'<p>date and time</p><div class="small">{text(code)}<br>A screening check: people release.</div></div></div>'
        "</main>\n"
    )
    return framed(f"{decision_word(row)}: {row.get('claimed')}, lot {row.get('lot')}", body, style=TAG_STYLE)


def lot_sheet(journals: Sequence[Journal], lot: str, *, line: str | None = None) -> str:
    """Return the sheet of a lot, passed or not: what was checked, by which limits, and what that does not prove.

    Parameters
    ----------
    journals : sequence of Journal
        At least one; opened read-only will do.
    lot, line : str
        As the line stated it; of this line only, where it is given.

    Returns
    -------
    str, one HTML file for A4 that needs nothing outside itself

    Raises
    ------
    MissingExtraError, OptionError
        If segno (extra `board`) is not installed; if nothing of this lot is recorded.

    Examples
    --------
    >>> with sm.Journal("line1.db", read_only=True) as journal:
    ...     lot_sheet([journal], "nowhere")
    Traceback (most recent call last):
    specmatch.errors.OptionError: no journal holds a lot 'nowhere'
    """
    refuse_unheld(journals, lot=lot)
    where, values = "lot = ? AND kind IN ('reading', 'retest', 'review')", [lot]
    if line is not None:
        where, values = f"{where} AND line = ?", [lot, line]
    sql = f"{where} AND entry {UNREPLACED}"
    found = [(journal, row) for journal in journals for row in journal.select(sql, values)]
    found.sort(key=lambda pair: when(pair[1]))
    checked = [(journal, row) for journal, row in found if row["kind"] != "review"]
    if not checked:
        raise OptionError(f"no journal holds a lot {lot!r}" + (f" of line {line!r}" if line is not None else ""))
    waits = [row for row in waiting(journals) if row["lot"] == lot and line in (None, row["line"])]
    last_journal, last = checked[-1]
    code = entry_code(last_journal, last["entry"])
    reading = last.get("reading", {})
    facts = {
        "measured": span(row.get("measured_at") for _, row in checked),
        "colour": _colour(last),
        "last decision": f"{decision_word(last)}: {cut(last.get('reason'), _LONGEST_REASON)}",
        "do next": "; ".join(f"entry {row['entry']}: {row['to_do']}" for row in waits) or "nothing for this lot",
        "typical of": ", ".join(set(reading.get("plausible_beers") or ()) - {last.get("claimed")}),
        "how sure": "; ".join([f"{counted(len(checked), 'sample')} looked at", *stated_risks(last)]),
        "judged by": f"model {str(last.get('model_hash', ''))[:12]} of {last.get('set_name', '')}",
        "it cannot": "prove what the liquid is, or release it: people do",
        "code": code,
    }
    state = "Nothing waits for this lot"
    if waits:
        state = f"{counted(len(waits), 'entry')} of this lot {'waits' if len(waits) == 1 else 'wait'}"
    first = f'<div class="beside"><div>{verdict(f"{state}.", facts)}</div><div class="code">{_drawn(code)}</div></div>'
    sections = [
        Section("checked", "What was checked", _checked([row for _, row in found])),
        Section("limits", "By which limits and risks", _limits(checked)),
        Section("controls", "Controls before and between", _controls(checked)),
        Section("not", "What it does not prove", _not_proved([row for _, row in checked]) + cautions() + _SIGN),
    ]
    beers = ", ".join(dict.fromkeys(str(row.get("claimed") or "no claim") for _, row in checked))
    names = ", ".join(dict.fromkeys(journal.path.name for journal, _ in checked))
    lead = f"{cut(beers, _LONGEST_SENTENCE)}; by the record of {names}"
    return whole_page(f"Lot {cut(lot, _LONGEST_NAME)}", lead, first, sections, on_first=0)


def _checked(rows: Sequence[Mapping[str, Any]]) -> str:
    shown = []
    for row in rows:
        reading = row.get("reading", {})
        said = row.get("reason") if reading else f"{subject(dict(row))}: {row.get('reason')}"
        shown.append(
            {
                "entry": row["entry"],
                "time": _time(row),
                "line": row.get("line", ""),
                "sample": cut(row.get("sample"), _LONGEST_NAME),
                "claimed": cut(row.get("claimed"), _LONGEST_NAME),
                "pours": str(reading.get("n_pours", "")),
                "colour": _colour(row) if reading else "",
                "decision": decision_word(dict(row)),
                "reason": cut(said, _LONGEST_REASON),
            }
        )
    return table(pd.DataFrame(shown), f"All that is recorded of this lot: {counted(len(rows), 'entry')}", cards="cards")


def _colour(row: Mapping[str, Any]) -> str:
    low, high = (row.get("reading", {}).get(name) for name in ("colour_low", "colour_high"))
    if low is None or high is None:
        return shown_colour(dict(row))
    unit = row["reading"]["colour_unit"]
    return f"{shown_colour(dict(row))} ({in_digits(low, unit)} to {in_digits(high, unit)})"


def _limits(checked: Sequence[tuple[Journal, Mapping[str, Any]]]) -> str:
    bases: dict[tuple[str, ...], list[int]] = {}
    names = ("model_hash", "set_name", "set_hash", "false_reject_rate", "coverage", "specification_hash")
    for _, row in checked:
        bases.setdefault(tuple(str(row.get(name, "")) for name in names), []).append(row["entry"])
    rows = [
        {
            "entries": ", ".join(map(str, entries)),
            "house model": model[:16],
            "reference set": f"{name} {digest[:16]}",
            "a right claim is held": f"{float(rate):.1%} of readings" if rate else "",
            "colour intervals hold": f"{float(held):.0%} of lab values" if held else "",
            "limits and labels": limits[:16] or "none",
        }
        for (model, name, digest, rate, held, limits), entries in bases.items()
    ]  # fmt: skip
    body = table(pd.DataFrame(rows), "What the decisions rest on; hashes name the versions", cards="cards")
    beers = {str(row["claimed"]) for _, row in checked if row.get("claimed")}
    by_sheet: dict[str, list[tuple[Journal, Mapping[str, Any]]]] = {}
    for journal, row in checked:
        by_sheet.setdefault(str(row.get("specification_hash") or ""), []).append((journal, row))
    every = [
        {"entries": entries, **one}
        for digest, own in by_sheet.items() if digest
        for one, valid in _rows_of(own[0][0].document(digest))
        if (entries := ", ".join(str(row["entry"]) for _, row in own if _within(valid, day_of(row.get("measured_at")))))
    ]  # fmt: skip
    beers |= {str(one.get("beer")) for one in every if one.get("label") in beers}
    laid_down = [one for one in every if one.get("label", one.get("beer")) in beers]
    if not laid_down:
        of = text(", ".join(sorted(beers)))
        return f"{body}<p>No colour limits were laid down for {of}: the lot was judged by identity only.</p>"
    shown = pd.DataFrame(laid_down).fillna("")
    return body + table(shown, "Limits and labels laid down for what was claimed", cards="cards")


def _rows_of(sheets: str) -> list[tuple[dict[str, str], tuple[date | None, date | None]]]:
    """Return the rows of the sheets of limits and labels, as they stand in the record, and the days each is for."""
    found: list[tuple[dict[str, str], tuple[date | None, date | None]]] = []
    for part in re.split(r"^== .*\n", sheets, flags=re.MULTILINE)[1:]:
        rows = list(csv.DictReader(io.StringIO(part)))
        # one order of day and month for the sheet, as it was read when it was in force
        cells = [row.get(name) or "" for name in ("valid_from", "valid_to") for row in rows]
        times = read_dates(cells, range(len(cells)), "valid_from or valid_to", name="limits").times
        days = [None if time is None else time.date() for time in times]
        found += zip(rows, zip(days[: len(rows)], days[len(rows) :], strict=True), strict=True)
    return found


def _within(valid: tuple[date | None, date | None], on: date | None) -> bool:
    return on is None or ((valid[0] or date.min) <= on <= (valid[1] or date.max))


def _controls(checked: Sequence[tuple[Journal, Mapping[str, Any]]]) -> str:
    rows, longest = [], 0.0
    for journal, line in dict.fromkeys((journal, str(row.get("line", ""))) for journal, row in checked):
        of_line = [row for own, row in checked if own is journal and row.get("line", "") == line]
        times = [when(dict(row)) for row in of_line]
        # as long as a control vouched for this line then; where none was asked for, as long as one usually does
        force = [journal.entry(number) for number in {row["in_force"] for row in of_line if row.get("in_force")}]
        hours = max((float(one.get("control_hours", 0.0)) for one in force), default=0.0) or CONTROL_HOURS
        since, longest = min(times) - hours * 3600.0, max(longest, hours)
        sql = f"kind = ? AND line = ? AND measured_unix BETWEEN ? AND ? AND entry {UNREPLACED}"
        rows += journal.select(sql, (CONTROL, line, since, max(times)))
    if not rows:
        return f"<p>None is recorded in the {longest:g} hours before.</p>"
    shown = [
        {"entry": row["entry"], "time": _time(row), "line": row.get("line", ""), "what": subject(row),
         "decision": decision_word(row), "reason": row.get("reason") or ""} for row in rows
    ]  # fmt: skip
    return table(pd.DataFrame(shown), "Controls of these lines", cards="cards")


def _not_proved(rows: Sequence[Mapping[str, Any]]) -> str:
    # a retest's reading is of all pours of its run, `alone` of its own
    pours = sum(int(row.get("alone", row["reading"]).get("n_pours") or 0) for row in rows)
    claims = {row.get("claimed") for row in rows}
    others = sorted({beer for row in rows for beer in row["reading"].get("plausible_beers") or ()} - claims)
    said = [
        f"{counted(pours, 'pour')} of {counted(len(rows), 'sample')} were looked at; packages between them were not.",
        "Consistent says that a sample is not untypical of the claimed beer. A beer that looks like it, or a part of "
        "another beer in it, may pass: how often is in the evaluation of the reference set named above.",
        "A colour within limits is a reading with an interval, not a measurement by transmission.",
    ]
    if others:
        said.insert(1, f"On some of these readings other beers of the house are as plausible: {', '.join(others)}.")
    return bullets(said)


def _drawn(code: str) -> str:
    try:
        import segno
    except ImportError as error:
        raise MissingExtraError(
            "codes on tags need segno, which is not installed; install it from the project's folder with "
            "pip install '.[board]'"
        ) from error
    # M: a seventh of it may be torn or dirty
    drawn = segno.make(code, error="m", micro=False).svg_inline(omitsize=True, border=4, svgclass=None, lineclass=None)
    return f'<div role="img" aria-label="QR code: {text(code)}">{drawn}</div>'


def _time(row: Mapping[str, Any]) -> str:
    return str(row.get("measured_at") or row["written_at"])[:16].replace("T", " ")
