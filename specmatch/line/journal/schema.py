"""The tables of a journal, in SQL: one JSON text a row, columns read out of it, triggers that refuse any change.

The JSON text is what the chain of hashes covers; every other column of `entries` is computed from it, so that no
column can say anything else than the text that was sealed. `scans_recorded` only finds texts quickly: a row of it
counts where the entry that it names says the same. Times hold on both sides of a clock change.
"""

import sqlite3
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

from specmatch.errors import TableError

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


def _append_only(table: str) -> str:
    return "\n".join(
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
        f"SELECT RAISE(ABORT, 'a journal only grows: rows of {table} are never changed or removed'); END;"
        for verb in ("UPDATE", "DELETE")
    )


_GENERATED = ",\n".join(
    f"    {name} GENERATED ALWAYS AS (json_extract(record, '$.{'reading.' if name in _READING else ''}{name}')) VIRTUAL"
    for name in COLUMNS
)
# a reading, a retest, a control or a file left out that a later entry takes the place of
UNREPLACED = "NOT IN (SELECT replaces FROM entries WHERE replaces IS NOT NULL)"
# a hold or a rescan that its run knows nothing of
_SINGLE = (
    "CASE WHEN json_extract(record, '$.run_state') = 'clear' AND json_extract(record, '$.decision') IN "
    "('hold', 'rescan') THEN json_extract(record, '$.decision') END"
)
# what the first format had not
_SINCE_2 = f"""
CREATE TABLE scans_recorded (sha256 TEXT NOT NULL, path TEXT NOT NULL, entry INTEGER NOT NULL,
    PRIMARY KEY (sha256, path, entry)) WITHOUT ROWID;
CREATE INDEX by_run ON entries (line, claimed, lot, sample);
CREATE INDEX by_replaced ON entries (replaces) WHERE replaces IS NOT NULL;
CREATE INDEX by_single ON entries (single, claimed) WHERE single IS NOT NULL;
{_append_only("scans_recorded")}
"""
SCHEMA = f"""
CREATE TABLE entries (
    entry INTEGER PRIMARY KEY,
    record TEXT NOT NULL,
    previous_hash TEXT NOT NULL,
    hash TEXT NOT NULL,
{_GENERATED},
    single GENERATED ALWAYS AS ({_SINGLE}) VIRTUAL
);
CREATE TABLE documents (hash TEXT PRIMARY KEY, kind TEXT NOT NULL, text TEXT NOT NULL) WITHOUT ROWID;
CREATE INDEX by_claim ON entries (claimed, kind, entry, decision);
CREATE INDEX by_kind ON entries (kind, line, measured_unix);
CREATE INDEX by_state ON entries (run_state, claimed, entry);
CREATE INDEX by_concern ON entries (concerns) WHERE concerns IS NOT NULL;
{_append_only("entries")}
{_append_only("documents")}
CREATE TRIGGER entries_in_order BEFORE INSERT ON entries
WHEN NEW.entry != (SELECT coalesce(max(entry), 0) + 1 FROM entries)
  OR NEW.previous_hash != coalesce((SELECT hash FROM entries ORDER BY entry DESC LIMIT 1), '{FIRST_PREVIOUS}')
BEGIN SELECT RAISE(ABORT, 'a journal only grows at its end: the row does not follow the last one'); END;
{_SINCE_2}
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {FORMAT};
"""
# a journal of format 1 is brought here in place; what it held of scans is read anew out of the sealed texts
FROM_1 = f"""
ALTER TABLE entries ADD COLUMN replaces GENERATED ALWAYS AS (json_extract(record, '$.replaces')) VIRTUAL;
ALTER TABLE entries ADD COLUMN single GENERATED ALWAYS AS ({_SINGLE}) VIRTUAL;
DROP INDEX by_run;
{_SINCE_2}
INSERT INTO scans_recorded SELECT f.value, f.key, e.entry FROM entries e, json_each(e.record, '$.scan_files') f;
DROP TABLE scans_seen;
PRAGMA user_version = 2;
"""
# one of format 1 that may not be written to is looked at through this
VIEW_OF_1 = f"CREATE TEMP VIEW entries AS SELECT *, NULL AS replaces, {_SINGLE} AS single FROM main.entries"
TRIGGERS = frozenset(
    [f"{table}_no_{verb}" for table in ("entries", "scans_recorded", "documents") for verb in ("update", "delete")]
    + ["entries_in_order"]
)
TRIGGERS_OF_1 = frozenset(name.replace("recorded", "seen") for name in TRIGGERS) | {"scans_seen_once"}


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
