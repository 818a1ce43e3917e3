"""Looking back: what the last shifts brought, counts of decisions, exports; and everything that waits for a person."""

import csv
import io
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from specmatch.errors import OptionError, TableError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.schema import COLUMNS, UNREPLACED, sql_of
from specmatch.storage import write_atomic
from specmatch.wording import CAUTIONS, guarded_cell, nearest_name

# three shifts a day change over at six, two and ten (common practice, no source)
SHIFT_HOURS = (6, 14, 22)
BASELINE = "baseline"
DECIDED = "kind IN ('reading', 'retest')"


@dataclass(frozen=True)
class ShiftCounts:
    """What one line did in one shift."""

    started: str  # local time, as the scans state it
    line: str
    n_readings: int  # readings and retests
    consistent: int  # consistent, rescan, hold, read_only: of them, by decision; `read_only` had no claim
    rescan: int
    hold: int
    read_only: int
    controls: int
    left_out: int


def newest(journals: Sequence[Journal], *, beer: str | None = None, last: int = 20) -> list[Record]:
    """Return the newest rows of several journals in the order of time, each with the journal's name."""
    where, values = ("1", ()) if beer is None else (f"claimed = ? AND {DECIDED}", (beer,))
    rows = [
        {"journal": str(journal.path), **row}
        for journal in journals
        for row in journal.select(where, values, last=last)
    ]
    return sorted(rows, key=when)[-last:]


def lines_of(journal: Journal) -> list[str]:
    """Return the names of the lines that a journal is of, by name."""
    return sorted(line for (line,) in journal.query("SELECT DISTINCT line FROM entries WHERE line IS NOT NULL"))


def named_baseline(journal: Journal, line: str) -> Record | None:
    """Return the newest baseline period that somebody named for a line (or for all lines), if any."""
    found = journal.select("kind = ? AND line IN (?, '')", (BASELINE, line), last=1)
    return found[0] if found else None


def when(row: Record) -> float:
    """Return the time of a row in seconds since 1970: when measured, but never after it was written."""
    written, measured = datetime.fromisoformat(row["written_at"]).timestamp(), row.get("measured_unix")
    return written if measured is None else min(float(measured), written)


def decision_counts(journals: Sequence[Journal], *, beer: str | None = None) -> dict[str, int]:
    """Count decisions over whole journals; those that a later entry replaces are not counted twice."""
    counts = {"consistent": 0, "rescan": 0, "hold": 0, "reading only": 0}
    sql = f"SELECT decision, count(*) FROM entries WHERE {DECIDED}{' AND claimed = ?' if beer is not None else ''}"
    key = () if beer is None else (beer,)
    # counted whole out of the index, then the few that were replaced are taken off
    replaced = f"{sql} AND entry IN (SELECT replaces FROM entries WHERE replaces IS NOT NULL) GROUP BY decision"
    for journal in journals:
        for sign, asked in ((1, f"{sql} GROUP BY decision"), (-1, replaced)):
            for decision, n in journal.query(asked, key):
                counts[decision or "reading only"] += sign * n
    return counts


def shift_start(measured_at: str) -> str:
    """Return the start of the shift that a time lies in, on the clock that the time itself states."""
    time = datetime.fromisoformat(measured_at)
    hours = [hour for hour in SHIFT_HOURS if hour <= time.hour]
    day = time if hours else time - timedelta(days=1)
    return f"{day:%Y-%m-%d} {(hours or SHIFT_HOURS)[-1]:02d}:00"


# shifts that are counted, and the newest rows of a journal that they are looked for in
SHIFTS, NEWEST_ROWS = 3, 3000


def last_shifts(journals: Sequence[Journal]) -> list[ShiftCounts]:
    """Return counts for the last shifts, a row a line."""
    found: dict[tuple[str, str], list[Record]] = {}
    for journal in journals:
        kinds = "kind IN ('reading', 'retest', 'control', 'left_out')"
        rows = journal.select(f"{kinds} AND entry {UNREPLACED}", last=NEWEST_ROWS)
        stated = [datetime.fromisoformat(row["measured_at"]).tzinfo for row in rows if row.get("measured_at")]
        zone = stated[0] if stated else UTC
        for row in rows:
            # what states no time is put on the clock of the scans about it, and no time is after that of writing
            zone = datetime.fromisoformat(row["measured_at"]).tzinfo if row.get("measured_at") else zone
            start = shift_start(datetime.fromtimestamp(when(row), zone).isoformat())
            found.setdefault((start, row.get("line", "")), []).append(row)
    kept = sorted({start for start, _ in found})[-SHIFTS:]
    return [_counted(start, line, rows) for (start, line), rows in sorted(found.items()) if start in kept]


def _counted(start: str, line: str, rows: list[Record]) -> ShiftCounts:
    decided = [row for row in rows if row["kind"] in ("reading", "retest")]
    by = {name: sum(row["decision"] == name for row in decided) for name in ("consistent", "rescan", "hold", None)}
    controls, left_out = (sum(row["kind"] == kind for row in rows) for kind in ("control", "left_out"))
    return ShiftCounts(
        start, line, len(decided), by["consistent"], by["rescan"], by["hold"], by[None], controls, left_out
    )


# what a scanner reads off a tag: the entry's number, and the beginning of its hash, which no other journal has
_CODE_LETTERS = 12
# figures of an entry's number at the most: SQLite holds no more
_LONGEST = 18
_CODE = re.compile(rf"SM-(\d{{1,{_LONGEST}}})-([0-9A-F]{{12}})\Z")


def entry_code(journal: Journal, entry: int) -> str:
    """Return the code of an entry, for a tag: figures, capitals and dashes."""
    return f"SM-{entry}-{_hash_of(journal, entry)[:_CODE_LETTERS].upper()}"


def entry_number(journal: Journal, text: str) -> int:
    """Return the entry that a number or the code of a tag names; a code of another journal is refused."""
    found = _CODE.match(text.strip().upper())
    if found is None:
        if not text.strip().isdecimal() or len(text.strip()) > _LONGEST:
            raise TableError(f"an entry is a number, or the code of a tag such as SM-12-0123456789AB; got {text!r}")
        return int(text)
    entry = int(found.group(1))
    if not _hash_of(journal, entry).upper().startswith(found.group(2)):
        raise TableError(f"{journal.path}: entry {entry} is not the one of this tag; the tag is of another journal")
    return entry


def _hash_of(journal: Journal, entry: int) -> str:
    found = journal.query("SELECT hash FROM entries WHERE entry = ?", (entry,))
    if not found:
        raise TableError(f"{journal.path} has no entry {entry}")
    return str(found[0][0])


def entries_document(rows: Sequence[Record]) -> Record:
    """Return entries as other programs get them: one form for exports, hand-overs and hooks."""
    return {"format": 1, "cautions": CAUTIONS, "entries": list(rows)}


_HELD_AS = {"claimed": "a claim of", "lot": "a lot", "line": "line"}


def refuse_unheld(journals: Sequence[Journal], **asked: str | None) -> None:
    """Refuse a claim or lot of which nothing is recorded: a misspelt one would look like one without trouble."""
    for column, name in asked.items():
        if not name:
            continue
        sql = f"SELECT DISTINCT {column} FROM entries WHERE {column} != ''"
        held = [str(found) for journal in journals for (found,) in journal.query(sql)]
        if name not in held:
            raise OptionError(f"no journal holds {_HELD_AS[column]} {name!r}{nearest_name(name, held)}")


def without_copies(journals: Sequence[Journal]) -> list[Journal]:
    """Take a journal that was named twice once, and refuse a copy beside it: its entries would count twice."""
    begun: dict[str, Journal] = {}
    journals = list({journal.path.resolve(): journal for journal in journals}.values())
    for journal in journals:
        for (first,) in journal.query("SELECT hash FROM entries WHERE entry = 1"):
            if (other := begun.setdefault(first, journal)) is not journal:
                raise OptionError(
                    f"{other.path} and {journal.path} begin with the same entry: one is a copy of the other, and what "
                    "both hold would count twice; name the one that goes further"
                )
    return journals


def export(
    journals: Sequence[Journal], path: str | Path, *, beer: str | None = None, lot: str | None = None,
    line: str | None = None, since: str | None = None, until: str | None = None,
) -> int:  # fmt: skip
    """Write what is asked for of journals to one CSV or JSON file, by its suffix; return the number of rows."""
    # since, until: first and last day, as the scans state it; where they state none, the day of writing in UTC
    path, (where, values) = Path(path), _asked(beer, lot, line, since, until)
    refuse_unheld(journals, claimed=beer, lot=lot, line=line)
    if path.suffix.lower() == ".json":
        rows = [{"journal": str(j.path), **row} for j in journals for row in j.select(where, values)]
        body = entries_document(rows)
        write_atomic(path, json.dumps(body, ensure_ascii=False, allow_nan=False, indent=1).encode())
        return len(rows)
    if path.suffix.lower() != ".csv":
        raise OptionError(f"{path.name}: export to a file that ends in .csv or .json")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["journal", "entry", *COLUMNS, "hash"])
    n = 0
    for journal in journals:
        sql = f"SELECT entry, {', '.join(COLUMNS)}, hash FROM entries WHERE {where} ORDER BY entry"
        for row in journal.query(sql, values):
            writer.writerow([guarded_cell(cell) for cell in (str(journal.path), *row)])
            n += 1
    write_atomic(path, out.getvalue().encode())
    return n


def _asked(
    beer: str | None, lot: str | None, line: str | None, since: str | None, until: str | None
) -> tuple[str, tuple[str, ...]]:
    """Return the condition that rows asked for fulfil, and its values."""
    for name, day in (("--since", since), ("--until", until)):
        if day is not None:
            _whole_day(name, day)
    if since is not None and until is not None and since > until:
        raise OptionError(f"--since {since} lies after --until {until}; the last day stands behind --until")
    day = "substr(coalesce(measured_at, written_at), 1, 10)"
    parts = {"claimed = ?": beer, "lot = ?": lot, "line = ?": line, f"{day} >= ?": since, f"{day} <= ?": until}
    asked = {part: value for part, value in parts.items() if value is not None}
    return " AND ".join(asked) or "1", tuple(asked.values())


def _whole_day(name: str, day: str) -> None:
    try:
        good = date.fromisoformat(day).isoformat() == day
    except ValueError:
        good = False
    if not good:
        raise OptionError(f"{name} takes a day such as 2025-06-24, got {day!r}")


OPEN, HELD = "open", "held"
_MEND = "mend its row in scans.csv, or the file, and verify or watch again"
# what settles each state, beside a review; in a held run nothing else does
_TO_DO = {
    OPEN: "pour again",
    HELD: "a person reviews it",
    "hold": _MEND,
    "unjudged": "pour again",
    "left out": _MEND,
    "control out": "find the cause and measure the control again",
}


def waiting(journals: Sequence[Journal], *, beer: str | None = None) -> list[Record]:
    """Return every entry that waits for a person: `run_state` says how, `to_do` and `settle` what to do."""
    found: list[Record] = []
    only, key = ("1", ()) if beer is None else ("e.claimed = ?", (beer,))
    # parts of journal.sql, and how what they find stands; what has no claim is of no beer
    asked = {"runs": "", "holds": "hold", "unjudged": "unjudged"}
    asked |= {"left out": "left out", "controls": "control out"} if beer is None else {}
    for journal in journals:
        rows = [
            _row(journal, row, state)
            for part, state in asked.items()
            for row in journal.query(sql_of(part).format(only=only), key)
        ]
        found += sorted(rows, key=lambda row: int(row["entry"]))
    return found


def waits(journal: Journal, entry: int) -> bool:
    """Whether an entry is one of those that wait."""
    return any(row["entry"] == entry for row in waiting([journal]))


def _row(journal: Journal, row: tuple[Any, ...], state: str) -> Record:
    entry, kind, line, claimed, lot, measured_at, reason, sample, *more = row
    if not state:
        last = journal.query(
            f"SELECT run_state FROM entries WHERE (concerns = ? OR entry = ?) AND run_state IS NOT NULL "
            f"AND entry {UNREPLACED} ORDER BY entry DESC LIMIT 1",
            (entry, entry),
        )
        state = last[0][0] if last else OPEN
    if kind == "left_out":
        sample = ", ".join(json.loads(more[0])) if more[0] else ""
    to_do = _TO_DO[state]
    if state in (OPEN, "unjudged") and not lot:
        to_do += f" and list it as sample {sample}, whose lot is not stated"
    review = f"specmatch history {journal.path} --review {entry} --outcome OUTCOME --operator NAME --note TEXT"
    return {
        "journal": str(journal.path), "entry": entry, "line": line, "claimed": claimed, "lot": lot, "sample": sample,
        "run_state": state, "measured_at": measured_at, "reason": reason, "to_do": to_do,
        "settle": review if state == HELD else f"{to_do}; or {review}",
    }  # fmt: skip
