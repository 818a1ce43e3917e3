"""The lines of a text one by one: their separator and cells, whether they hold numbers, and what a header says."""

import csv
import re
from collections.abc import Sequence

from specmatch.errors import OptionError
from specmatch.measurement.readers.numbers import looks_numeric, token_kind
from specmatch.measurement.readers.units import names_wavelength, read_label

SEPARATORS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blanks"}
_UNIT = re.compile(r"[\[(]?(?:nm|\u00b5m|\u03bcm|um|1/cm|cm-1|%|-|1|counts?|a\.?u\.?|fraction|percent|)[\])]?\Z", re.I)

Row = list[str]


def split_line(line: str, separator: str) -> Row:
    """Split one line; quotes shield a separator, and outer blanks go."""
    if separator == " ":
        # not every blank: a no-break blank groups digits
        return [cell for cell in re.split(r"[ \t]+", line) if cell]
    if '"' in line:
        cells = next(csv.reader([line.strip()], delimiter=separator, skipinitialspace=True))
        return [cell.strip() for cell in cells]
    return [cell.strip() for cell in line.split(separator)]


def candidate_separators(text: str, separator: str | None) -> list[str]:
    """Return the separators worth trying on a text, the plainest first."""
    if separator is not None:
        if separator not in SEPARATORS:
            raise OptionError(f"separator={separator!r} is not known; use one of {', '.join(map(repr, SEPARATORS))}")
        return [separator]
    return [mark for mark in SEPARATORS if mark == " " or mark in text]


def is_value(cell: str) -> bool:
    """Say whether a cell is a number or stands for one (missing, over the range)."""
    return looks_numeric(cell) or token_kind(cell) != ""


def is_data_line(cells: Row) -> bool:
    """Say whether a split line is a row of numbers: at least two cells, the first of them a number."""
    if len(cells) < 2 or not (looks_numeric(cells[0]) or (cells[0] == "" and len(cells) >= 4)):
        return False
    return any(map(looks_numeric, cells)) and all(map(is_value, cells[1:]))


def names_over_units(names: Row, units: Row) -> bool:
    """Say whether a line names the columns whose units stand in the line below it."""
    if len(names) != len(units) or not any(units) or any(map(looks_numeric, names)):
        return False
    if not all(map(_UNIT.match, units)):
        return False
    if len(units) > 2 or not names_wavelength(units[0]) or names_wavelength(names[0]):
        return True
    # a wavelength named in a language that is not known here still stands beside a quantity that its unit does not say
    return read_label(names[1]).quantity != "" and read_label(units[1]).quantity == ""


def read_meta(lines: Sequence[str], *, first_line: int) -> dict[str, str]:
    """Read header lines such as `key: value`, `key=value` or `key;value` as text."""
    meta: dict[str, str] = {}
    for number, line in enumerate(lines, first_line):
        text = line.strip().lstrip("#%!/").strip().strip(",;\t")
        if not text:
            continue
        parts = re.split(r"\s*[:=;\t]\s*|\s*,\s*", text, maxsplit=1)
        if len(parts) == 2 and parts[0]:
            meta.setdefault(parts[0].strip().strip('"'), parts[1].strip().strip('"').strip(",;\t "))
        else:
            meta.setdefault(f"line {number}", text)
    return meta
