"""From a table of cells to spectra in rows under a header of wavelengths."""

import re
from collections.abc import Sequence

import numpy as np

from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.readers.axis import loose_number, table_in_columns
from specmatch.measurement.readers.cells import (
    APOSTROPHES,
    BLANKS,
    NumberMarks,
    Row,
    is_data_line,
    is_value,
    looks_numeric,
    names_column,
    parse_number,
    possible_marks,
    read_meta,
    split_table,
)
from specmatch.measurement.readers.scan import (
    Notes,
    ParsedText,
    RawSpectrum,
    ReadOptions,
    cells_to_numbers,
    decimals_of,
    refuse_marks,
)

_GROUPS = BLANKS + APOSTROPHES
# so many numbers that rise are no row of counts, also where they run on into the infrared
_SURE, _LONGEST_NM = 20, 3500
_LARGEST_PER_CM = 60000  # 167 nm


def rows_reading(lines: Sequence[str], split: list[Row], separator: str, told: ReadOptions) -> ParsedText:
    """Read a text, split by `split_rows`, as spectra in rows under a header of wavelengths."""
    found = _head(split)
    if found is None:
        raise ScanFileError("no header of wavelengths over rows of values", stage="table")
    head, labels = found
    axis = [cell for cell in labels if cell]
    first = len(split[head]) - len(labels)
    rows, row_lines, footer_from, notes = _rows_under(lines, split, head, first)
    if not rows:
        raise ScanFileError("a header of wavelengths but no row of values under it")
    lines_of = [(head + 1, axis), *((n, row[first:]) for n, row in zip(row_lines, rows, strict=True))]
    marks = _marks_of(lines_of, separator, told)
    values, over = cells_to_numbers([row[first:] for row in rows], marks)
    x = np.array([parse_number(cell, marks) for cell in axis], dtype=float)
    corner = " ".join(split[head][:first])
    axis_words, axis_decimals = f"{corner} {split[head][-1]}", decimals_of(axis, marks)
    spectra = [
        RawSpectrum(
            row[0] if first else "", x, v, o, axis_words, corner, axis_decimals, decimals_of(row[first:], marks),
            np.full(x.size, line),
        )
        for row, v, o, line in zip(rows, values, over, row_lines, strict=True)
    ]  # fmt: skip
    meta = read_meta(lines[:head], first_line=1) | read_meta(lines[footer_from:], first_line=footer_from + 1)
    return ParsedText("rows", separator, marks, spectra, meta, row_lines[-1] < len(lines), notes=notes)


def _rows_under(
    lines: Sequence[str], split: list[Row], head: int, first: int
) -> tuple[list[Row], list[int], int, Notes]:
    """Return the rows of numbers under a header, their lines, where the footer begins, and what was noted."""
    n_points = sum(1 for cell in split[head][first:] if cell)
    rows, row_lines, footer_from = [], [], len(lines)
    notes = Notes()
    for i in (i for i in range(head + 1, len(split)) if any(split[i])):
        cells = split[i]
        if cells == split[head]:
            notes.doubt(f"the header is repeated in line {i + 1}")
            continue
        of_numbers = all(map(is_value, cells[first:])) and any(map(looks_numeric, cells[first:]))
        if of_numbers and len(cells) == len(split[head]):
            if footer_from < len(lines):
                raise ScanFileError(
                    f"line {footer_from + 1}: {lines[footer_from].strip()[:40]!r} breaks the table; mend the line"
                )
            rows.append(cells)
            row_lines.append(i + 1)
        elif sum(map(looks_numeric, cells)) >= max(2, n_points // 2):
            raise ScanFileError(
                f"line {i + 1}: {len(cells)} fields where the header has {len(split[head])}, or text among the "
                "numbers; mend the line"
            )
        else:
            footer_from = min(footer_from, i)
    return rows, row_lines, footer_from, notes


def _marks_of(lines_of: Sequence[tuple[int, Sequence[str]]], separator: str, told: ReadOptions) -> NumberMarks:
    """Return the one pair of marks under which the header of wavelengths, which stands first, goes one way."""
    axis = lines_of[0][1]
    placed = [(n, cell) for n, row in lines_of for cell in row if looks_numeric(cell)]
    numbers = [cell for _, cell in placed]
    found = possible_marks(numbers, decimal=told.decimal, thousands=told.thousands, blank_groups=separator in "\t;|")
    axes = [(marks, [parse_number(cell, marks) for cell in axis]) for marks in found]
    found = [marks for marks, x in axes if _rising(x)]
    if len(found) > 1:  # 398.370 is no wavelength as 398370
        found = [marks for marks, x in axes if _rising(x) and _could_be_axis([v for v in x if v is not None])] or found
    if not found:
        raise refuse_marks(placed, told)
    if len(found) > 1:
        cell = next(c for c in numbers if parse_number(c, found[0]) != parse_number(c, found[1]))
        raise AmbiguousScanFileError(
            f"{cell!r} may be {parse_number(cell, found[0]):g} or {parse_number(cell, found[1]):g}; give decimal= and "
            "thousands="
        )
    return found[0]


def split_rows(lines: Sequence[str], separator: str) -> list[Row]:
    """Split lines, without the empty cell that a separator at the end of every line makes."""
    split, _, _ = split_table(lines, separator)
    table = [cells for cells in split if len(cells) > 2]
    if separator != " " and table and all(cells[-1] == "" for cells in table):
        split = [cells[:-1] if len(cells) > 2 else cells for cells in split]
    return split


def _head(split: list[Row]) -> tuple[int, list[str]] | None:
    """Return the header of wavelengths and its line; it stands above all numbers."""
    for i, cells in enumerate(split):
        axis = wavelength_header(cells)
        if axis is not None:
            return i, axis
        if is_data_line(cells):
            return None
    return None


def rows_may_be(split: list[Row], *, refused: bool) -> bool:
    """Say whether a text may hold spectra in rows; `refused` where a table in columns was found and refused."""
    found = _head(split)
    if found is None:
        return not refused
    head, axis = found
    if len(split[head]) > len(axis):
        return True  # the header has a corner, which no line of a table in columns has
    if any(len(cells) == len(axis) and names_column(cells) for cells in split[:head]):
        return False
    return not refused and len(axis) > 2 and not table_in_columns([c for c in split[head:] if is_data_line(c)])


def _rising(axis: Sequence[float | None]) -> bool:
    steps = np.diff(np.array(axis, dtype=float))  # NaN, which is no step up or down, where a cell is no number
    return bool((steps > 0).all() or (steps < 0).all())


def _in_a_range(cell: str) -> bool:
    """False for a plain number that is no wavelength under any marks; a quick look before the thorough one."""
    x = loose_number(cell)
    grouped = 1000.0 * x if "." in cell or "," in cell else x
    return not x < 0.2 and not (1.2 < x < 200 and not grouped >= 8000) and not _LONGEST_NM < x < 8000


def _could_be_axis(x: Sequence[float]) -> bool:
    """True for numbers that are wavelengths in nm, um or 1/cm; a count of columns or a row of counts is none."""
    longest = 1200 if len(x) < _SURE else _LONGEST_NM
    ranges = ((200, longest), (0.2, 1.2), (8000, _LARGEST_PER_CM))
    return any(low <= min(x) and max(x) <= high for low, high in ranges)


def wavelength_header(cells: list[str]) -> list[str] | None:
    """Return the wavelengths of a header line such as `batch,400,500` or `id;400 nm;410 nm`."""
    if len(cells) < 2 or not cells[-1] or not (cells[-1][0].isdigit() or cells[-1][0].isalpha() or cells[-1][0] == "."):
        return None
    if not (_in_a_range(cells[-1]) and (len(cells) == 2 or _in_a_range(cells[-2]))):
        return None
    bare = [re.sub(r"^[A-Za-z]{0,2}_?(?=\d)|\s{0,9}\[?(?:nm|\u00b5m|um|1/cm|cm-1)\]?$", "", cell) for cell in cells]
    first = len(bare)
    while first > 0 and looks_numeric(bare[first - 1]):
        first -= 1
    axis = bare[first:]
    if len(axis) < 2 or any(looks_numeric(cell) for cell in cells[:first]):
        return None
    for decimal, thousands in ((".", ""), (",", ""), (".", _GROUPS), (",", _GROUPS), (".", ","), (",", ".")):
        marks = NumberMarks(decimal, thousands)
        # a long line of numbers is seen to be no axis by its beginning
        if len(axis) > 8 and not _rising([parse_number(cell, marks) for cell in axis[:8]]):
            continue
        parsed = [parse_number(cell, marks) for cell in axis]
        if not _rising(parsed):
            continue
        x = [value for value in parsed if value is not None]
        if _could_be_axis(x):
            return axis
    return None
