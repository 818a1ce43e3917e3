"""The tables of a journal (journal.sql): one JSON text a row, columns read out of it, triggers that refuse any change.

The JSON text is what the chain of hashes covers; every other column of `entries` is computed from it, so that no
column can say anything else than the text that was sealed. `scans_recorded` only finds texts quickly: a row of it
counts where the entry that it names says the same. Times hold on both sides of a clock change.
"""

import re
import sqlite3
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

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
