"""From a table of cells to spectra in columns, or as pairs of wavelength and value side by side."""

import re
from collections.abc import Sequence

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.layouts import RawSpectrum, Reading, cells_to_numbers, decimals_of, refuse_marks
from specmatch.measurement.number_marks import NumberMarks, looks_numeric, possible_marks
from specmatch.measurement.text_table import TextTable, find_columns_table
from specmatch.measurement.units import names_wavelength, stated_x_unit


def columns_readings(
    lines: Sequence[str], separator: str, *, name: str, decimal: str | None, thousands: str | None, layout: str | None,
    literal: bool,
) -> list[Reading]:  # fmt: skip
    """Read a text as spectra in columns (or pairs), under every pair of marks that fits all of it.

    Parameters
    ----------
    lines : sequence of str
    separator : str
        One of `SEPARATORS`.
    name : str
        The file's name, for messages.
    decimal, thousands, layout : str or None
        What the caller has said; see `read_scans`.
    literal : bool
        True where the caller has given separator and decimal mark, so that a comma has one meaning only.

    Returns
    -------
    list of Reading

    Raises
    ------
    ScanFileError
        If no table is found or no marks fit.
    AmbiguousScanFileError
        If columns or numbers can be read in two ways.

    Examples
    --------
    >>> lines = ["wavelength;Amber Lane", "400;0,25", "500;0,50"]
    >>> told = {"decimal": None, "thousands": None, "layout": None, "literal": False}
    >>> [reading] = columns_readings(lines, ";", name="a.csv", **told)
    >>> reading.spectra[0].title, reading.spectra[0].values.tolist()
    ('Amber Lane', [0.25, 0.5])
    """
    table = find_columns_table(lines, separator, name=name, literal=literal)
    rows = zip(table.line_numbers, table.rows, strict=True)
    placed = [(line, cell) for line, row in rows for cell in row if looks_numeric(cell)]
    cells = [cell for _, cell in placed]
    found = possible_marks(cells, decimal=decimal, thousands=thousands, blank_groups=separator in "\t;|")
    if not found:
        raise refuse_marks(placed, name=name, told=decimal is not None or thousands is not None)
    readings, problem = [], None
    for marks in found:
        try:
            readings.append(_read_columns(table, marks, name, layout))
        except AmbiguousScanFileError:
            raise
        except ScanFileError as error:
            problem = error
    if not readings and problem is not None:
        raise problem
    return readings


def _check_zeros(cells: Sequence[str], marks: NumberMarks, lines: Sequence[int], name: str) -> None:
    """Refuse a number such as `0435` in a column that is not zero-padded: its decimal mark may be lost."""
    whole = [re.sub(r"^[+-]", "", c).split(marks.decimal)[0] if looks_numeric(c) else "" for c in cells]
    padded = [k for k, digits in enumerate(whole) if len(digits) > 1 and digits[0] == "0"]
    if padded and len({len(digits) for digits in whole if digits}) > 1:
        raise ScanFileError(
            f"{name}, line {lines[padded[0]]}: {cells[padded[0]]!r} begins with a zero where the others do not; its "
            "decimal mark may be lost: mend the line or export again"
        )


def _read_columns(table: TextTable, marks: NumberMarks, name: str, layout: str | None) -> Reading:
    values, over = cells_to_numbers(table.rows, marks)
    text_columns = list(zip(*table.rows, strict=True))
    lines = np.array(table.line_numbers)
    keep = [j for j in range(len(text_columns)) if any(text_columns[j])]
    for j in keep:
        _check_zeros(text_columns[j], marks, table.line_numbers, name)
    pairs = _pair_columns(values, table.words, keep, name, layout)
    if table.shortened_at and not pairs:
        raise ScanFileError(
            f"{name}, line {table.shortened_at}: fields are missing at the end of the line; the file is cut or damaged"
        )
    notes = list(table.notes)
    if len(keep) < len(text_columns):
        notes.append(f"{len(text_columns) - len(keep)} empty column(s) left out")
    if pairs:
        plan = [(j, j + 1) for j in range(0, len(keep), 2)]
    else:
        x_column = _x_column(values, table.words, keep)
        ignored = [j for j in keep if j < x_column]
        if ignored:
            notes.append(
                f"column(s) before the wavelengths left out: {', '.join(table.names[j] or str(j + 1) for j in ignored)}"
            )
        plan = [(x_column, j) for j in keep if j > x_column]
    if not plan:
        raise ScanFileError(f"{name}: a single column of numbers; a scan needs a wavelength and a value on each line")
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
                f"{name}, line {lines[i]}: no wavelength ({text_columns[x][i]!r}); mend the line or export again"
            )
        if pairs and np.flatnonzero(there).size != (np.flatnonzero(there)[-1] + 1 if there.any() else 0):
            raise ScanFileError(
                f"{name}, line {lines[int(np.flatnonzero(~there)[0])]}: a gap in the columns of one spectrum; mend "
                "the line"
            )
        spectra.append(RawSpectrum(
            table.names[y], values[there, x], values[there, y], over[there, y], table.words[x], table.words[y],
            decimals_of([text_columns[x][i] for i in np.flatnonzero(there)], marks),
            decimals_of([text_columns[y][i] for i in np.flatnonzero(there)], marks), lines[there],
        ))  # fmt: skip
    kind = "pairs" if pairs else "columns"
    last = table.rows[-1]
    return Reading(kind, table.separator, marks, spectra, table.meta, table.whole, not pairs and last[-1] == "", notes)


def _like_axis(column: Floats) -> bool:
    """True for a column that could be a wavelength axis in nm: monotone, 200-1200."""
    x = column[np.isfinite(column)]
    steps = np.diff(x)
    return bool(x.size >= 2 and x.min() >= 200 and x.max() <= 1200 and ((steps > 0).all() or (steps < 0).all()))


def _pair_columns(values: Floats, words: list[str], keep: list[int], name: str, layout: str | None) -> bool:
    """Say whether the columns are pairs of wavelength and value."""
    if layout is not None:
        return layout == "pairs"
    if len(keep) < 4 or len(keep) % 2:
        return False
    axes = keep[::2]
    if all(names_wavelength(words[j]) for j in axes):
        return True
    likely = all(_like_axis(values[:, j]) for j in axes)
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
            f"{name}: {len(keep)} columns that may be one wavelength column and {len(keep) - 1} spectra, or "
            f"{len(keep) // 2} pairs of wavelength and value; give layout='columns' or layout='pairs'"
        )
    return likely


def _x_column(values: Floats, words: list[str], keep: list[int]) -> int:
    """The wavelength column: the first that is named so (a pixel number before it gives way), else the first."""
    named = [
        j
        for j in keep
        if stated_x_unit(words[j]) not in ("", "pixel")
        or (words[j] and names_wavelength(words[j]) and stated_x_unit(words[j]) != "pixel")
    ]
    return named[0] if named else keep[0]
