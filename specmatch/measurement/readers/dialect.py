"""Find the one way to read a text: separator, decimal mark, thousands mark and layout that fit all of it."""

import re
from dataclasses import replace

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.readers.axis import order_axis, pixels_to_nm
from specmatch.measurement.readers.column_layout import columns_readings
from specmatch.measurement.readers.fast_path import plain_reading, plain_rows
from specmatch.measurement.readers.lines import SEPARATORS, candidate_separators, separator_line
from specmatch.measurement.readers.parsed_text import ParsedText, RawSpectrum, ReadOptions
from specmatch.measurement.readers.row_layout import rows_may_be, rows_reading, split_rows
from specmatch.measurement.readers.units import (
    names_wavelength,
    read_label,
    refuse_other_axis,
    stated_x_unit,
    to_nanometres,
)

_UNIT_FIELDS = ("xunit", "xunits", "wavelengthunit", "wavelengthunits", "xaxis", "xlabel")
# an axis that runs over less than this share of another's is none beside it
_LEAST_SPAN = 0.1
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\Z")


def short_way(text: str, told: ReadOptions) -> ParsedText | None:
    """Read a text of the commonest form, which holds one table and can be read one way only; else None."""
    if told == ReadOptions(told.encoding, quantity=told.quantity, scale=told.scale, x_unit=told.x_unit):
        return plain_reading(text) or plain_rows(text)
    return None


def parse_text(text: str, told: ReadOptions) -> ParsedText:
    r"""Read a text under every separator, mark and layout that fits; refuse it unless all of them agree."""
    lines = text.split("\n")
    stated = separator_line(lines[0])
    if stated:
        lines[0] = ""
        text = "\n".join(lines)
        told = told if told.separator else replace(told, separator=stated, separator_in_file=True)
    readings: list[ParsedText] = []
    problems: list[ScanFileError] = []
    separators = candidate_separators(text, told.separator)
    for separator in separators:
        ambiguous = [error for error in problems if isinstance(error, AmbiguousScanFileError)]
        if separator == " " and (readings or ambiguous) and len(separators) > 1:
            break  # blanks inside or around the cells of a table with a separator of its own
        fits, failed = _readings_at(lines, separator, told)
        readings += fits
        problems += failed
    readings, problems = _plausible(readings, problems, told)
    if not readings:
        doubts: list[ScanFileError] = [e for e in problems if isinstance(e, AmbiguousScanFileError)]
        raise (doubts or sorted(problems, key=lambda error: error.stage == "table"))[0]
    for other in readings[1:]:
        if not readings[0].same_as(other):
            raise AmbiguousScanFileError(f"may be read in two ways: {_differ(readings[0], other)}")
    return readings[0]


def _readings_at(lines: list[str], separator: str, told: ReadOptions) -> tuple[list[ParsedText], list[ScanFileError]]:
    """Read at one separator: in rows only where no table in columns was found and no name of wavelengths stands."""
    fits: list[ParsedText] = []
    problems: list[ScanFileError] = []
    refused = False
    if told.layout != "rows":
        try:
            fits = columns_readings(lines, separator, told)
        except ScanFileError as error:
            problems.append(error)
            refused = error.stage != "table"
    split = split_rows(lines, separator) if told.layout in (None, "rows") else []
    if told.layout == "rows" or (told.layout is None and rows_may_be(split, refused=refused)):
        try:
            by_rows = rows_reading(lines, split, separator, told)
        except ScanFileError as error:
            return fits, [*problems, error]
        headed = any(names_wavelength(s.x_words) for reading in fits for s in reading.spectra)
        if fits and _corner(by_rows) and _span(by_rows) > _LEAST_SPAN * _span(fits[0]):
            fits = [by_rows]  # the corner of the header names what the rows are
        elif not fits or by_rows.spectra[0].words or not headed:
            fits.append(by_rows)
    return fits, problems


def _plausible(
    readings: list[ParsedText], problems: list[ScanFileError], told: ReadOptions
) -> tuple[list[ParsedText], list[ScanFileError]]:
    """Keep the readings whose wavelengths, and whose stated quantity, can be what they are taken for."""
    kept = []
    for reading in readings:
        try:
            for spectrum in reading.spectra:
                order_axis(spectrum.x, lines=None if reading.layout == "rows" else spectrum.line_numbers)
                axis_in_nm(spectrum, reading.meta, told)
        except ScanFileError as error:
            problems.append(error)
            continue
        kept.append(reading)
    if len(kept) > 1:
        # a fraction, a percentage or an absorbance never reaches the thousands
        kept = [r for r in kept if not all(_in_thousands(s, told) for s in r.spectra)] or kept
        # lots such as 501, 502, 503 beside an axis over the colours are names where the corner names that axis
        if all(names_wavelength(r.spectra[0].words) for r in kept if r.layout == "rows"):
            kept = [r for r in kept if _span(r) > _LEAST_SPAN * max(map(_span, kept))]
    return kept, problems


def _corner(reading: ParsedText) -> str:
    """Return what stands in the corner of a table in rows, if it names the rows and not the wavelengths."""
    words = reading.spectra[0].words
    return "" if names_wavelength(words) else words


def _span(reading: ParsedText) -> float:
    """Return how far the axis of a reading runs, as a share of its middle, which is the same in every unit."""
    x = reading.spectra[0].x
    return float(np.ptp(x) / abs(np.median(x))) if x.size and np.median(x) else 0.0


def _differ(one: ParsedText, other: ParsedText) -> str:
    """Say two readings by the first number in which they differ, and the keyword that settles it."""
    if one.layout != other.layout:
        return f"spectra in {one.layout}, or in {other.layout}; give layout={one.layout!r} or layout={other.layout!r}"
    if one.separator != other.separator:
        ways = (f"separator {SEPARATORS[way.separator]} with {way.marks.words()}" for way in (one, other))
        return f"{', or '.join(ways)}; give separator= and decimal="
    for a, b in zip(one.spectra, other.spectra, strict=True):
        for left, right in ((a.x, b.x), (a.values, b.values)):
            apart = np.flatnonzero(~((left == right) | (np.isnan(left) & np.isnan(right))))
            if apart.size:
                k = int(apart[0])
                return (
                    f"line {a.line_numbers[k]} as {left[k]:.10g} ({one.marks.words()}) or as {right[k]:.10g} "
                    f"({other.marks.words()}); give decimal= and thousands="
                )
    return f"{one.marks.words()}, or {other.marks.words()}; give decimal= and thousands="


def _in_thousands(spectrum: RawSpectrum, told: ReadOptions) -> bool:
    """True where a spectrum is said to be of an optical quantity and its values are too large to be one."""
    said = told.quantity or read_label(spectrum.words).quantity
    optical = said in ("reflectance", "transmittance", "absorbance")
    return optical and bool(np.nanmax(np.abs(spectrum.values), initial=0.0) >= 1000.0)


def axis_in_nm(spectrum: RawSpectrum, meta: dict[str, str], told: ReadOptions) -> tuple[Floats, str, bool]:
    r"""Return the axis in nm, the unit it was taken as, and whether that was stated."""
    # -> (p,)
    unit = told.x_unit or stated_x_unit(spectrum.x_words) or _unit_in(meta)
    if unit == "pixel" or (told.pixel_polynomial is not None and not unit):
        coefficients = told.pixel_polynomial or _coefficients_in(meta)
        if coefficients is None:
            raise ScanFileError(
                "holds pixels, not wavelengths; give the instrument's coefficients with pixel_polynomial=..."
            )
        return pixels_to_nm(spectrum.x, coefficients), "pixel", True
    # above rows the words are the corner's, which names what the rows are; JCAMP-DX may write all on one line
    if not unit and (spectrum.line_numbers[0] != spectrum.line_numbers[-1] or "XUNITS" in meta):
        refuse_other_axis(spectrum.x_words)
    return to_nanometres(spectrum.x, unit, stated=bool(unit)), unit, bool(unit)


def _coefficients_in(meta: dict[str, str]) -> tuple[float, ...] | None:
    """Coefficients of a wavelength polynomial that the header states, constant term first."""
    for key, value in meta.items():
        if re.search(r"(?:wavelength|pixel)\W?_?(?:coeff|polynom)", key, re.I):
            words = re.split(r"[\s;]+|,\s", value.strip())
            if len(words) >= 2 and all(_PLAIN.match(word) for word in words):
                return tuple(map(float, words))
    return None


def _unit_in(meta: dict[str, str]) -> str:
    fields = (value for key, value in meta.items() if re.sub("[_ ]", "", key.lower()) in _UNIT_FIELDS)
    return next(map(stated_x_unit, fields), "")
