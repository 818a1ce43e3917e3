"""Whether what the journal holds of a scan file still stands, or was mended since: then it is judged again.

Nothing is overwritten: a judgement of a mended sheet or claim is a new entry, which names the one that it replaces.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from specmatch.line.journal.journal import Journal, Record
from specmatch.line.rules.run_rule import READING, RETEST, REVIEW
from specmatch.measurement.folder.columns import SCAN_COLUMNS
from specmatch.storage import sha256_of

CONTROL, LEFT_OUT, PUT_RIGHT = "control", "left_out", "put_right"
WRONG_CLAIM = "wrong claim"
# what a sheet states of a scan file and an answer may rest on
_STATED = tuple(column for column in SCAN_COLUMNS if column != "file")
# of a hash: two rows of one file are told apart, nobody is to be kept from forging one
_DIGITS = 16


@dataclass(frozen=True)
class Standing:
    """What the journal holds of one scan file."""

    entry: int | None = None  # the newest entry on these bytes under this name
    again: bool = False  # whether it is to be judged again
    kind: str = ""  # of the entry


def stated_of(rows: pd.DataFrame) -> dict[str, str]:
    """Return a short hash of what the sheet states of each scan file, by its path; blank cells state nothing."""
    columns = [column for column in _STATED if column in rows]
    cells = [rows[column].tolist() for column in columns]
    found: dict[str, str] = {}
    for file, *row in zip(rows["file"].tolist(), *cells, strict=True):
        said = [f"{name}={cell}" for name, cell in zip(columns, row, strict=True) if not (cell == "" or pd.isna(cell))]
        found[file] = sha256_of("\n".join(said).encode())[:_DIGITS]
    return found


def standing_of(
    journal: Journal, path: str, sha256: str, stated: Mapping[str, str] | None, *, claim: str | None
) -> Standing:
    """Return what the journal holds of a scan file, and whether that must be judged again."""
    # stated: of the files that the sheet lists now; None where no sheet is there. claim: the one given for all samples
    entries = [entry for name, entry in journal.entries_of(sha256) if name == path]
    if not entries:
        return Standing()
    row = journal.entry(entries[-1])
    return Standing(entries[-1], _again(journal, row, stated, claim), row["kind"])


def _again(journal: Journal, row: Record, stated: Mapping[str, str] | None, claim: str | None) -> bool:
    if row["kind"] == LEFT_OUT:
        return True
    if row["kind"] not in (READING, RETEST, CONTROL):
        return False
    if journal.query("SELECT 1 FROM entries WHERE replaces = ? LIMIT 1", (row["entry"],)):
        return True  # what took its place left this file out
    mended = stated is not None and any(stated.get(path) != said for path, said in row.get("stated", {}).items())
    if mended:
        return True
    if claim is None or row["kind"] == CONTROL or row.get("claimed") == claim:
        return False
    return _claim_was_wrong(journal, row)


def _claim_was_wrong(journal: Journal, row: Record) -> bool:
    """Whether a person has said of an entry, or of its run, that the claim was wrong."""
    first = row["entry"] if row.get("concerns") is None else row["concerns"]
    found = journal.query(
        "SELECT json_extract(record, '$.outcome') FROM entries WHERE concerns IN (?, ?) AND kind = ?",
        (row["entry"], first, REVIEW),
    )
    return (WRONG_CLAIM,) in found


def left_out_before(journal: Journal, path: str) -> list[int]:
    """Return the entries that leave a file of this name out and that nothing has replaced, oldest first."""
    found = journal.query(
        "SELECT e.entry FROM entries e, json_each(e.scan_files) f WHERE e.kind = ? AND f.key = ? "
        "AND NOT EXISTS (SELECT 1 FROM entries later WHERE later.replaces = e.entry) ORDER BY e.entry",
        (LEFT_OUT, path),
    )
    return [entry for (entry,) in found]


def changed_since(old: Record, new: Record) -> dict[str, list[object]]:
    """Return what a new entry states otherwise than the one that it replaces: name -> old and new."""
    names = ("claimed", "lot", "sample", "operator", "instrument", "measured_at", "material", "material_lot",
             "model_hash")  # fmt: skip
    return {name: [old.get(name), new.get(name)] for name in names if old.get(name) != new.get(name)}
