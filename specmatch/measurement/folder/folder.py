"""A measured folder on disk: its sheets, the scan files that they list, and what cannot be used."""

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from specmatch.errors import DoubtfulDate, MissingScanError, ParentsError, SheetError, SpecmatchError
from specmatch.long_jobs import counted_off, each_of
from specmatch.maths.statistics.levels import rows_of
from specmatch.measurement.folder.columns import (
    BATCH_COLUMNS,
    LAB_NUMBERS,
    MATERIAL_COLUMNS,
    MOST_NAMED,
    ROLE_TITLES,
    ROLES,
    SCAN_COLUMNS,
    SCAN_NUMBERS,
    TIME_NAMES,
    check_sheets,
    folded,
    other_claims,
    reference_kinds,
    said_of_names,
)
from specmatch.measurement.folder.dates import date_readings, one_refusal, read_dates
from specmatch.measurement.folder.sheets import (
    Sheet,
    find_sheet,
    is_error_mark,
    is_sheet,
    keyed_sheet,
    merged_cells,
    number_columns,
    read_sheet,
    scans_sheet,
)
from specmatch.measurement.folder.stated import name_counted_pours
from specmatch.measurement.readers.files import read_scans
from specmatch.measurement.readers.scan import Scan
from specmatch.spectra import text_ids
from specmatch.wording import counted, listed

# What a folder knows of its batches, kept where there are scans of them, and of what its controls are.


def _no_batches() -> pd.DataFrame:
    return pd.DataFrame(columns=["beer", "colour"], index=pd.Index([], name="batch", dtype=object))


def _read_batches(
    folder: Path,
    left_out: list[tuple[str, str]],
    notes: list[tuple[str, str]],
    doubtful: list[DoubtfulDate],
    *,
    date_order: str | None = None,
) -> pd.DataFrame:
    """Read `batches.csv`; rows that repeat a batch with other values are all left out and listed."""
    path = find_sheet(folder, "batches")
    if path is None:
        return _no_batches()
    sheet, numbers = keyed_sheet(
        path, "batch", "name the batch of each lab value", doubtful, known=BATCH_COLUMNS, numbers=LAB_NUMBERS,
        dates=("packaged_on",), date_order=date_order,
    )  # fmt: skip
    table = sheet.table.assign(**numbers)  # `6` and `6.0` are one value
    notes += [(path.name, note) for note in (*sheet.notes, *_days_ahead(sheet, path.name))]
    for line, n in zip(sheet.lines, numbers.get("colour_n", ()), strict=False):
        if n % 1 > 0:
            raise SheetError(
                f"{path.name}, line {line}, column colour_n: {n:g} is no count; write how often the lab measured it"
            )
    keep, none = [], table.iloc[:0]
    code, names = pd.factorize(table["batch"])
    for batch, places in zip(names, rows_of(code) if len(names) else (), strict=True):
        lines = ", ".join(str(sheet.lines[i]) for i in places)
        own = table.iloc[places].drop_duplicates() if len(places) > 1 else none
        said = f"lines {lines}: batch {batch!r}"
        if not batch:
            left_out.append((path.name, f"line {lines}: no batch named; fill the column batch"))
        elif len(own) > 1 and "beer" in own and len(named := own["beer"][own["beer"] != ""].unique()) > 1:
            one, other = named[:2]
            raise ParentsError(f"{path.name}, {said} stands under two beers, {one!r} and {other!r}; keep one of them")
        elif len(own) > 1:
            said += " is listed more than once with different values; keep one row; "
            left_out.append(
                (path.name, f"{said}values of a second lab are added by extend, from a folder with a batches.csv alone")
            )
        else:
            keep.append(places[0])
            if len(places) > 1:
                notes.append((path.name, f"{said} is repeated with the same values; one row kept"))
    return table.iloc[sorted(keep)].set_index("batch")


def _days_ahead(sheet: Sheet, name: str) -> list[str]:
    """Say that batches were packaged on days that have not come."""
    days, today = sheet.table.get("packaged_on", []), (date.today() + timedelta(days=1)).isoformat()
    ahead = [(line, day[:10]) for line, day in zip(sheet.lines, days, strict=False) if day[:10] > today]
    more = f", nor have those of {counted(len(ahead) - 1, 'line')} below" if len(ahead) > 1 else ""
    return [
        f"{name}, line {line}, column packaged_on: {day} has not come yet{more}; check the year"
        for line, day in ahead[:1]
    ]


def known_batches(
    batches: pd.DataFrame, scans: pd.DataFrame, left_out: list[tuple[str, str]], notes: list[tuple[str, str]]
) -> pd.DataFrame:
    """Keep the lab rows of batches that were measured; list those that match no scan, and batches without a row."""
    if batches.empty:
        return batches
    batches = batches.set_axis(text_ids(batches.index, "batch"), axis=0)
    measured = list(dict.fromkeys(scans["batch"]))
    known, there = set(batches.index), set(measured)
    bare = {_without_marks(name): name for name in measured}
    for name in (name for name in batches.index if name not in there):
        near = bare.get(_without_marks(name))
        hint = f"; {near!r} differs from it only in marks, case or zeros" if near and near not in known else ""
        left_out.append(("batches.csv", f"batch {name!r} has no scan in this folder{hint}"))
    for name in (name for name in measured if name not in known):
        notes.append((name, f"batch {name!r} has no usable row in batches.csv: neither beer nor lab colour is known"))
    return batches[batches.index.isin(measured)]


def _without_marks(name: str) -> str:
    """Return a name without case, marks, zeros that lead a number and what a spreadsheet adds to a number."""
    plain = re.sub(r"\A(\d+)\.0\Z", r"\1", name.strip().lower())
    return re.sub(r"(?<!\d)0+(?=\d)", "", "".join(letter for letter in plain if letter.isalnum()))


def no_materials() -> pd.DataFrame:
    """Return the table of a folder that states no materials."""
    return pd.DataFrame(columns=list(MATERIAL_COLUMNS), dtype=object).astype({"colour": float, "colour_sd": float})


def read_materials(folder: Path, notes: list[tuple[str, str]]) -> pd.DataFrame:
    """Read `materials.csv`: text, and `colour` and `colour_sd` as numbers."""
    path = find_sheet(folder, "materials")
    if path is None:
        return no_materials()
    sheet, numbers = keyed_sheet(
        path, "material", "name what each control is", [], known=MATERIAL_COLUMNS, numbers=("colour", "colour_sd")
    )
    notes += [(path.name, note) for note in sheet.notes]
    known = {"colour": float("nan"), "colour_sd": float("nan"), **numbers}
    table = sheet.table.assign(**known).reindex(columns=list(MATERIAL_COLUMNS), fill_value="")
    twice = table.duplicated(["material", "material_lot"])
    for at in table.index[twice | (table["material"] == "")]:
        one = table.loc[at]
        what = (
            f"material {one['material']!r}, lot {one['material_lot']!r} is stated twice" if twice[at] else "no material"
        )
        raise SheetError(f"{path.name}, line {sheet.lines[at]}: {what}; keep one row a material and lot")
    return table


NOT_FOUND = "listed in scans.csv, not found in the folder; copy the file there or take the row out"
SHEETS = ("scans", "batches", "materials", "beers")


@dataclass(frozen=True, eq=False)
class FolderSheets:
    """What the sheets of a folder say, before any scan file is read."""

    # A row a scan file, from the sheet: text columns, and `integration_ms`, `fill_ml`, `cup_mm`, `temperature_c` as
    # numbers, `time` as datetime or None, `order` the place in the sheet
    rows: pd.DataFrame
    batches: pd.DataFrame = field(default_factory=_no_batches)  # index `batch`; empty where there is no `batches.csv`
    materials: pd.DataFrame = field(default_factory=no_materials)  # what controls are known to be
    left_out: list[tuple[str, str]] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)
    unlisted: tuple[str, ...] = ()  # files like those of the sheet that it does not list


@dataclass(frozen=True, eq=False)
class MeasuredFolder(FolderSheets):
    """What a folder holds, before any arithmetic: the rows are of scans, index `scan_id`."""

    scans: list[Scan] = field(default_factory=list)  # those that could be read, `scan_id` unique within the folder
    unread_roles: set[tuple[str, str]] = field(default_factory=set)  # instrument and role of files that could not


def first_reason(left_out: Sequence[tuple[str, str]]) -> str:
    """Say the first of the files left out and why, the file's name once."""
    file, reason = left_out[0]
    return f"{file}: {reason.removeprefix(file.rpartition('/')[2] + ': ')}"


def read_folder(
    folder: Path, *, n_jobs: int | None, reading: Mapping[str, Any], date_order: str | None = None
) -> MeasuredFolder:
    """Read the sheets of a folder and every scan file that they list."""
    if folder.is_file():
        raise SheetError(f"{folder} is a file; name the folder that holds scans.csv and the scan files")
    if not folder.is_dir():
        raise MissingScanError(f"{folder}: no such folder; name the folder that holds scans.csv")
    sheets = read_sheets(folder, date_order=date_order)
    return join_scans(sheets, _read_all(folder, list(sheets.rows["file"]), n_jobs, reading))


def read_sheets(folder: Path, *, date_order: str | None = None) -> FolderSheets:
    """Read the sheets of a folder; all dates that can be read in two ways are refused at once."""
    path = scans_sheet(folder)
    with one_refusal() as doubtful:
        rows, left_out, notes = listed_scans(path, doubtful, date_order=date_order)
        batches = _read_batches(folder, left_out, notes, doubtful, date_order=date_order)
        materials = read_materials(folder, notes)
    rows["file"] = _as_on_disk(folder, list(rows["file"]), path.name, notes)
    other = find_sheet(folder, "batches")
    check_sheets(rows, batches, scans_name=path.name, batches_name=other.name if other else "batches.csv")
    notes += [(path.name, f"{path.name}: {said}") for said in (*said_of_names(rows), *other_claims(rows, batches))]
    unlisted = _unlisted(folder, [*rows["file"], *(file for file, _ in left_out)])
    if unlisted:
        named = listed(unlisted, MOST_NAMED)
        notes.append((path.name, f"{path.name}: not listed, and not read: {named}"))
    return FolderSheets(rows, batches, materials, left_out, notes, unlisted)


def _as_on_disk(folder: Path, files: list[str], sheet: str, notes: list[tuple[str, str]]) -> list[str]:
    """Return files by their places in the folder, where the sheet's names lack one, an ending, or differ in letters."""
    away = [file for file in files if not (folder / file).exists()]
    if not away:
        return files
    named: dict[str, set[str]] = {}
    without_ending: dict[str, set[str]] = {}
    for path in folder.rglob("*"):
        there = path.relative_to(folder)
        for name in (there.as_posix(), path.name):
            named.setdefault(_bare(name), set()).add(there.as_posix())
        for name in (there.with_suffix("").as_posix(), path.stem):
            without_ending.setdefault(_bare(name), set()).add(there.as_posix())
    meant = {file: named.get(_bare(file)) or without_ending.get(_bare(file), set()) for file in away}
    one = {file: next(iter(found)) for file, found in meant.items() if len(found) == 1}
    # a file that two rows would mean is for the sheet to say
    counts = Counter([*(file for file in files if file not in one), *one.values()])
    one = {file: actual for file, actual in one.items() if counts[actual] == 1}
    if one:
        said = listed([f"{file!r} is {actual!r}" for file, actual in one.items()], MOST_NAMED)
        notes.append((sheet, f"{sheet}: {counted(len(one), 'file')} by other names or in sub-folders: {said}"))
    return [one.get(file, file) for file in files]


def _bare(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _unlisted(folder: Path, known: Sequence[str]) -> tuple[str, ...]:
    """Return the files beside those of a sheet that end as they do, and sheets under other names, that are not read."""
    places = {PurePosixPath(file).parent for file in known}
    ends = {PurePosixPath(file).suffix.lower() for file in known}
    sheets = {sheet.name for stem in SHEETS if (sheet := find_sheet(folder, stem)) is not None}
    beside = {
        (place / path.name).as_posix()
        for place in places if (folder / place).is_dir()
        for path in (folder / place).iterdir() if path.suffix.lower() in ends and path.is_file()
    }  # fmt: skip
    beside |= {path.name for path in folder.iterdir() if path.stem.lower().startswith(SHEETS) and is_sheet(path)}
    return tuple(sorted(beside - {PurePosixPath(file).as_posix() for file in known} - sheets))


def listed_scans(
    path: Path, doubtful: list[DoubtfulDate], *, date_order: str | None = None
) -> tuple[pd.DataFrame, list[tuple[str, str]], list[tuple[str, str]]]:
    """Return the scan files that a sheet lists, without reading them."""
    sheet = read_sheet(path, known=(*SCAN_COLUMNS, "time"))
    rows, left_out, notes = _scan_rows(sheet, path.name, date_order, doubtful)
    return rows, left_out, [(path.name, note) for note in (*sheet.notes, *notes)]


def join_scans(sheets: FolderSheets, results: Sequence[list[Scan] | str]) -> MeasuredFolder:
    """Join the rows of the sheet with what their files held: scans, or why there are none."""
    rows, left_out = sheets.rows, list(sheets.left_out)
    scans: list[Scan] = []
    kept: list[int] = []  # the row of each scan
    unread: set[tuple[str, str]] = set()
    taken: set[str] = set()
    said = zip(rows["file"], rows["instrument"], rows["role"], results, strict=True)
    for at, (file, instrument, role, result) in enumerate(said):
        if isinstance(result, str):
            left_out.append((file, result))
            unread.add((instrument, role))
            continue
        for scan in result:
            if scan.scan_id in taken:
                # columns of one name in several files are spectra of their own
                scan = replace(scan, scan_id=f"{file}#{scan.scan_id}")
            if scan.scan_id in taken:
                left_out.append((file, f"a second scan named {scan.scan_id!r}; give each its own name"))
                continue
            taken.add(scan.scan_id)
            scans.append(scan)
            kept.append(at)
    table = rows.iloc[kept].set_axis(pd.Index([scan.scan_id for scan in scans], name="scan_id", dtype=object), axis=0)
    notes = [
        *sheets.notes,
        *_name_instruments(table, scans),
        *_times_of_headers(table, scans),
        *_roles_of_titles(table),
    ]
    return MeasuredFolder(table, sheets.batches, sheets.materials, left_out, notes, sheets.unlisted, scans, unread)


def named_in_header(scan: Scan, column: str) -> str:
    """Return what a file's header states under the name of a column of the sheet; "" where it does not."""
    return next((value.strip() for key, value in scan.meta.items() if folded(key) == column), "")


def _name_instruments(table: pd.DataFrame, scans: Sequence[Scan]) -> list[tuple[str, str]]:
    """Take the instrument of rows that state none from the headers of their files, if all of those do, and say so."""
    stated, named = table["instrument"].tolist(), [named_in_header(scan, "instrument") for scan in scans]
    # the sheet's own word for what a header names, where other rows state it
    word = {header: own for own, header in zip(stated, named, strict=True) if own}
    full = [own or word.get(header, header) for own, header in zip(stated, named, strict=True)]
    if full == stated or not all(full):
        return []
    table["instrument"] = full
    taken = listed([*dict.fromkeys(own for own, before in zip(full, stated, strict=True) if not before)], MOST_NAMED)
    return [("instrument", f"instrument: not stated in the sheet, taken from the headers of the files: {taken}")]


def _times_of_headers(table: pd.DataFrame, scans: Sequence[Scan]) -> list[tuple[str, str]]:
    """Take the times of scans from their headers where the sheet states none and every header one that is certain."""
    if any(time is not None for time in table["time"]):
        return []
    times: list[datetime] = []
    for scan in scans:
        stated = {folded(key): value.strip() for key, value in scan.meta.items()}
        day = next((stated[name] for name in stated if name in TIME_NAMES), "")
        found = {when for _, when, _ in date_readings(_with_clock(day, stated.get("time", "")))}
        times += found if len(found) == 1 else ()
    if len(times) < len(scans) or len({time.tzinfo is None for time in times}) != 1:
        return []
    table["time"] = pd.Series(times, index=table.index, dtype=object)
    table["measured_at"] = [time.isoformat() for time in times]
    return [("measured_at", "measured_at: not stated in the sheet, taken from the headers of the files")]


def _roles_of_titles(table: pd.DataFrame) -> list[tuple[str, str]]:
    """Take columns titled dark and reference as such, where one file holds both and the sheet lists none of its own."""
    if table["role"].isin(("dark", "reference")).any():
        return []
    titles = pd.Series([ROLE_TITLES.get(folded(name.rpartition("#")[2]), "") for name in table.index], table.index)
    both = titles[titles != ""].groupby(table["file"]).nunique() == 2
    own = titles.index[(titles != "") & table["file"].isin(both.index[both])]
    table.loc[own, "role"] = titles[own]
    table.loc[own, ["sample", "pour", "batch", "beer"]] = ""
    return [(str(name), f"{name}: taken as {titles[name]}, by its title") for name in own]


def _scan_rows(
    sheet: Sheet, name: str, date_order: str | None, doubtful: list[DoubtfulDate]
) -> tuple[pd.DataFrame, list[tuple[str, str]], list[str]]:
    """Check and type the rows of `scans.csv`; rows whose names a spreadsheet has destroyed are left out."""
    table = sheet.table
    for column in ("file", "role"):
        if column not in table:
            raise SheetError(
                f"{name}: no column {column!r}; file and role ({', '.join(ROLES)}) are always needed, got "
                f"{', '.join(table.columns)}"
            )
    if table.empty:
        raise SheetError(f"{name}: a header but no rows; list the scan files, one a row")
    numbers = number_columns(sheet, SCAN_NUMBERS, name=name)
    full, notes = table.copy(), merged_cells(sheet, name=name)
    times: list[datetime | None] = [None] * len(table)
    if "measured_at" in table:
        clocks = table["time"] if "time" in table else [""] * len(table)
        cells = [_with_clock(day, clock) for day, clock in zip(table["measured_at"], clocks, strict=True)]
        dates = read_dates(cells, sheet.lines, "measured_at", name=name, date_order=date_order)
        full["measured_at"], times = dates.text, dates.times
        doubtful += dates.doubtful
        notes += dates.notes
    elif "time" in table:
        notes.append("column time: not used without the day; add it as measured_at")
    for column in SCAN_COLUMNS:
        if column not in full:
            full[column] = float("nan") if column in SCAN_NUMBERS else ""
    full[list(numbers.columns)] = numbers
    full["role"] = full["role"].str.lower()
    full["reference_kind"] = reference_kinds(full["reference_kind"].tolist(), sheet.lines, name)
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
    notes += name_counted_pours(full, name)
    destroyed = [
        (i, f"line {line}, column {column}: {cell!r} is a spreadsheet's error mark; write the name again")
        for column in ("sample", "pour", "batch")
        for i, (line, cell) in enumerate(zip(sheet.lines, full[column], strict=True))
        if is_error_mark(cell)
    ]
    left_out = [(full["file"].iloc[i], f"{name}, {reason}") for i, reason in destroyed]
    return full.drop(index=full.index[sorted({i for i, _ in destroyed})]), left_out, notes


def _with_clock(day: str, clock: str) -> str:
    """Return a day with the hour that another column gives it."""
    joined = f"{day} {clock}"
    of_day = clock and not any(timed for _, _, timed in date_readings(day))
    return joined if of_day and date_readings(joined) else day


def _read_one(folder: Path, file: str, reading: Mapping[str, Any]) -> list[Scan] | str:
    try:
        scans = read_scans(f"{folder}/{file}", **reading)
    except SpecmatchError as error:
        if not (folder / file).is_file():
            return NOT_FOUND
        name = PurePosixPath(file).name
        return str(error).removeprefix(f"{name}: ").removeprefix(f"{name}, ")
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
        return [_read_one(folder, file, reading) for file in counted_off(files, f"files of {folder}", len(files))]
    # a task costs more than a small file, so files travel in chunks
    chunks = [files[i : i + 100] for i in range(0, len(files), 100)]
    parts = each_of(_read_all, ((folder, chunk, None, dict(reading)) for chunk in chunks), n_jobs)
    return [result for part in parts for result in part]
