"""The sheets of a measured folder, CSV or Excel, as text: where they are, and what to say where they are not."""

import csv
import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import DoubtfulDate, ScanFileError, SheetError
from specmatch.measurement.folder.columns import (
    BATCH_COLUMNS,
    EVERY_COLUMN,
    NAMES,
    RANGES,
    ROLES,
    SCAN_COLUMNS,
    UnknownColumn,
    check_columns,
    folded,
    known_name,
    unknown_column,
)
from specmatch.measurement.folder.dates import read_dates
from specmatch.measurement.readers.cells import (
    NumberMarks,
    decode_text,
    looks_numeric,
    parse_number,
    possible_marks,
    token_kind,
)
from specmatch.measurement.readers.scan import told_of
from specmatch.wording import listed

_SPREADSHEETS = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".xls", ".ods")
_SET_DESCRIPTOR = "datapackage.json"
_MOST_NAMED = 3
_MOST_ABOVE = 10  # lines above a header: a title, who and when


def find_sheet(folder: Path, stem: str) -> Path | None:
    """Return the sheet `stem` of a folder (`scans.csv`, or a spreadsheet of that name), or None."""
    found = _sheets(folder, stem)
    if len(found) > 1:
        raise SheetError(f"{folder}: both {found[0].name} and {found[1].name}; keep the one that counts")
    return found[0] if found else None


def scans_sheet(folder: Path) -> Path:
    """Return the sheet of scans of a folder."""
    found = find_sheet(folder, "scans")
    if found is None:
        raise SheetError(f"{folder}: no scans.csv; {_way_out(folder)}")
    return found


def _sheets(folder: Path, stem: str) -> list[Path]:
    return [folder / f"{stem}{suffix}" for suffix in _SPREADSHEETS if (folder / f"{stem}{suffix}").is_file()]


def _way_out(folder: Path) -> str:
    if (folder / _SET_DESCRIPTOR).is_file():
        return "it is a reference set; name a measured folder here (two sets are joined by specmatch merge)"
    inside = sorted(path for path in folder.iterdir() if path.is_dir() and _sheets(path, "scans"))
    near = inside or [path for path in (folder.parent,) if _sheets(path, "scans")]
    if near:
        named = ", ".join(str(path) for path in near[:_MOST_NAMED])
        return f"{named} {'has' if len(near) == 1 else 'have'} one: name that folder"
    alike = [path.name for path in sorted(folder.iterdir()) if _looks_like_scans(path)]
    if alike:
        return f"{alike[0]} looks like it: name it scans{Path(alike[0]).suffix.lower()}"
    return (
        "the folder needs one with the columns file and role, a row a file; begin it from the names of the files: "
        f"specmatch measure {folder} --begin-sheet"
    )


def is_sheet(path: Path) -> bool:
    """Say whether a path is a file that ends as a sheet may."""
    return path.suffix.lower() in _SPREADSHEETS and path.is_file()


def looks_like_sheet(path: Path) -> bool:
    """Say whether a file of any name is a sheet: of its columns two or more, and half of them, are known."""
    if not is_sheet(path):
        return False
    try:
        sheet = read_sheet(path, trusted=False)
    except SheetError:
        return False
    n_known = len(sheet.table.columns) - len(sheet.unknown)
    return n_known > 1 and n_known >= len(sheet.unknown)


def _looks_like_scans(path: Path) -> bool:
    """Say whether a file may be the sheet of scans under another name: two columns of it or more, one of them names."""
    if not is_sheet(path):
        return False
    try:
        sheet = read_sheet(path, known=SCAN_COLUMNS, trusted=False)
    except SheetError:
        return False
    meant = {column.nearest for column in sheet.unknown if column.meant} | {*sheet.table.columns} & {*SCAN_COLUMNS}
    return len(meant) > 1 and "file" in meant


_ERROR_MARK = re.compile(r"#(?:REF|VALUE|NAME|DIV/0|NUM|NULL|N/A)[!?]?\Z|#{2,}\Z", re.I)
_REWRITTEN_NUMBER = re.compile(r"\d(?:[.,]\d+)?E\+\d{2,}\Z")
_REWRITTEN_DATE = re.compile(
    r"(?:\d{1,2}[-. ](?:jan|feb|mar|m\u00e4r|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?(?:[-. ]\d{2,4})?"
    r"|(?:jan|feb|mar|m\u00e4r|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?[-. ]\d{2,4})\Z",
    re.I,
)


# a formula that came to an empty text has a type, `t="str"`
_UNSAVED = re.compile(rb'<c r="([A-Z]+\d+)"(?:(?! t=)[^>])*><f[^>]*>[^<]*</f>(?:<v></v>|<v ?/>)?</c>')


def read_spreadsheet(path: Path) -> tuple[list[list[str]], list[int]]:
    """Read the sheet of an Excel file that bears the file's name, else the first, every cell as text."""
    try:
        with pd.ExcelFile(path) as book:
            own = [name for name in book.sheet_names if str(name).strip().casefold() == path.stem.casefold()]
            which = own[0] if own else 0
            table = pd.read_excel(
                book, sheet_name=which, header=None, dtype=object, keep_default_na=False, na_filter=False
            )
        unsaved = _formula_without_value(path) if (table == "").to_numpy().any() else ""
    except ImportError as error:
        raise SheetError(
            f"{path.name}: reading it needs another package ({error}); install it, or export the sheet as CSV"
        ) from None
    except FileNotFoundError:
        raise SheetError(f"{path}: cannot be read; check the name and the folder") from None
    except Exception as error:  # the engines raise errors of many kinds for a damaged file
        raise SheetError(f"{path.name}: is no readable spreadsheet ({error}); export the sheet as CSV") from None
    if unsaved:
        raise SheetError(
            f"{path.name}, cell {unsaved}: a formula whose value is not saved with it; open the file in a spreadsheet "
            "program, save it there, or export the sheet as CSV"
        )
    every = [list(map(_as_text, row)) for row in table.itertuples(index=False, name=None)]
    lines = [number for number, cells in enumerate(every, 1) if any(cells)]
    return [every[number - 1] for number in lines], lines


def _formula_without_value(path: Path) -> str:
    """Return the first cell of an Excel file whose formula was never worked out, "" if there is none."""
    if path.suffix.lower() not in (".xlsx", ".xlsm"):
        return ""
    with zipfile.ZipFile(path) as book:
        sheets = (book.read(name) for name in book.namelist() if name.startswith("xl/worksheets/"))
        return next((found[1].decode() for found in map(_UNSAVED.search, sheets) if found), "")


def _as_text(cell: object) -> str:
    if cell is None or (isinstance(cell, float) and cell != cell):
        return ""
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, datetime) and cell.time() == time():
        cell = cell.date()  # a day has no hour of its own there
    return cell.isoformat() if isinstance(cell, date) else str(cell)


def is_error_mark(cell: str) -> bool:
    """Say whether a spreadsheet has left an error mark in a cell in place of a value."""
    return cell[:1] == "#" and _ERROR_MARK.match(cell) is not None and cell.upper() != "#N/A"


def damage(cell: str, *, is_name: bool) -> str:
    """Say what a spreadsheet has likely done to a cell."""
    if is_error_mark(cell):
        return "is a spreadsheet's error mark, not a value"
    if is_name and _REWRITTEN_NUMBER.match(cell):
        return "looks like a long number that a spreadsheet rewrote; format the column as text and export again"
    if is_name and _REWRITTEN_DATE.match(cell):
        return "looks like a name that a spreadsheet made a date; format the column as text and export again"
    return ""


_UNIT_BEHIND = re.compile(r"(.*\d)\s*\u00b0?\s*(EBC|SRM)\Z", re.I)
_IN_HEADING = ("ml", "mm", "ms", "c")
_OUTER = " \t\r\n\u00a0\u202f\u2009\u200b\ufeff"


@dataclass(frozen=True)
class Sheet:
    """A sheet as text."""

    # columns as in the file (known names in lower case), outer blanks trimmed; nothing turned into numbers
    table: pd.DataFrame
    lines: list[int]  # line (or spreadsheet row) of each row
    notes: list[str] = field(default_factory=list)  # damage and oddities, each with its row and column
    unknown: tuple[UnknownColumn, ...] = ()  # columns that are not known


def read_sheet(
    path: str | Path,
    *,
    known: Sequence[str] = (*SCAN_COLUMNS, *BATCH_COLUMNS),
    optional: Sequence[str] = (),
    trusted: bool = True,
) -> Sheet:
    """Read a sheet with every cell as text; a likely misnamed column refuses it, unless it is only looked at."""
    # optional: known names that no answer of this sheet rests on
    path = Path(path)
    if path.suffix.lower() in (".xlsx", ".xls", ".xlsm", ".ods"):
        rows, lines = read_spreadsheet(path)
    else:
        rows, lines = _text_rows(path, known)
    if not rows:
        raise SheetError(f"{path.name}: the sheet is empty; expected a header such as {', '.join(known[:3])}")
    above = _lines_above(rows, known)
    body, body_lines, notes = [], [], []
    for row, line in zip(rows[:above], lines[:above], strict=True):
        said = " ".join(cell.strip(_OUTER) for cell in row if cell.strip(_OUTER))
        notes.append(f"{path.name}, line {line}: {said!r} stands above the header, and is passed over")
    rows, lines = rows[above:], lines[above:]
    header = [cell.strip(_OUTER) for cell in rows[0]]
    while header and not header[-1]:
        header.pop()
    names = [known_name(name, known) for name in header]
    blank = [j + 1 for j, name in enumerate(names) if not name]
    twice = sorted({name for name in names if names.count(name) > 1 and name})
    if not names or blank or twice:
        what = f"column {blank[0]} has no name" if blank else "the header is empty"
        if twice:
            what = f"columns {twice} stand twice"
        raise SheetError(f"{path.name}, line {lines[0]}: {what}; name every column once")
    for row, line in zip(rows[1:], lines[1:], strict=True):
        cells = [cell.strip(_OUTER) for cell in row]
        if not any(cells):
            continue
        if len(cells) < len(names) or any(cells[len(names) :]):
            raise SheetError(
                f"{path.name}, line {line}: {len(cells)} cells where the header has {len(names)}; a separator is "
                "lost, or a cell with a separator in it lacks its quotes"
            )
        body.append(cells[: len(names)])
        body_lines.append(line)
        for name, cell in zip(names, cells, strict=False):
            if said := damage(cell, is_name=name in NAMES):
                notes.append(f"{path.name}, line {line}, column {name}: {cell!r} {said}")
    table = pd.DataFrame(body, columns=names, dtype=object)
    unknown = tuple(unknown_column(name, known) for name in names if name not in known)
    if trusted:
        refuse_misnamed(unknown, [*names, *optional], path.name)
        check_columns(table, body_lines, unknown, name=path.name)
    notes += [f"{path.name}: {_said_of(column)}" for column in unknown]
    return Sheet(table, body_lines, notes, unknown)


def _lines_above(rows: Sequence[Sequence[str]], known: Sequence[str]) -> int:
    """Return how many lines stand above the header: none unless the first names no column and a later one two."""

    def named(row: Sequence[str]) -> int:
        names = [known_name(cell.strip(_OUTER), known) for cell in row if cell.strip(_OUTER)]
        return sum(name in known or unknown_column(name, known).meant for name in names)

    if named(rows[0]):
        return 0
    return next((at for at, row in enumerate(rows[:_MOST_ABOVE]) if named(row) > 1), 0)


def refuse_misnamed(unknown: Sequence[UnknownColumn], present: Sequence[str], name: str) -> None:
    """Refuse a sheet that holds near misses of columns that would change an answer, where those columns are absent."""
    meant = [column for column in unknown if column.meant and column.nearest not in present]
    if not meant:
        return
    head = [f"{column.nearest!r}{_and_unit(column)}" for column in meant]
    likewise = [f"{column.name!r} {name}" for column, name in zip(meant[1:], head[1:], strict=True)]
    more = f"; likewise head {', '.join(likewise)}" if likewise else ""
    there = {*present, *(column.nearest for column in meant)}
    if "file" in there and "role" not in there:
        more += f"; and add a column 'role': {', '.join(ROLES[:-1])} or {ROLES[-1]}"
    raise SheetError(
        f"{name}: column {meant[0].name!r} is not known, and is likely meant for {meant[0].nearest!r}, which the "
        f"sheet lacks; head it {head[0]} if it is that, else give it another name{more}"
    )


def _and_unit(column: UnknownColumn) -> str:
    """Say where the colour unit goes that the name of a column states."""
    stated = folded(column.unit).upper().split("_")
    unit = next((unit for unit in ("EBC", "SRM") if column.nearest == "colour" and unit in stated), "")
    return f", and {unit!r} in the column 'colour_unit'" if unit else ""


def _said_of(column: UnknownColumn) -> str:
    if column.name in EVERY_COLUMN:
        return f"column {column.name!r} belongs in another sheet, and is not used here"
    if column.elsewhere:
        return f"column {column.name!r} is not used here; if it is {column.elsewhere!r}, that stands in another sheet"
    return f"column {column.name!r} is not known and not used; the nearest known name is {column.nearest!r}"


def _place_of_unit(column: str, cell: str) -> str:
    """Say where the unit of a colour goes that stands behind its number."""
    unit = next((unit for unit in ("EBC", "SRM") if column == "colour" and unit in cell.upper()), "")
    return f" and {unit!r} beside it in the column 'colour_unit', with the unit of every other row" if unit else ""


def _text_rows(path: Path, known: Sequence[str]) -> tuple[list[list[str]], list[int]]:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise SheetError(f"{path}: cannot be read ({error.strerror}); check the name and the folder") from None
    try:
        with told_of(path.name):
            text, _ = decode_text(raw)
    except ScanFileError as error:
        raise SheetError(str(error)) from None
    first = [line for line in text.split("\n") if line.strip(_OUTER)][:_MOST_ABOVE]

    def columns(line: str, mark: str) -> tuple[int, int]:
        return len({folded(cell.strip(_OUTER + '"')) for cell in line.split(mark)} & set(known)), line.count(mark)

    separator = max(",;\t|", key=lambda mark: max((columns(line, mark) for line in first), default=(0, 0)))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True)
    rows, lines, last = [], [], 0
    try:
        for row in reader:
            if any(cell.strip(_OUTER) for cell in row):
                rows.append(row)
                lines.append(last + 1)
            last = reader.line_num
    except csv.Error as error:
        raise SheetError(f"{path.name}, line {reader.line_num}: {error}; check the quotes of the line") from None
    return rows, lines


def _without_unit(cell: str, column: str) -> str:
    """Return a number without the unit that its column is headed with: `10 mL` under `fill_ml` is 10."""
    unit = column.rpartition("_")[2]
    return re.sub(rf"(?<=\d)\s*(?:\u00b0|deg)?\s*{unit}\Z", "", cell, flags=re.I) if unit in _IN_HEADING else cell


def number_columns(sheet: Sheet, columns: Sequence[str], *, name: str) -> pd.DataFrame:
    """Return columns of a sheet as numbers, NaN where blank, under one pair of decimal and thousands marks."""
    present = [column for column in columns if column in sheet.table]
    own = {column: [_without_unit(cell, column) for cell in sheet.table[column]] for column in present}
    cells = [
        (column, line, cell)
        for column in present
        for line, cell in zip(sheet.lines, own[column], strict=True)
        if token_kind(cell) != "missing"
    ]
    for column, line, cell in cells:
        if not looks_numeric(cell):
            raise SheetError(
                f"{name}, line {line}, column {column}: {cell!r} is not a number; write the number alone"
                f"{_place_of_unit(column, cell)}, or leave it blank"
            )
    found = possible_marks((cell for _, _, cell in cells), blank_groups=True)

    def fits(marks: NumberMarks) -> bool:
        return all(
            RANGES[column][0] <= (parse_number(cell, marks) or 0.0) <= RANGES[column][1] for column, _, cell in cells
        )

    likely = found if len(found) == 1 else [marks for marks in found if fits(marks)]
    if len(likely) > 1:
        column, line, cell = next(c for c in cells if parse_number(c[2], likely[0]) != parse_number(c[2], likely[1]))
        raise SheetError(
            f"{name}, line {line}, column {column}: {cell!r} may be {parse_number(cell, likely[0]):g} or "
            f"{parse_number(cell, likely[1]):g}; write it without a thousands mark, with another number of decimals"
        )
    if cells and not likely:
        bad = next((c for c in cells if "," in c[2]), cells[0])
        raise SheetError(
            f"{name}, line {bad[1]}, column {bad[0]}: {bad[2]!r} and other numbers of the sheet use different "
            "decimal marks; write all of them with the same"
        )
    out = pd.DataFrame(index=sheet.table.index, columns=present, dtype=float)
    for column in present:
        values = [parse_number(cell, likely[0]) if likely and looks_numeric(cell) else None for cell in own[column]]
        out[column] = np.array(values, dtype=float)
        refuse_out_of_range(out[column].to_numpy(), column, sheet.lines, name=name)
    return out


def refuse_out_of_range(values: Floats, column: str, lines: Sequence[int], *, name: str) -> None:
    """Refuse numbers that can only be a slip of the pen or of a decimal mark; NaN is none."""
    low, high = RANGES[column]
    outside = (values < low) | (values > high)
    if outside.any():
        at = int(outside.argmax())
        raise SheetError(
            f"{name}, line {lines[at]}, column {column}: {values[at]:g} is outside {low:g} to {high:g}; check the "
            "number and its unit"
        )


def keyed_sheet(
    path: Path, key: str, what: str, doubtful: list[DoubtfulDate], *, known: Sequence[str], numbers: Sequence[str],
    optional: Sequence[str] = (), dates: Sequence[str] = (), date_order: str | None = None,
) -> tuple[Sheet, pd.DataFrame]:  # fmt: skip
    """Read a sheet whose rows one column names: its text, with dates in ISO order, and its numbers."""
    # what: the way out of a sheet without that column
    sheet = _units_apart(read_sheet(path, known=known, optional=optional), name=path.name)
    if key not in sheet.table:
        raise SheetError(f"{path.name}: no column {key!r}, got {listed(list(sheet.table), 12)}; {what}")
    found = number_columns(sheet, numbers, name=path.name)
    _refuse_units_in_part(sheet, name=path.name)
    table, notes = sheet.table.copy(), list(sheet.notes)
    for column in (column for column in dates if column in table):
        read = read_dates(table[column], sheet.lines, column, name=path.name, date_order=date_order)
        table[column] = read.text
        doubtful += read.doubtful
        notes += read.notes
    return replace(sheet, table=table, notes=notes), found


def _units_apart(sheet: Sheet, *, name: str) -> Sheet:
    """Move units that stand behind the colours into the column for them, where every colour has one."""
    table = sheet.table
    if "colour" not in table:
        return sheet
    units = list(table["colour_unit"]) if "colour_unit" in table else [""] * len(table)
    behind = [_UNIT_BEHIND.match(cell) for cell in table["colour"]]
    found = [match[2].upper() if match else unit for match, unit in zip(behind, units, strict=True)]
    stated = [token_kind(cell) == "missing" or unit for cell, unit in zip(table["colour"], found, strict=True)]
    if not any(behind) or not all(stated):
        return sheet
    for line, unit, own in zip(sheet.lines, units, found, strict=True):
        if unit and folded(unit).upper() != folded(own).upper():
            raise SheetError(
                f"{name}, line {line}: {own!r} behind the colour and {unit!r} in the column 'colour_unit'; keep one"
            )
    colours = [match[1] if match else cell for match, cell in zip(behind, table["colour"], strict=True)]
    note = f"{name}, column colour: units behind the numbers are taken as its colour_unit"
    return replace(sheet, table=table.assign(colour=colours, colour_unit=found), notes=[*sheet.notes, note])


def _refuse_units_in_part(sheet: Sheet, *, name: str) -> None:
    """Refuse colours of which only some have their unit beside them: the rest cannot be told."""
    table = sheet.table
    if "colour" not in table or "colour_unit" not in table:
        return
    given = [bool(cell) for cell in table["colour_unit"]]
    some = any(given)
    for line, colour, unit in zip(sheet.lines, table["colour"], given, strict=True):
        if some and colour and not unit:
            raise SheetError(
                f"{name}, line {line}, column colour_unit: blank beside the colour {colour!r}, where other rows state "
                "a unit; write EBC or SRM in every row, or in none"
            )


# a blank in these makes a scan another sample, batch or instrument; elsewhere it only leaves something unsaid
_REFUSED = ("sample", "batch", "instrument", "session")
_ELSE_TOLD = ("pour", "beer", "cup", "cup_mm", "fill_ml", "measured_at", "stage", "reference_kind")
# one blank is a slip of its own kind; two filled cells with blanks under them are a habit of the whole column
_FEWEST = 2
_MOST_LINES = 8


def merged_cells(sheet: Sheet, *, name: str) -> list[str]:
    """Refuse blanks that look merged where they would change what a scan is of; elsewhere tell of them."""
    table = sheet.table
    if "role" not in table:
        return []
    roles = table["role"].str.lower().tolist()
    notes = []
    for column in (c for c in (*_REFUSED, *_ELSE_TOLD) if c in table):
        under, above, alone, blanks = "", 0, False, []
        heads = set()
        for line, role, cell in zip(sheet.lines, roles, table[column], strict=True):
            # darks and references have no sample: only rows of one role follow on each other
            if role != "sample":
                under = ""
            elif cell:
                # a merged cell holds its value once
                under, above, alone = cell, line, cell != under
            elif under and alone:
                heads.add(above)
                blanks.append(line)
        if not blanks:
            continue
        lines = ", ".join(map(str, blanks[:_MOST_LINES])) + (" and more" if len(blanks) > _MOST_LINES else "")
        said = f"column {column}: blank under a filled cell in {len(blanks)} rows (line {lines})"
        if column in _REFUSED and (len(heads) >= _FEWEST or (column == "sample" and len(blanks) >= _FEWEST)):
            raise SheetError(
                f"{name}, {said}; merged cells keep their value in the first row only: write it in every row"
            )
        notes.append(f"{said}: taken as not stated; merged cells keep their value in the first row only")
    return notes
