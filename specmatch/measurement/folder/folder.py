"""A measured folder on disk: its sheets, the scan files that they list, and what cannot be used."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from specmatch.errors import MissingScanError, SheetError, SpecmatchError
from specmatch.measurement.folder.batches import read_batches
from specmatch.measurement.folder.columns import ROLES, SCAN_COLUMNS
from specmatch.measurement.folder.sheets import (
    Sheet,
    is_error_mark,
    iso_times,
    number_columns,
    read_sheet,
    scans_sheet,
)
from specmatch.measurement.readers.files import read_scans
from specmatch.measurement.readers.scan import Scan

NOT_FOUND = "listed in scans.csv, not found in the folder; copy the file there or take the row out"
_SHEET_NUMBERS = ("integration_ms", "fill_ml", "fill_sd_ml", "cup_mm", "temperature_c")


@dataclass(frozen=True, eq=False)
class MeasuredFolder:
    """What a folder holds, before any arithmetic."""

    scans: list[Scan]  # those that could be read, `scan_id` unique within the folder
    # A row a scan (index `scan_id`), from the sheet: text columns, and `integration_ms`, `fill_ml`, `cup_mm`,
    # `temperature_c` as numbers, `time` as datetime or None, `order` the place in the sheet
    rows: pd.DataFrame
    batches: pd.DataFrame  # index `batch`; empty where there is no `batches.csv`
    left_out: list[tuple[str, str]]
    notes: list[tuple[str, str]]
    # roles listed for an instrument whose files could not be read
    unread_roles: dict[tuple[str, str], str] = field(default_factory=dict)


def first_reason(left_out: Sequence[tuple[str, str]]) -> str:
    """Say the first of the files left out and why, the file's name once."""
    file, reason = left_out[0]
    return f"{file}: {reason.removeprefix(file.rpartition('/')[2] + ': ')}"


def read_folder(folder: Path, *, n_jobs: int | None, reading: Mapping[str, Any]) -> MeasuredFolder:
    """Read the sheets of a folder and every scan file that they list."""
    if folder.is_file():
        raise SheetError(f"{folder} is a file; name the folder that holds scans.csv and the scan files")
    if not folder.is_dir():
        raise MissingScanError(f"{folder}: no such folder; name the folder that holds scans.csv")
    rows, left_out, notes = listed_scans(scans_sheet(folder))
    results = _read_all(folder, list(rows["file"]), n_jobs, reading)
    batches = read_batches(folder, left_out, notes)
    return join_scans(rows, results, batches=batches, left_out=left_out, notes=notes)


def listed_scans(path: Path) -> tuple[pd.DataFrame, list[tuple[str, str]], list[tuple[str, str]]]:
    """Return the scan files that a sheet lists, without reading them."""
    sheet = read_sheet(path, known=SCAN_COLUMNS)
    rows, left_out = _scan_rows(sheet, path.name)
    return rows, left_out, [(path.name, note) for note in sheet.notes]


def join_scans(
    rows: pd.DataFrame,
    results: Sequence[list[Scan] | str],
    *,
    batches: pd.DataFrame | None = None,
    left_out: Sequence[tuple[str, str]] = (),
    notes: Sequence[tuple[str, str]] = (),
) -> MeasuredFolder:
    """Join the rows of the sheet with what their files held."""
    left_out, notes = list(left_out), list(notes)
    if batches is None:
        batches = pd.DataFrame(columns=["beer", "colour"], index=pd.Index([], name="batch", dtype=object))
    scans: list[Scan] = []
    kept: list[dict[str, Any]] = []
    unread: dict[tuple[str, str], str] = {}
    taken: set[str] = set()
    for row, result in zip(rows.to_dict("records"), results, strict=True):
        if isinstance(result, str):
            left_out.append((row["file"], result))
            unread.setdefault((row["instrument"], row["role"]), f"{row['file']}: {result}")
            continue
        for scan in result:
            if scan.scan_id in taken:
                # columns of one name in several files are spectra of their own
                scan = replace(scan, scan_id=f"{row['file']}#{scan.scan_id}")
            if scan.scan_id in taken:
                left_out.append((row["file"], f"a second scan named {scan.scan_id!r}; give each its own name"))
                continue
            taken.add(scan.scan_id)
            scans.append(scan)
            kept.append(row)
    table = pd.DataFrame(
        kept, index=pd.Index([scan.scan_id for scan in scans], name="scan_id", dtype=object), columns=rows.columns
    )
    return MeasuredFolder(scans, table, batches, left_out, notes, unread)


def _scan_rows(sheet: Sheet, name: str) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Check and type the rows of `scans.csv`; rows whose names a spreadsheet has destroyed are left out."""
    table = sheet.table
    for column in ("file", "role"):
        if column not in table:
            raise SheetError(
                f"{name}: no column {column!r}; file and role are always needed, got {', '.join(table.columns)}"
            )
    if table.empty:
        raise SheetError(f"{name}: a header but no rows; list the scan files, one a row")
    numbers = number_columns(sheet, _SHEET_NUMBERS, name=name)
    times = iso_times(sheet, "measured_at", name=name) if "measured_at" in table else [None] * len(table)
    full = table.copy()
    for column in SCAN_COLUMNS:
        if column not in full:
            full[column] = float("nan") if column in _SHEET_NUMBERS else ""
    full[list(numbers.columns)] = numbers
    full["role"] = full["role"].str.lower()
    full["file"] = full["file"].str.replace("\\", "/", regex=False)
    full["time"] = pd.Series(times, dtype=object)
    full["order"] = range(len(full))
    first_line: dict[str, int] = {}
    for line, file, role in zip(sheet.lines, full["file"], full["role"], strict=True):
        if not file:
            raise SheetError(f"{name}, line {line}: no file name; every row names one")
        if role not in ROLES:
            raise SheetError(f"{name}, line {line}, column role: {role!r} is not known; use one of {', '.join(ROLES)}")
        if PurePosixPath(file).is_absolute() or ".." in PurePosixPath(file).parts or re.match(r"[A-Za-z]:", file):
            raise SheetError(
                f"{name}, line {line}, column file: {file!r} leads out of the folder; name files inside it"
            )
        if file in first_line:
            raise SheetError(
                f"{name}, line {line}: file {file!r} is listed in line {first_line[file]} already; keep one row a file"
            )
        first_line[file] = line
    destroyed = [
        (i, f"line {line}, column {column}: {cell!r} is a spreadsheet's error mark; write the name again")
        for column in ("sample", "pour", "batch")
        for i, (line, cell) in enumerate(zip(sheet.lines, full[column], strict=True))
        if is_error_mark(cell)
    ]
    left_out = [(full["file"].iloc[i], f"{name}, {reason}") for i, reason in destroyed]
    return full.drop(index=full.index[sorted({i for i, _ in destroyed})]), left_out


def _read_one(folder: Path, file: str, reading: Mapping[str, Any]) -> list[Scan] | str:
    try:
        scans = read_scans(f"{folder}/{file}", **reading)
    except SpecmatchError as error:
        if not (folder / file).is_file():
            return NOT_FOUND
        return str(error)
    return within_folder(scans, file)


def within_folder(scans: list[Scan], file: str) -> list[Scan]:
    """Return scans of a file with its path within the folder in their ids, where those are made of its name."""
    base = file.rpartition("/")[2]
    own = [scan.scan_id == base or scan.scan_id.startswith(f"{base}#") for scan in scans]
    return [
        replace(scan, scan_id=file + scan.scan_id[len(base) :]) if named and file != base else scan
        for scan, named in zip(scans, own, strict=True)
    ]


def _read_all(folder: Path, files: list[str], n_jobs: int | None, reading: Mapping[str, Any]) -> list[list[Scan] | str]:
    if n_jobs in (None, 1):
        return [_read_one(folder, file, reading) for file in files]
    from joblib import Parallel, delayed

    # a task costs more than a small file, so files travel in chunks
    chunks = [files[i : i + 100] for i in range(0, len(files), 100)]
    parts = Parallel(n_jobs=n_jobs)(delayed(_read_all)(folder, chunk, None, dict(reading)) for chunk in chunks)
    return [result for part in parts for result in part]
