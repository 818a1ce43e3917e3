"""The short way for the commonest files: a header, then two columns of plain numbers to the end of the text.

Or a line of wavelengths, and under it to the end rows of a name and as many plain numbers.

It gives exactly what the general way gives, or nothing, and the general way is gone then. The whole text decides here
too: one line, mark or number that could be read otherwise sends the file the general way.
"""

import re
from functools import lru_cache

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.measurement.readers.axis import FAR_STEPS, one_way
from specmatch.measurement.readers.lines import is_data_line, names_over_units, read_meta, split_line
from specmatch.measurement.readers.numbers import NumberMarks
from specmatch.measurement.readers.parsed_text import ParsedText, RawSpectrum
from specmatch.measurement.readers.row_layout import wavelength_header
from specmatch.measurement.readers.units import names_wavelength
from specmatch.spectra import PLAUSIBLE_NM

# marks that part or shield cells, or belong to numbers: where others than a dialect's own stand, the general way judges
_MARKS = frozenset(';\t,.|"')
_DIALECTS = ((";", "."), (";", ","), (",", "."), ("\t", "."), ("\t", ","))
_LINES = {}
_BLOCKS = {}
for _separator, _decimal in _DIALECTS:
    _number = rf"-?(?:0|[1-9][0-9]*+)(?:{re.escape(_decimal)}[0-9]++)?+"
    _line = rf"{_number}{_separator}{_number}"
    _LINES[_separator, _decimal] = re.compile(_line)
    _BLOCKS[_separator, _decimal] = re.compile(rf"^(?:{_line}\n)++", re.MULTILINE)


@lru_cache(maxsize=16)
def _axis(text: str) -> tuple[Floats, Ints, bool]:
    """Numbers of a wavelength column, their decimals, and whether they go on evenly; parsed once an instrument."""
    cells = text.split()
    axis = np.array(list(map(float, cells)))
    axis.flags.writeable = False
    steps = np.abs(np.diff(axis))
    even = axis.size < 3 or (one_way(axis) and float(steps.max()) <= FAR_STEPS * float(np.median(steps)))
    return axis, _decimals(cells), even


def _decimals(cells: list[str]) -> Ints:
    return np.array([len(cell) - cell.find(".") - 1 if "." in cell else 0 for cell in cells])


def _last_block(text: str, dialect: tuple[str, str]) -> re.Match[str] | None:
    """Return the run of lines of two numbers that ends a text."""
    return next((run for run in _BLOCKS[dialect].finditer(text) if run.end() == len(text)), None)


def plain_reading(text: str) -> ParsedText | None:
    """Read a text of the commonest form, or return None."""
    if not text.endswith("\n"):
        return None
    last = text[text.rfind("\n", 0, -1) + 1 : -1]
    dialect = next((key for key in _DIALECTS if _LINES[key].fullmatch(last)), None)
    if dialect is None:
        return None
    if dialect[1] == "." and "." not in last and "," in text and dialect[0] != ",":
        dialect = (dialect[0], ",")  # whole numbers at the end tell nothing: try the mark that the text holds
        if "." in text[text.find("\n") :] and _last_block(text, dialect) is None:
            dialect = (dialect[0], ".")
    found = _last_block(text, dialect)
    header = text[: found.start()].split("\n")[:-1] if found is not None else []
    names_at = _names_at(header, dialect[0])
    if found is None or names_at < 0:
        return None
    return _columns(header, names_at, found.group(), *dialect)


def _names_at(header: list[str], separator: str) -> int:
    """Return the line that names the two columns, -1 where the header is for the general way to judge."""
    names_at = len(header) - 1
    while names_at >= 0 and not header[names_at].strip():
        names_at -= 1
    if names_at < 0:
        return -1
    names = split_line(header[names_at], separator)
    if len(names) != 2 or not names_wavelength(names[0]) or not names[1]:
        return -1
    above = next((line for line in reversed(header[:names_at]) if line.strip()), "")
    if names_over_units(split_line(above, separator), names):
        return -1
    for line in header[:names_at]:
        # a line of numbers above the table, whatever its separator, is for the general way to judge
        if line and (line[0].isdigit() or line[0] in "-+.,;\t ") and line.strip():
            return -1
        cells = split_line(line, separator)
        if is_data_line(cells) or (len(cells) > 2 and wavelength_header(cells) is not None):
            return -1
    return names_at


def _columns(header: list[str], names_at: int, block: str, separator: str, decimal: str) -> ParsedText | None:
    """Read the two columns, or return None where their numbers are for the general way to judge."""
    names = split_line(header[names_at], separator)
    if decimal == ",":
        block = block.replace(",", ".")
    cells = block.replace(separator, " ").split()
    n = len(cells) // 2
    x_cells, y_cells = " ".join(cells[::2]), cells[1::2]
    x_marks = x_cells.count(".")
    y_marks = block.count(".") - x_marks
    decimals = np.zeros(n, np.int64)
    if y_marks:
        decimals = _decimals(y_cells)
        if x_marks < n and set(decimals.tolist()) <= {0, 3}:
            return None  # 1.234 may be 1234, and the wavelengths do not tell the mark
    x, x_decimals, even = _axis(x_cells)
    if not even:
        return None  # numbers below the table, or a damaged line, are for the general way to tell
    spectrum = RawSpectrum(
        title=names[1],
        x=x,
        values=np.array(list(map(float, y_cells))),
        saturated=np.zeros(n, bool),
        x_words=names[0],
        words=names[1],
        x_decimals=x_decimals,
        decimals=decimals,
        line_numbers=np.arange(len(header) + 1, len(header) + 1 + n),
    )
    if n < 2:
        return None
    meta = read_meta(header[:names_at], first_line=1)
    marks = NumberMarks("." if "." not in block else decimal)
    return ParsedText("columns", separator, marks, [spectrum], meta, True)


def plain_rows(text: str) -> ParsedText | None:
    """Read named spectra in rows under a line of wavelengths in nm, or return None."""
    head, _, block = text.partition("\n")
    separator = next((mark for mark in ";\t," if mark in head), "")
    decimal = "," if separator != "," and "," in text else "."
    if not separator or any(mark in text for mark in _MARKS - {separator, decimal}):
        return None
    corner, *axis = split_line(head, separator)
    number = rf"-?(?:0|[1-9][0-9]*+)(?:{re.escape(decimal)}[0-9]++)?+"
    row = rf"[A-Za-z][^{separator},\n]*+(?:{separator}{number}){{{len(axis)}}}\n"
    plain = len(axis) > 2 and corner[:1].isalpha() and all(re.fullmatch(number, cell) for cell in axis)
    if not plain or names_wavelength(corner) or wavelength_header([corner, *axis]) != axis:
        return None
    if re.fullmatch(rf"(?:{row})++", block) is None:
        return None
    rows = [line.split(separator) for line in block.split("\n")[:-1]]
    names = [cells[0].strip() for cells in rows]
    cells = [[cell.replace(decimal, ".") for cell in row] for row in (axis, *(cells[1:] for cells in rows))]
    x, *values = np.array([list(map(float, row)) for row in cells])
    x_decimals, *decimals = np.array(list(map(_decimals, cells)))
    steps = np.diff(np.vstack([x, *values]), axis=1)
    one_way_only: Mask = np.all(steps > 0, axis=1) | np.all(steps < 0, axis=1)
    # 1.234 may be 1234; rows that only rise or fall, and names that say so, may be wavelengths again
    doubtful = not (set(np.unique(decimals).tolist()) - {0, 3}) or one_way_only[1:].any()
    in_nm = one_way_only[0] and x.min() >= PLAUSIBLE_NM[0] and x.max() <= PLAUSIBLE_NM[1]
    if doubtful or not in_nm or corner in names or any(map(names_wavelength, names)):
        return None
    spectra = [
        RawSpectrum(
            name, x, v, np.zeros(x.size, bool), f"{corner} {axis[-1]}", corner, x_decimals, d, np.full(x.size, line)
        )
        for line, (name, v, d) in enumerate(zip(names, values, decimals, strict=True), 2)
    ]
    return ParsedText("rows", separator, NumberMarks(decimal), spectra, {}, True)
