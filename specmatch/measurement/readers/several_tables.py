"""Several tables in one text, each under a header of its own: taken apart where each has a name."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import ScanFileError
from specmatch.measurement.readers.axis import FEWEST_POINTS, loose_number
from specmatch.measurement.readers.cells import AFTER_KEY, SEPARATORS, Row, is_data_line, looks_numeric, split_line
from specmatch.measurement.readers.units import names_wavelength

FEWEST_LINES = 3
MOST_TABLES = 1000
_WORDED = re.compile(r"^[^\S\n]*[^\d\s][^\n]*", re.MULTILINE)
_NAME_KEY = re.compile(r"(?:scan|sample|spectrum|spectra|title|name|id|data\s*set|probe|file|beer|pour)\b", re.I)


@dataclass(frozen=True)
class TablePart:
    """One table of a text that holds several."""

    title: str  # what stands over its header; "" where nothing does
    text: str  # the table with the lines above it, on the lines of the whole text
    shared: list[str]  # lines of the text's own header, above the first table and its title


def table_parts(text: str) -> list[TablePart]:
    """Take a text apart where two or more headers that name wavelengths stand over numbers; else return nothing."""
    if sum(map(names_wavelength, _WORDED.findall(text))) < 2:
        return []
    lines = text.split("\n")
    named = [i for i, line in enumerate(lines) if line and not line[0].isdigit() and names_wavelength(line)]
    if len(named) < 2:
        return []
    for separator in (mark for mark in SEPARATORS if mark == " " or mark in text):
        found = [(i, end) for i in named if (end := _table_end(lines, i, separator)) > 0]
        # names over units are two such headers over one table
        heads = {end: head for head, end in reversed(found)}
        if len(heads) > MOST_TABLES:
            raise ScanFileError(f"holds several tables ({len(heads)}), more than {MOST_TABLES}; save them apart")
        if len(heads) > 1:
            return _parts(lines, [(head, end) for end, head in sorted(heads.items())])
    return []


def _table_end(lines: Sequence[str], head: int, separator: str) -> int:
    """Return the line after the table under a header, 0 where no table stands under it."""
    cells = split_line(lines[head], separator)
    if len(cells) < 2 or any(map(looks_numeric, cells)) or not any(map(names_wavelength, cells)):
        return 0
    at, count = head + 1, 0
    while at < len(lines):
        below = split_line(lines[at], separator)
        if is_data_line(below):
            count += 1
        elif any(below) and not (count == 0 and at == head + 1 and len(below) == len(cells)):
            break
        at += 1
    return at if count >= FEWEST_LINES else 0


def _parts(lines: Sequence[str], found: Sequence[tuple[int, int]]) -> list[TablePart]:
    parts: list[TablePart] = []
    above = 0
    for head, end in found:
        at = next((i for i in range(head - 1, above - 1, -1) if lines[i].strip()), -1)
        title = _title(lines[at]) if at >= 0 else ""
        if not parts:
            shared = [line for i, line in enumerate(lines[:head]) if not (title and i == at)]
        ended = "\n" if end < len(lines) else ""
        parts.append(TablePart(title, "\n" * above + "\n".join(lines[above:end]) + ended, shared))
        above = end
    return parts


def _title(line: str) -> str:
    """Return the name that a line gives to the table below it."""
    bare = line.strip().strip('#*=-[]<>;,\t" ').strip()
    parts = AFTER_KEY.split(bare, maxsplit=1)
    if len(parts) == 2:
        return parts[1].strip(' ";,\t') if _NAME_KEY.match(parts[0]) else ""
    return bare


def refuse_unnamed(parts: Sequence[TablePart], titles: Sequence[str], points: Sequence[int]) -> None:
    """Refuse a text of several tables unless each has a name of its own and none is shorter than the others."""
    holds = f"holds several tables ({len(parts)})"
    if not all(titles) or len(set(titles)) < len(titles):
        raise ScanFileError(
            f"{holds}, and they do not each carry a name of their own; save one table a file, or write a name over each"
        )
    if len(set(points)) > 1 and points.count(max(points)) > len(points) // 2:
        short = next(k for k, n in enumerate(points) if n < max(points))
        raise ScanFileError(
            f"{holds}, and {titles[short]!r} has {points[short]} points where the others have {max(points)}: it is "
            "cut; copy or export the file again"
        )


def refuse_several(
    split: list[Row],
    numeric: list[bool],
    filled: list[bool],
    ends: tuple[int, int],
    column: int,
    axis: Floats,
) -> None:
    """Refuse a text in which a second run of numbers begins again on the same wavelengths."""
    begins, count = [], 0
    for i in range(len(split) + 1):
        inside = i < len(split) and numeric[i] and not ends[0] <= i <= ends[1]
        if inside:
            count += 1
        elif i == len(split) or filled[i]:
            if count > FEWEST_POINTS:
                begins.append(
                    next(k for k in range(i - 1, -1, -1) if k == 0 or not (numeric[k - 1] or not filled[k - 1]))
                )
            count = 0
    low, high = np.nanmin(axis), np.nanmax(axis)
    again = [
        k for k in begins
        if column < len(split[k]) and low <= loose_number(split[k][column]) <= high
    ]  # fmt: skip
    if again:
        raise ScanFileError(
            f"holds several tables of numbers, {len(again) + 1} of them, one more from line {again[0] + 1}; save one "
            "table a file, or write a header with its name over each"
        )
