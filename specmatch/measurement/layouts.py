"""What a text is read as, before units: spectra, how they were laid out, and the numbers in their cells."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.number_marks import (
    NumberMarks,
    looks_numeric,
    parse_number,
    possible_marks,
    token_kind,
)

LAYOUTS = ("columns", "rows", "pairs")


@dataclass(frozen=True, eq=False)
class RawSpectrum:
    """One spectrum before units.

    Attributes
    ----------
    title : str
        "" where it has no name.
    x, values : ndarray, shape (p,)
        As written, in the order of the file; values NaN where missing.
    saturated : ndarray of bool, shape (p,)
        Where the file says that the detector was over its range.
    x_words, words : str
        What stands above the wavelengths and above the values.
    x_decimals, decimals : ndarray of int, shape (p,)
        Digits after the decimal mark of each wavelength and each value; -1 where not known.
    line_numbers : ndarray of int, shape (p,)
        Line of each point, from 1.
    """

    title: str
    x: Floats
    values: Floats
    saturated: Mask
    x_words: str
    words: str
    x_decimals: Ints
    decimals: Ints
    line_numbers: Ints


@dataclass(frozen=True)
class Reading:
    """All spectra of a text under one separator, one pair of marks and one layout.

    Attributes
    ----------
    layout : str
        One of `LAYOUTS`.
    separator : str
        One of `SEPARATORS`.
    marks : NumberMarks
    spectra : list of RawSpectrum
    meta : dict of str to str
        Header and footer as text.
    whole : bool
        Whether the last line of the table ends with a line end.
    last_row_short : bool
        Whether the last row ends with an empty cell.
    notes : list of str
    """

    layout: str
    separator: str
    marks: NumberMarks
    spectra: list[RawSpectrum]
    meta: dict[str, str]
    whole: bool
    last_row_short: bool = False
    notes: list[str] = field(default_factory=list)

    def same_as(self, other: "Reading") -> bool:
        """True if both readings hold the same numbers."""
        return len(self.spectra) == len(other.spectra) and all(
            np.array_equal(a.x, b.x) and np.array_equal(a.values, b.values, equal_nan=True)
            for a, b in zip(self.spectra, other.spectra, strict=True)
        )


def refuse_marks(cells: Sequence[tuple[int, str]], *, name: str, told: bool) -> ScanFileError:
    """Return the error for numbers that no pair of marks fits with certainty.

    Parameters
    ----------
    cells : sequence of (line, cell)
        Cells that look like numbers.
    name : str
        The file's name, for messages.
    told : bool
        Whether the caller gave marks.

    Returns
    -------
    ScanFileError
        An `AmbiguousScanFileError` where grouping thousands is one of the readings.

    Examples
    --------
    >>> print(refuse_marks([(2, "0.25"), (3, "0,30")], name="a.csv", told=False))
    a.csv, line 3: '0,30' does not fit the marks of the other numbers; mend the line, or give decimal= and thousands=
    """
    texts = [cell for _, cell in cells]
    if not told:
        for decimal, thousands in ((".", ","), (",", ".")):
            grouped = possible_marks(texts, decimal=decimal, thousands=thousands)
            marked = next(((n, c) for n, c in cells if thousands in c), None)
            if grouped and marked is not None:
                line, cell = marked
                other = cell.replace(thousands, ".")
                return AmbiguousScanFileError(
                    f"{name}, line {line}: {cell!r} may be {parse_number(cell, grouped[0]):.10g} "
                    f"({grouped[0].words()}) or {other} with another decimal mark than the other numbers; "
                    "give decimal= and thousands="
                )
    for mark in (".", ","):
        bad = next(((n, c) for n, c in cells if parse_number(c, NumberMarks(mark)) is None), None)
        if bad is not None:
            way = "check the keywords" if told else "mend the line, or give decimal= and thousands="
            return ScanFileError(
                f"{name}, line {bad[0]}: {bad[1]!r} does not fit the marks of the other numbers; {way}"
            )
    return ScanFileError(f"{name}: no decimal mark fits all numbers; export again, or give decimal= and thousands=")


def cells_to_numbers(rows: list[list[str]], marks: NumberMarks) -> tuple[Floats, Mask]:
    """Turn cells into floats, and say which of them mean that the detector was over its range.

    Parameters
    ----------
    rows : list of list of str
        n rows of p cells.
    marks : NumberMarks

    Returns
    -------
    values : ndarray, shape (n, p)
        NaN for cells that are no number.
    over : ndarray of bool, shape (n, p)

    Examples
    --------
    >>> values, over = cells_to_numbers([["0,25", "---"], ["0,5", "OVER"]], NumberMarks(","))
    >>> values.tolist(), over.tolist()
    ([[0.25, nan], [0.5, nan]], [[False, False], [False, True]])
    """
    over = [[token_kind(cell) == "over" for cell in row] for row in rows]
    parsed = [[parse_number(cell, marks) for cell in row] for row in rows]
    return np.array(parsed, dtype=float), np.array(over, dtype=bool)


def decimals_of(cells: Sequence[str], marks: NumberMarks) -> Ints:
    """Count digits after the decimal mark of each cell.

    Parameters
    ----------
    cells : sequence of str, length p
    marks : NumberMarks

    Returns
    -------
    ndarray of int, shape (p,)
        -1 where a cell is no plain number.

    Examples
    --------
    >>> decimals_of(["0,250", "1", "---"], NumberMarks(",")).tolist()
    [3, 0, -1]
    """

    def digits(cell: str) -> int:
        if not looks_numeric(cell) or re.search("[eEdD]", cell):
            return -1
        return len(cell) - cell.rfind(marks.decimal) - 1 if marks.decimal in cell else 0

    return np.array([digits(cell) for cell in cells], dtype=np.int64)
