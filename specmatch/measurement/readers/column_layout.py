"""From a text to its table of numbers, and from that to spectra in columns, or in pairs of wavelength and value."""

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.readers.axis import (
    FEWEST_POINTS,
    footer_cut,
    grown_upwards,
    is_footer,
    like_wavelengths,
    likely_axes,
    longest_run,
    loose_axis,
    loose_number,
    named_axes,
    numbering,
    one_way,
    reach,
    refuse_several,
)
from specmatch.measurement.readers.cells import (
    NumberMarks,
    Row,
    is_data_line,
    is_value,
    looks_numeric,
    names_column,
    names_over_units,
    pass_over_comments,
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
from specmatch.measurement.readers.units import Label, names_wavelength, read_label, same_axis, stated_x_unit
from specmatch.wording import counted


@dataclass(frozen=True)
class TextTable:
    """The lines of a text split at one separator."""

    separator: str
    rows: list[Row]  # the cells of the numeric lines, all of one length
    line_numbers: list[int]  # of each row, from 1
    names: Row  # the cells above the columns ("" where there are none)
    words: Row  # names and units above each column, joined
    meta: dict[str, str]  # header and footer as text
    whole: bool  # whether the last line ends with a line end
    # the first line whose trailing cells are left off, 0 if there is none; only pairs may be so written
    shortened_at: int = 0
    notes: Notes = field(default_factory=Notes)


def find_columns_table(lines: Sequence[str], separator: str, *, literal: bool = False) -> TextTable:
    """Find the one block of numeric lines, refusing a file in which it is broken or not the only one."""
    # literal: true where the caller has given separator and decimal mark, so that a comma has one meaning only
    split, units, changed = split_table(lines, separator)
    numeric = [is_data_line(cells) for cells in split]
    filled = [any(cells) for cells in split]
    if any(numeric) and not any(
        cells[0] for cells, data in zip(split, numeric, strict=True) if data
    ):  # an empty column
        split = [cells[1:] if filled[i] and not cells[0] else cells for i, cells in enumerate(split)]
        units, changed = {j - 1: unit for j, unit in units.items() if j}, {(i, j - 1) for i, j in changed}
    _begin_with_a_cell(split, numeric)
    notes = Notes()
    told, passed = pass_over_comments(lines, separator, split, numeric, filled)
    notes.doubt(*passed)
    first, last = longest_run(numeric, filled)
    if last - first + 1 < FEWEST_POINTS:
        raise _nothing_found(split, numeric, filled)
    block = [i for i in range(first, last + 1) if filled[i]]
    usual = Counter(len(split[i]) for i in block).most_common(1)[0][0]
    named = _names_above(split, filled, first, usual, separator)[1]
    column, axis = loose_axis([split[i] for i in block], named if len(named) == usual else [""] * usual)
    first = grown_upwards(split, filled, first, column, usual)
    last, footer = footer_cut(block, split, column, axis)
    if footer:
        notes.doubt(
            f"{counted(len(footer), 'line')} of numbers under the table left out, from line {footer[0] + 1}: they do "
            "not go on with the wavelengths"
        )
    block = [i for i in range(first, last + 1) if filled[i]]
    axis = np.array([loose_number(split[i][column]) if column < len(split[i]) else np.nan for i in block])
    width = _refuse_wide(block, split)
    refuse_several(split, numeric, filled, (first, last), column, axis)
    within = reach(axis)
    for i in range(len(split)):
        if filled[i] and (
            i < first or (i > last and i not in footer and not is_footer(i, split, last, column, within))
        ):
            _refuse_broken(i, split, numeric, filled, width, (first, last))
    rows, numbers = [split[i] for i in block], [i + 1 for i in block]
    _refuse_without_unit(block, split, units, changed)
    names, words, top = _names_above(split, filled, first, width, separator)
    if len(names) == width - 1 and rows[0][-1] and numbering(np.array([loose_number(row[0]) for row in rows])):
        names, words = ["", *names], ["", *words]  # numbers of rows have no name
    rows, names, words, width, ended = _without_end_mark(rows, names, words, width)
    # a decimal comma is never beside a blank or a quotation mark
    parted = not any(re.search(r"[^\"\s],[^\"\s]", lines[i]) for i in block)
    if separator == "," and not literal and not parted:
        _refuse_comma_twice(rows, numbers, names)
    elif len(names) != width and literal:
        notes.add(f"the header names {len(names)} columns, the table has {width}: the last have no name")
        names, words = [*names, *[""] * width][:width], [*words, *[""] * width][:width]
    if len(names) != width:
        raise ScanFileError(
            f"line {top + 1}: the header names {len(names)} columns, the table below has {width}; export the file "
            "again with one name a column"
        )
    words = [f"{word} [{units[j]}]" if j in units and units[j] not in word else word for j, word in enumerate(words)]
    shortened_at = _check_widths(rows, numbers, width, separator, ended)
    meta = told | read_meta(lines[:top], first_line=1) | read_meta(lines[last + 1 :], first_line=last + 2)
    return TextTable(separator, rows, numbers, names, words, meta, last < len(lines) - 1, shortened_at, notes)


def _begin_with_a_cell(split: list[Row], numeric: list[bool]) -> None:
    """Take from `numeric` lines that begin with an empty cell: they go on with longer pairs, and begin no table."""
    for i in range(len(split)):
        if numeric[i] and not split[i][0] and not any(numeric[max(i - 1, 0) : i]):
            numeric[i] = False


def _refuse_without_unit(
    block: list[int], split: list[Row], units: dict[int, str], changed: set[tuple[int, int]]
) -> None:
    """Refuse a number that stands without the unit of the others in its column."""
    for i in block:
        odd = next((j for j in units if j < len(split[i]) and (i, j) not in changed and looks_numeric(split[i][j])), -1)
        if odd >= 0:
            raise ScanFileError(
                f"line {i + 1}: {split[i][odd]!r} stands without the unit {units[odd]!r} of the other numbers; mend "
                "the line, or export the file without units"
            )


def _refuse_wide(block: list[int], split: list[Row]) -> int:
    """Return the width of a block, refusing one in which a few lines are wider than all others."""
    width = max(len(split[i]) for i in block)
    wide = [i for i in block if len(split[i]) == width]
    if len(wide) <= max(1, len(block) // 10) and len(block) - len(wide) >= 2:
        usual = Counter(len(split[i]) for i in block).most_common(1)[0][0]
        raise ScanFileError(
            f"line {wide[0] + 1}: {width} fields where the table has {usual}; a mark is too much, or a line is "
            "damaged: copy or export the file again"
        )
    return width


def _without_end_mark(rows: list[Row], names: Row, words: Row, width: int) -> tuple[list[Row], Row, Row, int, bool]:
    """Drop the empty column that a separator at each line's end makes, where no name stands over it."""
    ends = [len(row) == width and row[-1] == "" for row in rows]
    bare = len(names) < width or not names[-1]
    # the last line may have lost its mark to a cut
    if width < 3 or not bare or not all(ends[:-1]) or (len(names) == width - 2):
        return rows, names, words, width, False
    if not ends[-1]:
        return rows, [*names, *[""] * width][:width], [*words, *[""] * width][:width], width, False
    width -= 1
    return [row[:width] for row in rows], names[:width], words[:width], width, True


def _check_widths(rows: list[Row], numbers: list[int], width: int, separator: str, ended: bool) -> int:
    """Bring rows to one width where pairs have run out; refuse any other row that is short."""
    shortened_at, shortest = 0, width
    may_run_out = width >= 4 and width % 2 == 0 and separator != " " and not ended
    for k, row in enumerate(rows):
        if len(row) < shortest and len(row) % 2 == 0 and may_run_out:
            shortest, shortened_at = len(row), shortened_at or numbers[k]
        if len(row) != shortest:
            raise ScanFileError(
                f"line {numbers[k]}: {len(row)} fields where the table has {width}; a field or a mark is lost, or the "
                "file is cut: copy or export it again"
            )
        rows[k] = row + [""] * (width - shortest)
    return shortened_at


def _refuse_comma_twice(rows: list[Row], numbers: list[int], names: Row) -> None:
    """Refuse a comma-separated table of bare digits whose commas may be decimal marks as well."""
    row = max(rows, key=len)
    plain = all(cell.isdigit() or not cell for cells in rows for cell in cells)
    named = bool(names) and any(names) and len(names) == len(row) == min(map(len, rows))
    if not plain or named or len(row) < 3:
        return
    if len({len(cells) for cells in rows}) == 1 and _only_apart(rows):
        return
    readings = [f"{row[0]} | {','.join(row[1:3])}", f"{','.join(row[:2])} | {row[2]}"]
    if len(row) > 3:
        shown, more = row[:8], " | ..." if len(row) > 8 else ""
        pairs = [",".join(shown[i : i + 2]) for i in range(0, len(shown), 2)]
        readings = [" | ".join(shown) + more, " | ".join(pairs) + more]
    raise AmbiguousScanFileError(
        f"line {numbers[rows.index(row)]}: the comma may separate columns and mark decimals: {readings[0]} or "
        f"{readings[1]}; export with semicolons, or in Python give separator=',' and decimal='.'"
    )


def _only_apart(rows: list[Row]) -> bool:
    """True if digits between commas hold wavelengths as they stand, and none where a comma marks decimals."""
    if not all(all(cells) for cells in rows):
        return False
    apart = np.array(rows, dtype=float)
    width = apart.shape[1]
    joins = [range(0, width, 2)] if width % 2 == 0 else [range(k, k + 1) for k in range(width - 1)]
    joined = [np.array([float(f"{cells[j]}.{cells[j + 1]}") for cells in rows]) for places in joins for j in places]
    return any(map(like_wavelengths, apart.T)) and not any(map(like_wavelengths, joined))


def _nothing_found(split: list[Row], numeric: list[bool], filled: list[bool]) -> ScanFileError:
    if not any(filled):
        return ScanFileError("the file is empty; measure again or take it off the list")
    if not any(numeric):
        numbers = [sum(map(looks_numeric, cells)) for cells in split]
        texts = [
            i for i, n in enumerate(numbers) if n >= 2 or (n and len(split[i]) >= 2 and looks_numeric(split[i][0]))
        ]
        if texts:
            odd = next((cell for cell in split[texts[0]] if not is_value(cell)), "")
            said = f"line {texts[0] + 1}: {odd!r} is not a number; export numbers alone, a column a spectrum"
        else:
            said = "a header but no table of wavelengths and values; if this is a scan file, export it again"
        return ScanFileError(said, stage="table")
    first = numeric.index(True) + 1
    return ScanFileError(
        f"line {first}: {counted(sum(numeric), 'line')} of numbers, where a spectrum has {FEWEST_POINTS} or more; the "
        "file was cut short, or its other cells are no numbers: export it again"
    )


def _refuse_broken(
    i: int, split: list[Row], numeric: list[bool], filled: list[bool], width: int, ends: tuple[int, int]
) -> None:
    """Refuse numbers apart from the table, and a line beside the table that was one of it before it was damaged."""
    first, last = ends
    cells = split[i]
    beside = i == first - 1 or i == last + 1
    if numeric[i] and len(cells) == width:
        between = range(last + 1, i) if i > last else range(i + 1, first)
        broken = next((k for k in between if filled[k] and not numeric[k]), i)
        bad = next((cell for cell in split[broken] if cell and not is_value(cell)), "")
        what = f"{bad!r} is not a number" if bad else f"{len(split[broken])} fields where the table has {width}"
        raise ScanFileError(
            f"line {broken + 1}: {what}, with numbers above and below it; mend the line, or save one table a file if "
            "the file holds several tables"
        )
    if not beside:
        return
    wordless = not re.search(r"[^\W\d_]{2}", cells[0])
    others = [cell for cell in cells[1:] if cell]
    begins = looks_numeric(cells[0])
    ends_numeric = bool(others) and all(looks_numeric(cell) for cell in others) and len(cells) == width
    if begins or (wordless and cells[0] and ends_numeric):
        odd = next((cell for cell in cells if not is_value(cell)), None)
        said = f"{odd!r} is not a number" if odd is not None else f"{len(cells)} fields where the table has {width}"
        raise ScanFileError(f"line {i + 1}: {said}; the line is damaged or cut: copy or export the file again")


def _names_above(split: list[Row], filled: list[bool], first: int, width: int, separator: str) -> tuple[Row, Row, int]:
    """Find the line of names (and of units) above the block; return names, joined words, and where they begin."""
    empty = [""] * width
    above = [i for i in range(first) if filled[i]][-2:]
    if not above:
        return empty, empty, first
    lowest = above[-1]
    cells = split[lowest]
    if len(cells) > width and not any(cells[width:]):
        cells = cells[:width]
    sentence = any(cell.endswith(":") or "=" in cell or cell == "#" for cell in cells[:-1]) and not any(
        "[" in cell or "(" in cell for cell in cells
    )
    if len(cells) != width:
        # a line that names a wavelength and other columns is the header, even if it does not fit the table
        named = len(cells) >= 2 and names_column(cells)
        return (cells, cells, lowest) if named and not sentence else (empty, empty, first)
    if len(above) == 2 and names_over_units(split[above[0]], cells):
        upper = split[above[0]]
        return upper, [f"{a} [{b}]" for a, b in zip(upper, cells, strict=True)], above[0]
    # between blanks any sentence splits into cells, so there a cell must name the wavelengths or a quantity
    prose = sentence or separator == " " or any(map(looks_numeric, cells))
    told = any(map(names_wavelength, cells)) or any(read_label(cell) != Label() for cell in cells)
    if (sentence and not names_wavelength(cells[0])) or (not told and ((width == 2 and len(cells[0]) > 1) or prose)):
        return empty, empty, first  # a line such as "beer;Pale" is part of the header, not the names of two columns
    return cells, cells, lowest


def columns_readings(lines: Sequence[str], separator: str, told: ReadOptions) -> list[ParsedText]:
    """Read a text as spectra in columns (or pairs), under every pair of marks that fits all of it."""
    # where the caller has given separator and decimal mark a comma has one meaning only
    literal = told.separator is not None and (told.decimal is not None or told.separator_in_file)
    table = find_columns_table(lines, separator, literal=literal)
    rows = zip(table.line_numbers, table.rows, strict=True)
    placed = [(line, cell) for line, row in rows for cell in row if looks_numeric(cell)]
    cells = [cell for _, cell in placed]
    whole = [read_label(word).quantity == "counts" for word in table.words]
    counts = [cell for row in table.rows for cell in itertools.compress(row, whole)]
    groups = separator in "\t;|"
    found = possible_marks(cells, decimal=told.decimal, thousands=told.thousands, blank_groups=groups, counts=counts)
    if not found:
        raise refuse_marks(placed, told)
    readings, problem = [], None
    for marks in found:
        try:
            readings.append(_read_columns(table, marks, told))
        except AmbiguousScanFileError:
            raise
        except ScanFileError as error:
            problem = error
    if not readings and problem is not None:
        raise problem
    return readings


def _check_zeros(cells: Sequence[str], marks: NumberMarks, lines: Sequence[int]) -> None:
    """Refuse a number such as `0435` in a column that is not zero-padded: its decimal mark may be lost."""
    whole = [re.sub(r"^[+-]", "", c).split(marks.decimal)[0] if looks_numeric(c) else "" for c in cells]
    padded = [k for k, digits in enumerate(whole) if len(digits) > 1 and digits[0] == "0"]
    if padded and len({len(digits) for digits in whole if digits}) > 1:
        raise ScanFileError(
            f"line {lines[padded[0]]}: {cells[padded[0]]!r} begins with a zero where the others do not; its decimal "
            "mark may be lost: mend the line or export again"
        )


def _read_columns(table: TextTable, marks: NumberMarks, told: ReadOptions) -> ParsedText:
    values, over = cells_to_numbers(table.rows, marks)
    text_columns = list(zip(*table.rows, strict=True))
    lines = np.array(table.line_numbers)
    keep = [j for j in range(len(text_columns)) if any(text_columns[j])]
    for j in keep:
        _check_zeros(text_columns[j], marks, table.line_numbers)
    pairs = _pair_columns(values, table.words, keep, told.layout)
    if table.shortened_at and not pairs:
        raise ScanFileError(
            f"line {table.shortened_at}: fields are missing at the end of the line; the file is cut or damaged"
        )
    notes = Notes()
    notes.join(table.notes)
    if len(keep) < len(text_columns):
        notes.add(f"{len(text_columns) - len(keep)} empty column(s) left out")
    if pairs:
        plan = list(zip(keep[::2], keep[1::2], strict=True))
    else:
        x_column = _x_column(values, table.words, keep, told)
        plan, ignored = _values_plan(values, table, keep, x_column)
        notes.add(*ignored)
    if not plan:
        raise ScanFileError("a single column of numbers; a scan needs a wavelength and a value on each line")
    spectra = []
    for x, y in plan:
        there = (
            np.array([bool(text_columns[x][i] or text_columns[y][i]) for i in range(len(lines))])
            if pairs
            else np.ones(len(lines), bool)
        )
        lost = there & ~np.isfinite(values[:, x])
        if lost.any():
            i = int(np.flatnonzero(lost)[0])
            raise ScanFileError(
                f"line {lines[i]}: no wavelength ({text_columns[x][i]!r}); mend the line or export again"
            )
        if pairs and np.flatnonzero(there).size != (np.flatnonzero(there)[-1] + 1 if there.any() else 0):
            raise ScanFileError(
                f"line {lines[int(np.flatnonzero(~there)[0])]}: a gap in the columns of one spectrum; mend the line"
            )
        spectra.append(RawSpectrum(
            table.names[y], values[there, x], values[there, y], over[there, y], table.words[x], table.words[y],
            decimals_of([text_columns[x][i] for i in np.flatnonzero(there)], marks),
            decimals_of([text_columns[y][i] for i in np.flatnonzero(there)], marks), lines[there],
        ))  # fmt: skip
    kind = "pairs" if pairs else "columns"
    last = table.rows[-1]
    return ParsedText(
        kind, table.separator, marks, spectra, table.meta, table.whole, not pairs and last[-1] == "", notes
    )


def _pair_columns(values: Floats, words: list[str], keep: list[int], layout: str | None) -> bool:
    """Say whether the columns are pairs of wavelength and value."""
    if layout is not None:
        return layout == "pairs"
    if len(keep) < 4 or len(keep) % 2:
        return False
    axes = keep[::2]
    if all(names_wavelength(words[j]) for j in axes) and len({stated_x_unit(words[j]) == "pixel" for j in axes}) == 1:
        return True
    likely = all(like_wavelengths(values[:, j]) for j in axes)
    # a column that repeats the first axis number by number is no spectrum, whatever stands above it
    if likely and all(np.array_equal(values[:, j], values[:, axes[0]], equal_nan=True) for j in axes[1:]):
        return True
    if likely and any(words[j] for j in axes[1:]) and not any(names_wavelength(words[j]) for j in axes[1:]):
        likely = False  # the columns have names, and the names are of spectra
    # without names, a spectrum of counts may rise from 200 to 1200 as an axis does; only where the others are
    # fractions, which no spectrum in the hundreds stands beside, are pairs certain
    fractions = all(np.nanmax(np.abs(values[:, j]), initial=0.0) < 3.0 for j in keep[1::2])
    if likely and not fractions:
        raise AmbiguousScanFileError(
            f"{len(keep)} columns that may be one wavelength column and {len(keep) - 1} spectra, or {len(keep) // 2} "
            "pairs of wavelength and value; give layout='columns' or layout='pairs'"
        )
    return likely


def _x_column(values: Floats, words: list[str], keep: list[int], told: ReadOptions) -> int:
    """Return the wavelength column: as the caller says, as it is named, or the only one that can be it."""
    # pixels are counted in the first column
    column = told.wavelength_column or (1 if told.pixel_polynomial is not None else None)
    if column is not None:
        if column - 1 not in keep:
            raise ScanFileError(f"wavelength_column={column}, where the table has {len(words)} columns")
        return column - 1
    named = sorted(named_axes(words, keep), key=lambda j: stated_x_unit(words[j]) != "nm")
    if named:
        return next((j for j in named if one_way(values[np.isfinite(values[:, j]), j])), named[0])
    pixels = [j for j in keep if stated_x_unit(words[j]) == "pixel"]
    likely = likely_axes(values, [j for j in keep if j not in pixels]) if len(keep) > 2 or not pixels else pixels
    # a caller who says that the spectra stand in columns means the usual place of the wavelengths, the first
    if len(likely) > 1 and not (told.layout is not None and likely[0] == keep[0]):
        raise AmbiguousScanFileError(
            f"column {' or column '.join(str(j + 1) for j in likely)} may hold the wavelengths; give "
            f"wavelength_column={likely[0] + 1} or another"
        )
    return likely[0] if likely else keep[0]


def _values_plan(values: Floats, table: TextTable, keep: list[int], x: int) -> tuple[list[tuple[int, int]], list[str]]:
    """Return the columns of wavelength and value, and a note of those that number the lines or repeat the axis."""
    if len(keep) == 2:
        return [(x, j) for j in keep if j != x], []
    others = [j for j in keep if j != x]
    numbers = [
        j for j in others
        if numbering(values[:, j], any_start=not table.words[j] or stated_x_unit(table.words[j]) == "pixel")
    ]  # fmt: skip
    again = [
        j
        for j in named_axes(table.words, others)
        if j not in numbers and same_axis(values[:, [x, j]], (table.words[x], table.words[j]))
    ]
    notes = [
        f"column(s) that {what} left out: {', '.join(table.names[j] or str(j + 1) for j in columns)}"
        for what, columns in (("number the lines", numbers), ("hold the wavelengths again", again))
        if columns
    ]
    return [(x, j) for j in others if j not in numbers + again], notes
