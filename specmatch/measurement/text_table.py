"""Find the table of numbers in a text: its lines, its separator, its header and its footer."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.number_marks import looks_numeric
from specmatch.measurement.text_lines import Row, is_data_line, is_value, names_over_units, read_meta, split_line
from specmatch.measurement.units import names_wavelength
from specmatch.wording import counted

MIN_POINTS = 2


@dataclass(frozen=True)
class TextTable:
    """The lines of a text split at one separator.

    Attributes
    ----------
    separator : str
    rows : list of list of str
        The cells of the numeric lines, all of one length.
    line_numbers : list of int
        Of each row, from 1.
    names : list of str
        The cells above the columns ("" where there are none).
    words : list of str
        Names and units above each column, joined.
    meta : dict of str to str
        Header and footer as text.
    whole : bool
        Whether the last line ends with a line end.
    shortened_at : int
        The first line whose trailing cells are left off, 0 if there is none; only pairs may be so written.
    notes : list of str
    """

    separator: str
    rows: list[Row]
    line_numbers: list[int]
    names: Row
    words: Row
    meta: dict[str, str]
    whole: bool
    shortened_at: int = 0
    notes: list[str] = field(default_factory=list)


def find_columns_table(lines: Sequence[str], separator: str, *, name: str, literal: bool = False) -> TextTable:
    """Find the one block of numeric lines, refusing a file in which it is broken or not the only one.

    Parameters
    ----------
    lines : sequence of str
    separator : str
    name : str
        The file's name, for messages.
    literal : bool, default False
        True where the caller has given separator and decimal mark, so that a comma has one meaning only.

    Returns
    -------
    TextTable

    Raises
    ------
    ScanFileError
        Naming the line that breaks the block.
    AmbiguousScanFileError
        If the comma may separate columns and mark decimals.

    Examples
    --------
    >>> table = find_columns_table(["operator;KA", "nm;counts", "400;12", "401;13"], ";", name="a.csv")
    >>> table.names, table.line_numbers, table.meta
    (['nm', 'counts'], [3, 4], {'operator': 'KA'})
    """
    split = [split_line(line, separator) for line in lines]
    numeric = [is_data_line(cells) for cells in split]
    filled = [any(cells) for cells in split]
    # a line that begins with an empty cell goes on with pairs that are longer; it begins no table
    for i in range(len(split)):
        if numeric[i] and not split[i][0] and not any(numeric[max(i - 1, 0) : i]):
            numeric[i] = False
    first, last = _longest_run(numeric, filled)
    if last - first + 1 < MIN_POINTS:
        raise _nothing_found(split, numeric, filled, name)
    block = [i for i in range(first, last + 1) if filled[i]]
    width = max(len(split[i]) for i in block)
    wide = [i for i in block if len(split[i]) == width]
    if len(wide) <= max(1, len(block) // 10) and len(block) - len(wide) >= 2:
        usual = Counter(len(split[i]) for i in block).most_common(1)[0][0]
        raise ScanFileError(
            f"{name}, line {wide[0] + 1}: {width} fields where the table has {usual}; a mark is too much, or a line is "
            "damaged: copy or export the file again"
        )
    for i in range(len(split)):
        if (i < first or i > last) and filled[i]:
            _refuse_broken(i, split, numeric, filled, width, (first, last), name)
    rows = [split[i] for i in block]
    numbers = [i + 1 for i in block]
    notes: list[str] = []
    names, words, top = _names_above(split, filled, first, width, separator)
    if separator == "," and not literal:
        _refuse_comma_twice(rows, numbers, names, name)
    elif len(names) != width and literal:
        notes.append(f"the header names {len(names)} columns, the table has {width}: the last have no name")
        names, words = [*names, *[""] * width][:width], [*words, *[""] * width][:width]
    if len(names) != width:
        raise ScanFileError(
            f"{name}, line {top + 1}: the header names {len(names)} columns, the table below has {width}; "
            "export the file again with one name a column"
        )
    shortened_at = _check_widths(rows, numbers, width, separator, name)
    meta = read_meta(lines[:top], first_line=1) | read_meta(lines[last + 1 :], first_line=last + 2)
    whole = last < len(lines) - 1
    return TextTable(separator, rows, numbers, names, words, meta, whole, shortened_at, notes)


def _check_widths(rows: list[Row], numbers: list[int], width: int, separator: str, name: str) -> int:
    """Bring rows to one width where pairs have run out; refuse any other row that is short."""
    shortened_at, shortest = 0, width
    for k, row in enumerate(rows):
        if len(row) == shortest:
            if shortest < width:
                rows[k] = row + [""] * (width - shortest)
            continue
        if len(row) < shortest and width >= 4 and width % 2 == 0 and len(row) % 2 == 0 and separator != " ":
            shortest, shortened_at = len(row), shortened_at or numbers[k]
            rows[k] = row + [""] * (width - shortest)
            continue
        raise ScanFileError(
            f"{name}, line {numbers[k]}: {len(row)} fields where the table has {width}; a field or a mark is lost, or "
            "the file is cut: copy or export it again"
        )
    return shortened_at


def _refuse_comma_twice(rows: list[Row], numbers: list[int], names: Row, name: str) -> None:
    """Refuse a comma-separated table of bare digits whose commas may be decimal marks as well."""
    row = max(rows, key=len)
    plain = all(cell.isdigit() or not cell for cells in rows for cell in cells)
    named = bool(names) and any(names) and len(names) == len(row) == min(map(len, rows))
    if not plain or named or len(row) < 3:
        return
    readings = [f"{row[0]} | {','.join(row[1:3])}", f"{','.join(row[:2])} | {row[2]}"]
    if len(row) > 3:
        readings = [" | ".join(row), " | ".join(",".join(row[i : i + 2]) for i in range(0, len(row), 2))]
    raise AmbiguousScanFileError(
        f"{name}, line {numbers[rows.index(row)]}: the comma may separate columns and mark decimals: "
        f"{readings[0]} or {readings[1]}; export with semicolons, or give separator=',' and decimal='.'"
    )


def _longest_run(numeric: list[bool], filled: list[bool]) -> tuple[int, int]:
    """First and last index of the longest run of numeric lines; blank lines inside do not break it."""
    best, start, last, count = (0, -1, 0), -1, -1, 0
    for i, (data, text) in enumerate(zip(numeric, filled, strict=True)):
        if data:
            if start < 0:
                start, count = i, 0
            last, count = i, count + 1
            if count > best[2]:
                best = (start, last, count)
        elif text:
            start = -1
    return best[0], best[1]


def _nothing_found(split: list[Row], numeric: list[bool], filled: list[bool], name: str) -> ScanFileError:
    if not any(filled):
        return ScanFileError(f"{name}: the file is empty; measure again or take it off the list")
    if not any(numeric):
        texts = [i for i, cells in enumerate(split) if len(cells) >= 2 and looks_numeric(cells[0])]
        if texts:
            said = f"{name}, line {texts[0] + 1}: {split[texts[0]][1]!r} is not a number; no table of numbers found"
        else:
            said = f"{name}: a header but no table of wavelengths and values; if this is a scan file, export it again"
        return ScanFileError(said, stage="table")
    first = numeric.index(True) + 1
    return ScanFileError(
        f"{name}, line {first}: {counted(sum(numeric), 'line')} of numbers, where a spectrum has {MIN_POINTS} or more; "
        "the file was cut short, or its other cells are no numbers: export it again"
    )


def _refuse_broken(
    i: int, split: list[Row], numeric: list[bool], filled: list[bool], width: int, ends: tuple[int, int], name: str
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
            f"{name}, line {broken + 1}: {what}, with numbers above and below it; mend the line, or save one table a "
            "file if the file holds several tables"
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
        raise ScanFileError(f"{name}, line {i + 1}: {said}; the line is damaged or cut: copy or export the file again")


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
    if len(cells) != width:
        # a line that names a wavelength and other columns is the header, even if it does not fit the table
        return (cells, cells, lowest) if len(cells) >= 2 and names_wavelength(cells[0]) else (empty, empty, first)
    if len(above) == 2 and names_over_units(split[above[0]], cells):
        upper = split[above[0]]
        return upper, [f"{a} [{b}]" for a, b in zip(upper, cells, strict=True)], above[0]
    # between blanks any sentence splits into cells, so there the first must name the wavelengths
    prose = any(looks_numeric(cell) or cell.endswith(":") or "=" in cell or cell == "#" for cell in cells)
    prose = prose or separator == " "
    if not names_wavelength(cells[0]) and ((width == 2 and len(cells[0]) > 1) or prose):
        return empty, empty, first  # a line such as "beer;Pale" is part of the header, not the names of two columns
    return cells, cells, lowest
