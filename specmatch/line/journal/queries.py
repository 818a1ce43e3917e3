"""Looking back: what the last shifts brought, counts of decisions, exports."""

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from specmatch.errors import OptionError
from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.schema import COLUMNS, UNREPLACED
from specmatch.storage import write_atomic
from specmatch.wording import CAUTIONS, guarded_cell

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
        for row in journal.select(f"{kinds} AND entry {UNREPLACED}", last=NEWEST_ROWS):
            start = shift_start(row.get("measured_at") or row["written_at"])
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


def export(journals: Sequence[Journal], path: str | Path, *, beer: str | None = None) -> int:
    """Write journals to one CSV or JSON file, by its suffix; return the number of rows."""
    path = Path(path)
    where, values = ("1", ()) if beer is None else ("claimed = ?", (beer,))
    if path.suffix.lower() == ".json":
        rows = [{"journal": str(j.path), **row} for j in journals for row in j.select(where, values)]
        body = {"format": 1, "cautions": CAUTIONS, "entries": rows}
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
