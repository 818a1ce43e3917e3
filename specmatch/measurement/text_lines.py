"""The lines of a text one by one: their separator and cells, whether they hold numbers, and what a header says."""

import csv
import re
from collections.abc import Sequence

from specmatch.errors import OptionError
from specmatch.measurement.number_marks import looks_numeric, token_kind

SEPARATORS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blanks"}

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
    """True for a number or a stand-in for one (missing, over the range)."""
    return looks_numeric(cell) or token_kind(cell) != ""


def is_data_line(cells: Row) -> bool:
    """True if a split line is a row of numbers: at least two cells, the first of them a number."""
    if len(cells) < 2 or not (looks_numeric(cells[0]) or (cells[0] == "" and len(cells) >= 4)):
        return False
    return any(map(looks_numeric, cells)) and all(map(is_value, cells[1:]))


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
