"""The tables of a journal (journal.sql): one JSON text a row, sealed to the row before; triggers refuse any change."""
# The JSON text is what the chain of hashes covers: each row carries the hash of the one before. Every other column of
# `entries` is computed from the text, so that no column can say anything else than what was sealed. `scans_recorded`
# only finds texts quickly: a row of it counts where the entry that it names says the same. Times hold on both sides of
# a clock change.

import hashlib
import json
import re
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from specmatch.errors import TableError
from specmatch.wording import text_beside

# "SPMJ" as a number: it tells a journal from any other SQLite file
APPLICATION_ID = 0x53504D4A
FORMAT = 2
FIRST_PREVIOUS = "0" * 64

# columns of what stands in the record itself, and of what stands in its reading
_BEFORE = ("kind", "concerns", "written_at", "measured_at", "measured_unix", "line", "operator", "claimed", "lot",
           "sample", "decision", "reason", "advice", "run_state")  # fmt: skip
_READING = ("colour", "colour_low", "colour_high", "colour_unit", "nearest_beer", "p_value", "plausible_beers",
            "n_pours", "warnings")  # fmt: skip
COLUMNS = (*_BEFORE, *_READING, "model_hash", "set_hash", "specification_hash", "scan_files", "replaces")
_PLACES = {name: f"reading.{name}" if name in _READING else name for name in COLUMNS}


# a reading, a retest, a control or a file left out that a later entry takes the place of
UNREPLACED = "NOT IN (SELECT replaces FROM entries WHERE replaces IS NOT NULL)"
_FILE = text_beside(__file__, "journal.sql")
_PARTS = dict(re.findall(r"^-- name: (.+)\n-- .*\n((?:(?!-- ).*\n)+)", _FILE, re.MULTILINE))
_FILLED = {
    "application_id": str(APPLICATION_ID),
    "format": str(FORMAT),
    "first_previous": FIRST_PREVIOUS,
    "columns": ",\n".join(
        f"    {name} GENERATED ALWAYS AS (json_extract(record, '$.{place}')) VIRTUAL" for name, place in _PLACES.items()
    ),
    # a hold or a rescan that its run knows nothing of
    "single": "CASE WHEN json_extract(record, '$.run_state') = 'clear' AND json_extract(record, '$.decision') IN "
    "('hold', 'rescan') THEN json_extract(record, '$.decision') END",
    "since_2": _PARTS["since 2"],
    "unreplaced": UNREPLACED,
    "shown": "e.entry, e.kind, e.line, e.claimed, e.lot, e.measured_at, e.reason, e.sample",
    # a plus keeps SQLite from an index of no use: `concerns` is found by its own only where it meets a value without
    # a type
    "reviewed": "EXISTS (SELECT 1 FROM entries r WHERE r.concerns = +e.entry AND +r.kind = 'review')",
    "only": "{only}",
}
TRIGGERS = frozenset(re.findall(r"CREATE TRIGGER (\w+)", _FILE))
TRIGGERS_OF_1 = frozenset(name.replace("recorded", "seen") for name in TRIGGERS) | {"scans_seen_once"}


def sql_of(name: str) -> str:
    """Return a part of journal.sql, its words in braces filled; `{only}` is left to whoever asks."""
    return _PARTS[name].format(**_FILLED)


def statements(script: str) -> Iterator[str]:
    """Give out the statements of a script, one at a time, so that they can stand in one transaction."""
    part = ""
    for line in script.splitlines(keepends=True):
        part += line
        if sqlite3.complete_statement(part):
            yield part
            part = ""


BUSY_KINDS = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def error_kind(error: sqlite3.Error) -> int:
    """Return the kind of an error of SQLite: the lowest byte of its code, 0 where it has none."""
    # the other bytes say what was done at the time
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def patiently(action: Callable[[], None], seconds: float) -> None:
    """Do something that another process may be in the way of; SQLite's own waiting leaves out the change to a log."""
    deadline = time.monotonic() + seconds
    while True:
        try:
            return action()
        except sqlite3.OperationalError as error:
            if error_kind(error) not in BUSY_KINDS or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def utc_now() -> datetime:
    """Return the time by this machine's clock, with its offset."""
    return datetime.now(UTC)


def unix_time(measured_at: str, what: str) -> float:
    """Return seconds since 1970 of a time that must say its offset."""
    try:
        time = datetime.fromisoformat(measured_at)
    except ValueError:
        raise TableError(f"{what}: measured_at is {measured_at!r}; write it as 2025-06-24T08:00:00+02:00") from None
    if time.tzinfo is None:
        raise TableError(
            f"{what}: measured_at is {measured_at!r}, without an offset from UTC; the journal needs one, such as "
            f"{time.isoformat()}+02:00"
        )
    return time.timestamp()


HOW_TO_CHECK = (
    "Rows of `entries` are numbered 1, 2, 3 and so on. Each holds a JSON text (`record`), the hash of the row before "
    "(`previous_hash`; 64 zeros in the first) and its own: SHA-256, in lower-case hexadecimal, over previous_hash "
    "followed by record, both in UTF-8. All other columns are computed from record. A row that was changed no longer "
    "gives its hash; a row that was taken out leaves a gap. Rows of `scans_recorded` count only where the record of "
    "their entry names the same file in `scan_files`. Rows cut off at the end leave none: keep the last hash "
    "elsewhere and compare."
)


@dataclass(frozen=True)
class ChainFault:
    """One thing that is wrong with a journal."""

    entry: int  # the entry that it is about; 0 for the whole file
    sentence: str


@dataclass(frozen=True)
class ChainCheck:
    """What following the chain found."""

    n_entries: int
    last_hash: str  # of the last row. Kept elsewhere it shows later whether the tail was cut
    faults: tuple[ChainFault, ...]  # rows altered, missing or out of place
    # rows written at an earlier time than the row before: no damage, but a clock was set back
    clock_notes: tuple[ChainFault, ...]


def record_text(record: dict[str, Any]) -> str:
    """Return the JSON text of a record: UTF-8, no blanks, numbers in the shortest form that reads back the same."""
    try:
        return _text(record)
    except (TypeError, ValueError) as error:
        odd = next((f"{key} is {value!r:.60}" for key, value in record.items() if not _is_json(value)), str(error))
        raise TableError(
            f"the record cannot be written: {odd}; a journal holds text, finite numbers, true, false, null and lists "
            "and mappings of them: leave the field out where nothing is known"
        ) from None


def _text(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)
    text.encode()  # half a letter, as some old file names hold, is no UTF-8
    return text


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} is no JSON")


def _is_json(value: Any) -> bool:
    try:
        _text(value)
    except (TypeError, ValueError):
        return False
    return True


def seal(previous_hash: str, text: str) -> str:
    """Return the hash of a row: SHA-256 over the hash of the row before and the row's own text."""
    return hashlib.sha256(f"{previous_hash}{text}".encode()).hexdigest()


ScanRow = tuple[str, str, int]  # SHA-256, path, entry


def check_chain(
    rows: Iterable[tuple[int, str, str, str]], scans: Iterable[ScanRow] = (), *, expect: str = ""
) -> ChainCheck:
    """Follow the chain from the first row to the last, and hold the index of scans against the sealed texts."""
    # expect: a last hash kept elsewhere, through which the chain must go
    faults: list[ChainFault] = []
    index, met, gone = set(scans), not expect, set[int]()
    clock: list[ChainFault] = []
    expected, last_hash, last_time, n = 1, FIRST_PREVIOUS, "", 0
    for entry, text, previous_hash, row_hash in rows:
        n += 1
        gap = entry != expected
        gone.update(range(expected, min(entry, expected + 100_000)))
        for missing in range(expected, min(entry, expected + 20)):
            faults.append(ChainFault(missing, f"entry {missing} is missing"))
        if entry > expected + 20:
            faults.append(ChainFault(expected + 20, f"entries {expected + 20} to {entry - 1} are missing"))
        if not gap and previous_hash != last_hash:
            said = (
                f"entry {entry} does not follow entry {entry - 1} as it stands: one of them was altered and sealed anew"
            )
            faults.append(ChainFault(entry, said))
        record = _read(text)
        met = met or row_hash == expect
        faults += _not_in_index(index, record, entry)
        if seal(previous_hash, text) != row_hash or record.get("entry") != entry:
            faults.append(ChainFault(entry, f"entry {entry} was altered: its text does not give its hash"))
        else:
            written = str(record.get("written_at", ""))
            if written < last_time:
                said = f"entry {entry} was written at {written}, before entry {entry - 1} by the clock: it was set back"
                clock.append(ChainFault(entry, said))
            last_time = written
        expected, last_hash = entry + 1, row_hash
    faults += [
        ChainFault(entry, f"the index of scans names {path} for entry {entry}, which does not: the row was planted")
        for _, path, entry in sorted(index, key=lambda row: (row[2], row[1]))
        if entry not in gone
    ]
    if not met:
        said = f"no entry has the hash {expect}: rows were cut off at the end, or the file was rebuilt"
        faults.append(ChainFault(0, said))
    return ChainCheck(n, last_hash, tuple(faults), tuple(clock))


def _not_in_index(index: set[ScanRow], record: dict[str, Any], entry: int) -> list[ChainFault]:
    """Take the scan files of a record off the index, and return those that it lacks."""
    files = record.get("scan_files")
    rows = [(digest, path, entry) for path, digest in (files if isinstance(files, dict) else {}).items()]
    lacking = [
        ChainFault(entry, f"the index of scans lacks {row[1]} of entry {entry}") for row in rows if row not in index
    ]
    index.difference_update(rows)
    return lacking


def _read(text: str) -> dict[str, Any]:
    try:
        record = json.loads(text)
    except ValueError:
        return {}
    return record if isinstance(record, dict) else {}
