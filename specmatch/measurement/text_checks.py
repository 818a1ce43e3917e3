"""Signs in a text that a file was cut or damaged: a declared count, a cut last value, an odd number format."""

import re

import numpy as np

from specmatch.array_types import Ints
from specmatch.errors import ScanFileError
from specmatch.measurement.layouts import RawSpectrum, Reading

_POINTS = re.compile(
    r"(?:(?:n|no\.?|nr\.?|num(?:ber)?|anzahl|count)\s*(?:of|der)?\s*)?(?:data|spectrum|scan)?\s*-?"
    r"(?:points|n?pts|datenpunkte|messpunkte|punkte|rows)\Z",
    re.I,
)


def _declared_points(meta: dict[str, str]) -> int | None:
    """Return the number of points that the header declares, if it does.

    Examples
    --------
    >>> _declared_points({"operator": "A", "Number of points": "288"})
    288
    """
    for key, value in meta.items():
        if value.isdigit() and _POINTS.match(key.replace("_", " ").strip()):
            return int(value)
    return None


def check_points(reading: Reading, *, name: str) -> None:
    r"""Refuse a text that is cut: fewer points than declared, or a last value that stops short.

    Parameters
    ----------
    reading : Reading
    name : str
        The file's name, for messages.

    Raises
    ------
    ScanFileError
        If points are lost or too many, or the last value is cut.

    Examples
    --------
    >>> from specmatch.measurement.dialect import Told, one_reading
    >>> text = "points;3\nwavelength;counts\n400;12\n401;13\n"
    >>> check_points(one_reading(text, "a.csv", Told()), name="a.csv")
    Traceback (most recent call last):
    specmatch.errors.ScanFileError: a.csv: truncated: 3 points declared, 2 found; copy the file again
    """
    declared = _declared_points(reading.meta)
    longest = max(reading.spectra, key=lambda spectrum: spectrum.x.size)
    found = longest.x.size
    end = "" if reading.whole else ", no line end after the last value, which may be cut"
    if declared is not None and found != declared and reading.layout != "rows":
        if found < declared:
            raise ScanFileError(
                f"{name}: truncated: {declared} points declared, {found} found{end}; copy the file again"
            )
        raise ScanFileError(
            f"{name}: {declared} points declared, {found} found; lines are repeated or two files are joined"
        )
    if reading.whole or reading.layout == "rows":
        return
    cut = reading.last_row_short
    for spectrum in reading.spectra:
        digits = spectrum.decimals[spectrum.decimals >= 0]
        if digits.size >= 4 and np.ptp(digits[:-1]) == 0 and digits[-1] < digits[0]:
            cut = True
    if cut:
        raise ScanFileError(
            f"{name}, line {longest.line_numbers[-1]}: truncated: {found} points found, the last value is cut short "
            "and has no "
            "line end; copy the file again"
        )


def format_notes(spectrum: RawSpectrum) -> list[str]:
    r"""Say which numbers are written unlike all others of their column, as they are where a mark or digit was lost.

    Parameters
    ----------
    spectrum : RawSpectrum

    Returns
    -------
    list of str
        Notes, each with its line.

    Examples
    --------
    >>> from specmatch.measurement.dialect import Told, one_reading
    >>> text = "wavelength;counts\n" + "".join(f"{nm};0.25\n" for nm in range(400, 406)) + "406;0.3\n"
    >>> format_notes(one_reading(text, "a.csv", Told()).spectra[0])
    ['line 8: a value with 1 decimals where the others have 2: a mark or digit may be lost']
    """
    return [
        f"line {spectrum.line_numbers[k]}: a {what} with {digits[k]} decimals where the others have {usual}: a mark or "
        "digit may be lost"
        for what, digits in (("wavelength", spectrum.x_decimals), ("value", spectrum.decimals))
        for k, usual in _odd_digits(digits)
    ]


def _odd_digits(digits: Ints) -> list[tuple[int, int]]:
    """Places whose count of decimals stands out, and the usual count."""
    if digits.size < 6 or digits.max() == digits.min():
        return []
    plain = digits[digits >= 0]
    if plain.size < 6:
        return []
    usual = int(np.bincount(plain).argmax())
    odd = np.flatnonzero((digits >= 0) & (digits != usual))
    # a writer that drops trailing zeros shortens about one value in ten; one or two among many stand out
    return [(int(k), usual) for k in odd] if odd.size <= max(1, plain.size // 50) else []
