"""The short way for the commonest file: a header, then two columns of plain numbers to the end of the text.

It gives exactly what the general way gives, or nothing, and the general way is gone then. The whole text decides here
too: one line, mark or number that could be read otherwise sends the file the general way.
"""

import re
from functools import lru_cache

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.measurement.readers.axis import FAR_STEPS, one_way
from specmatch.measurement.readers.lines import is_data_line, names_over_units, read_meta, split_line
from specmatch.measurement.readers.numbers import NumberMarks
from specmatch.measurement.readers.parsed_text import ParsedText, RawSpectrum
from specmatch.measurement.readers.row_layout import wavelength_header
from specmatch.measurement.readers.units import names_wavelength

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
