"""Which character is the decimal mark and which groups thousands, decided from every number of a table."""

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import lru_cache

from specmatch.wording import rows_beside

BLANKS = " \u00a0\u202f\u2009"  # blank, no-break, narrow no-break, thin
APOSTROPHES = "'\u2019"
_MINUS = str.maketrans({"\u2212": "-"})

# words for no number, and for more than the detector counts; error marks of spreadsheets in eight languages among them
_WORDS = dict(rows_beside(__file__, "cell_words.csv"))
_OVER_NUMBER = re.compile(r"(?:[>\u2265]\s*=?\s*\d[\d.,]*|\d[\d.,]*\s*[*!])\Z")
_HASHES = re.compile(r"(?:#{2,}|\*{2,})\Z")
_LOOSE = re.compile(r"[+\-\u2212]?[.,]?\d[\d.,'\u2019 \u00a0\u202f\u2009]*(?:[eEdD][+-]?\d+)?\Z")


@dataclass(frozen=True)
class NumberMarks:
    """How numbers are written."""

    decimal: str = "."  # the decimal mark
    thousands: str = ""  # the marks between groups of three digits, any one of them; "" for none

    def words(self) -> str:
        """Say the marks in words."""
        return f"decimal {self.decimal!r}" + (f", thousands {self.thousands!r}" if self.thousands else "")


@lru_cache(maxsize=65536)
def token_kind(cell: str) -> str:
    """Say what a cell that is not a number stands for."""
    text = cell.strip().lower()
    if not text or _HASHES.match(text):
        return "missing"
    return "over" if _OVER_NUMBER.match(text) else _WORDS.get(text, "")


@lru_cache(maxsize=65536)
def looks_numeric(cell: str) -> bool:
    """Say whether a cell could be a number under some decimal and thousands mark."""
    return _LOOSE.match(cell) is not None


@lru_cache(maxsize=32)
def _patterns(marks: NumberMarks) -> tuple[re.Pattern[str], re.Pattern[str] | None]:
    decimal = re.escape(marks.decimal)
    exponent = r"(?:[eEdD][+-]?\d+)?"
    plain = re.compile(rf"[+-]?(?:\d+(?:{decimal}\d*)?|{decimal}\d+){exponent}\Z")
    if not marks.thousands:
        return plain, None
    group = f"[{re.escape(marks.thousands)}]"
    return plain, re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:{group}\d{{3}})+(?:{decimal}\d*)?\Z")


def parse_number(cell: str, marks: NumberMarks) -> float | None:
    """Return the value of a cell under given marks."""
    text = cell.strip().translate(_MINUS)
    plain, grouped = _patterns(marks)
    if plain.match(text):
        pass
    elif grouped is not None and grouped.match(text):
        for mark in marks.thousands:
            text = text.replace(mark, "")
    else:
        return None
    if marks.decimal != ".":
        text = text.replace(marks.decimal, ".")
    # Fortran writes exponents with D
    return float(text.replace("D", "E").replace("d", "e"))


def possible_marks(
    cells: Iterable[str],
    *,
    decimal: str | None = None,
    thousands: str | None = None,
    blank_groups: bool = False,
    counts: Collection[str] = (),
) -> list[NumberMarks]:
    """Return every reading of the marks under which all cells are numbers and the readings differ.

    A thousands mark is inferred only where it is certain that there is one: a number with both marks
    (`12.345,6`), with two groups (`1.234.567`), or grouped by a blank or an apostrophe. A lone `1.234` beside
    nothing that settles it stays possible as 1.234 and as 1234, unless it is one of `counts`, which are whole.
    """
    numbers = sorted({cell.strip().translate(_MINUS) for cell in cells} - {""})
    others = BLANKS + APOSTROPHES if blank_groups else BLANKS[1:] + APOSTROPHES
    seen = set().union(*numbers) if numbers else set()
    if thousands is not None:
        groupings = [thousands]
    else:
        present = "".join(mark for mark in others if mark in seen)
        groupings = [present] if present else ["", ".", ","]
    decimals = [decimal] if decimal is not None else [".", ","]
    found: list[tuple[NumberMarks, list[float | None]]] = []
    for mark in decimals:
        for grouping in groupings:
            if mark in grouping or (thousands is None and grouping in (".", ",") and grouping not in seen):
                continue
            marks = NumberMarks(mark, grouping)
            values = [parse_number(cell, marks) for cell in numbers]
            if None in values or any(values == other for _, other in found):
                continue
            found.append((marks, values))
    if decimal is not None or thousands is not None or len(found) != 1 or found[0][0].thousands not in (".", ","):
        return [marks for marks, _ in found]
    marks = found[0][0]
    certain = any(marks.thousands in cell for cell in counts) or any(
        cell.count(marks.thousands) > 1 or (marks.thousands in cell and marks.decimal in cell) for cell in numbers
    )
    ungrouped = any(re.match(r"[+-]?\d{4,}", cell) for cell in numbers)
    # without a certain sign of grouping the file mixes two decimal marks, and no reading of it can be trusted
    return [marks] if certain and not ungrouped else []
