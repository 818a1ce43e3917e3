"""One spectrum as a file gave it, what its text is read as before units, and every decision taken on the way."""

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import AmbiguousScanFileError, OptionError, ScanFileError, TableError, UnitError
from specmatch.measurement.readers.cells import (
    NumberMarks,
    looks_numeric,
    parse_number,
    possible_marks,
    token_kind,
)

QUANTITIES = ("counts", "reflectance", "transmittance", "absorbance", "unknown")


@dataclass
class Notes:
    """What was noted while reading, and which of it somebody must look at."""

    every: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)  # those of `every` that somebody must look at

    def add(self, *notes: str) -> None:
        """Note what was decided."""
        self.every += notes

    def doubt(self, *notes: str) -> None:
        """Note what somebody must look at."""
        self.every += notes
        self.doubts += notes

    def join(self, other: "Notes") -> None:
        """Take in the notes of another."""
        self.every += other.every
        self.doubts += other.doubts


@dataclass(frozen=True, eq=False)
class Scan:
    """One spectrum from a file.

    Attributes
    ----------
    scan_id : str
        The file's name, or `name#k` (or its own unique title) where a file holds several spectra.
    wavelength_nm : ndarray, shape (p,)
        Strictly increasing.
    values : ndarray, shape (p,)
        float64; NaN where `missing`. Reflectance and transmittance are fractions.
    quantity : str
        `counts`, `reflectance`, `transmittance`, `absorbance` or `unknown`.
    saturated, missing : ndarray of bool, shape (p,)
        Where the file itself says that the detector was over its range, and where it gives no number.
    meta : mapping of str to str
        The header (and footer), as text.
    notes : tuple of str
        What was decided while reading: encoding, separator, decimal mark, order, unit, and what looked odd.
    scale : str
        How the file writes reflectance or transmittance: `fraction` or `percent`, or `fraction assumed` where it does
        not say and its values fit a fraction only; "" for other quantities.
    open_end : int, optional
        Place of the file's last value where no line end follows it, so that it may be cut there.
    doubts : tuple of str
        Those of `notes` that somebody must look at.

    Raises
    ------
    TableError
        If lengths do not fit, wavelengths do not increase, a value is infinite or the quantity is none of these.

    Examples
    --------
    >>> scan = Scan("pale.csv", np.array([400.0, 500.0]), np.array([0.3, 0.6]), "reflectance")
    >>> bool(scan.missing.any())
    False
    """

    scan_id: str
    wavelength_nm: Floats
    values: Floats
    quantity: str = "unknown"
    saturated: Mask = field(default_factory=lambda: np.zeros(0, bool))
    missing: Mask = field(default_factory=lambda: np.zeros(0, bool))
    meta: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    scale: str = ""
    open_end: int | None = None
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        try:  # arrays of its own: those of the caller stay as they are
            nm, values = (np.array(own, np.float64) for own in (self.wavelength_nm, self.values))
            saturated, missing = (np.array(own, bool) for own in (self.saturated, self.missing))
        except (TypeError, ValueError) as error:
            raise TableError(
                f"scan {self.scan_id!r}: wavelengths and values are numbers, a point each: {error}"
            ) from None
        if nm.ndim != 1 or nm.shape != values.shape or not nm.size:
            raise TableError(
                f"scan {self.scan_id!r}: {values.size} values on {nm.size} wavelengths; one spectrum is expected"
            )
        if not (np.isfinite(nm[[0, -1]]).all() and (np.diff(nm) > 0).all()):
            raise TableError(f"scan {self.scan_id!r}: its wavelengths are to be finite and strictly increasing, in nm")
        if np.isinf(values).any():
            k = int(np.isinf(values).argmax())
            raise TableError(
                f"scan {self.scan_id!r} holds {values[k]} at {nm[k]:g} nm; a number, or NaN where it is missing"
            )
        if self.quantity not in QUANTITIES:
            raise TableError(
                f"scan {self.scan_id!r} has the quantity {self.quantity!r}; expected one of {', '.join(QUANTITIES)}"
            )
        arrays = {"wavelength_nm": nm, "values": values, "saturated": saturated, "missing": missing}
        for name, mask in (("saturated", saturated), ("missing", missing)):
            if mask.size == 0:
                arrays[name] = np.isnan(values) if name == "missing" else np.zeros(nm.size, bool)
            elif mask.shape != nm.shape:
                raise TableError(f"scan {self.scan_id!r}: {name} of {mask.size} points on {nm.size} wavelengths")
        for name, own in arrays.items():
            own.flags.writeable = False
            object.__setattr__(self, name, own)
        object.__setattr__(self, "meta", MappingProxyType(dict(self.meta)))

    def as_reflectance(self) -> "Scan":
        """Return this scan as reflectance, turning absorbance `A` into `10**-A` because the caller asks for it.

        Returns
        -------
        Scan

        Raises
        ------
        UnitError
            If the scan holds counts, transmittance or an unknown quantity.

        Examples
        --------
        >>> scan = Scan("a", np.array([400.0, 500.0]), np.array([1.0, 0.0]), "absorbance")
        >>> scan.as_reflectance().values.round(6).tolist()
        [0.1, 1.0]
        """
        if self.quantity == "reflectance":
            return self
        if self.quantity != "absorbance":
            raise UnitError(
                f"scan {self.scan_id!r} holds {self.quantity}, which is not reflectance and cannot be turned into it; "
                "measure counts in a folder with dark and reference scans, or name the quantity with quantity=..."
            )
        note = "absorbance A turned into reflectance 10**-A on request"
        return replace(self, values=10.0**-self.values, quantity="reflectance", notes=(*self.notes, note))


@contextmanager
def told_of(place: str) -> Iterator[None]:
    """Put a place, a file or a block of it, in front of what errors say of a text: `a.csv, line 3: ...`."""
    try:
        yield
    except (ScanFileError, UnitError, OptionError) as error:
        said = str(error)
        error.args = (f"{place}{', ' if said.startswith(('line ', 'block ')) else ': '}{said}",)
        raise


LAYOUTS = ("columns", "rows", "pairs")


@dataclass(frozen=True)
class ReadOptions:
    """What the caller has said; it goes before anything found in the file."""

    # encoding, separator, decimal, thousands, layout, x_unit, quantity, scale: as in `read_scans`; None where nothing
    # is said
    encoding: str | None = None
    separator: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    layout: str | None = None
    x_unit: str | None = None
    quantity: str | None = None
    scale: str | None = None
    pixel_polynomial: tuple[float, ...] | None = None  # coefficients from pixel number to nm, constant term first
    wavelength_column: int | None = None  # from 1
    separator_in_file: bool = False  # whether the file itself names its separator, in a first line such as `sep=,`


@dataclass(frozen=True, eq=False)
class RawSpectrum:
    """One spectrum before units."""

    title: str  # "" where it has no name
    x: Floats  # x, values: (p,): as written, in the order of the file; values NaN where missing
    values: Floats
    saturated: Mask  # (p,): where the file says that the detector was over its range
    x_words: str  # x_words, words: what stands above the wavelengths and above the values
    words: str
    # x_decimals, decimals: (p,): digits after the decimal mark of each wavelength and each value; -1 where not known
    x_decimals: Ints
    decimals: Ints
    line_numbers: Ints  # (p,): line of each point, from 1


@dataclass(frozen=True)
class ParsedText:
    """All spectra of a text under one separator, one pair of marks and one layout."""

    layout: str  # one of `LAYOUTS`
    separator: str  # one of `SEPARATORS`
    marks: NumberMarks
    spectra: list[RawSpectrum]
    meta: dict[str, str]  # header and footer as text
    whole: bool  # whether the last line of the table ends with a line end
    last_row_short: bool = False  # whether the last row ends with an empty cell
    notes: Notes = field(default_factory=Notes)

    def same_as(self, other: "ParsedText") -> bool:
        """True if both readings hold the same numbers."""
        return len(self.spectra) == len(other.spectra) and all(
            np.array_equal(a.x, b.x) and np.array_equal(a.values, b.values, equal_nan=True)
            for a, b in zip(self.spectra, other.spectra, strict=True)
        )


def refuse_marks(cells: Sequence[tuple[int, str]], told: ReadOptions) -> ScanFileError:
    """Return the error for numbers that no pair of marks fits with certainty."""
    texts, stated = [cell for _, cell in cells], told.decimal is not None or told.thousands is not None
    if not stated:
        for decimal, thousands in ((".", ","), (",", ".")):
            grouped = possible_marks(texts, decimal=decimal, thousands=thousands)
            marked = next(((n, c) for n, c in cells if thousands in c), None)
            if grouped and marked is not None:
                line, cell = marked
                other = cell.replace(thousands, ".")
                return AmbiguousScanFileError(
                    f"line {line}: {cell!r} may be {parse_number(cell, grouped[0]):.10g} ({grouped[0].words()}) or "
                    f"{other} with another decimal mark than the other numbers; give decimal= and thousands="
                )
    for mark in (".", ","):
        bad = next(((n, c) for n, c in cells if parse_number(c, NumberMarks(mark)) is None), None)
        if bad is not None:
            way = "check the keywords" if stated else "mend the line, or give decimal= and thousands="
            return ScanFileError(f"line {bad[0]}: {bad[1]!r} does not fit the marks of the other numbers; {way}")
    return ScanFileError("no decimal mark fits all numbers; export again, or give decimal= and thousands=")


def cells_to_numbers(rows: list[list[str]], marks: NumberMarks) -> tuple[Floats, Mask]:
    """Turn cells into floats, and say which of them mean that the detector was over its range."""
    # -> (n, p), (n, p)
    over = [[token_kind(cell) == "over" for cell in row] for row in rows]
    parsed = [[parse_number(cell, marks) for cell in row] for row in rows]
    return np.array(parsed, dtype=float), np.array(over, dtype=bool)


def decimals_of(cells: Sequence[str], marks: NumberMarks) -> Ints:
    """Count digits after the decimal mark of each cell."""
    # -> (p,)

    def digits(cell: str) -> int:
        if not looks_numeric(cell) or re.search("[eEdD]", cell):
            return -1
        return len(cell) - cell.rfind(marks.decimal) - 1 if marks.decimal in cell else 0

    return np.array([digits(cell) for cell in cells], dtype=np.int64)


_POINTS = re.compile(
    r"(?:(?:n|no\.?|nr\.?|num(?:ber)?|anzahl|count)\s*(?:of|der)?\s*)?(?:data|spectrum|scan)?\s*-?"
    r"(?:points|n?pts|datenpunkte|messpunkte|punkte|rows)\Z",
    re.I,
)


def _declared_points(meta: dict[str, str]) -> int | None:
    """Return the number of points that the header declares, if it does."""
    for key, value in meta.items():
        if value.isdigit() and _POINTS.match(key.replace("_", " ").strip()):
            return int(value)
    return None


def refuse_count(found: int, declared: int | None, end: str, too_many: str) -> None:
    """Refuse another number of points than was declared."""
    if declared is not None and found < declared:
        raise ScanFileError(f"truncated: {declared} points declared, {found} found{end}; copy the file again")
    if declared is not None and found > declared:
        raise ScanFileError(f"{declared} points declared, {found} found; {too_many}")


def check_points(reading: ParsedText) -> None:
    r"""Refuse a text that is cut: fewer points than declared, or a last value that stops short."""
    declared = _declared_points(reading.meta)
    longest = max(reading.spectra, key=lambda spectrum: spectrum.x.size)
    found = longest.x.size
    end = "" if reading.whole else ", no line end after the last value, which may be cut"
    if reading.layout != "rows":
        refuse_count(found, declared, end, "lines are repeated or two files are joined")
    if reading.whole or reading.layout == "rows":
        return
    cut = reading.last_row_short
    for spectrum in reading.spectra:
        digits = spectrum.decimals[spectrum.decimals >= 0]
        if digits.size >= 4 and np.ptp(digits[:-1]) == 0 and digits[-1] < digits[0]:
            cut = True
    if cut:
        raise ScanFileError(
            f"line {longest.line_numbers[-1]}: truncated: {found} points found, the last value is cut short and has "
            "no line end; copy the file again"
        )


def format_notes(spectrum: RawSpectrum) -> list[str]:
    r"""Say which numbers are written unlike all others of their column, as they are where a mark or digit was lost."""
    return [
        f"line {spectrum.line_numbers[k]}: a {what} with {digits[k]} decimals where the others have {usual}: a mark or "
        "digit may be lost"
        for what, digits in (("wavelength", spectrum.x_decimals), ("value", spectrum.decimals))
        for k, usual in _odd_digits(digits)
    ]


def _odd_digits(digits: Ints) -> list[tuple[int, int]]:
    """Places whose count of decimals stands out, and the usual count."""
    if digits.size < 6 or (digits == digits[0]).all():
        return []
    plain = digits[digits >= 0]
    if plain.size < 6:
        return []
    usual = int(np.bincount(plain).argmax())
    odd = np.flatnonzero((digits >= 0) & (digits != usual))
    # a writer that drops trailing zeros shortens about one value in ten; one or two among many stand out
    return [(int(k), usual) for k in odd] if odd.size <= max(1, plain.size // 50) else []
