"""Find the one way to read a text: separator, decimal mark, thousands mark and layout that fit all of it."""

import re
from dataclasses import replace
from functools import lru_cache

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.readers.axis import FAR_STEPS, one_way, order_axis, pixels_to_nm
from specmatch.measurement.readers.cells import (
    SEPARATORS,
    NumberMarks,
    candidate_separators,
    is_data_line,
    names_over_units,
    read_meta,
    separator_line,
    split_line,
)
from specmatch.measurement.readers.column_layout import columns_readings
from specmatch.measurement.readers.row_layout import rows_may_be, rows_reading, split_rows, wavelength_header
from specmatch.measurement.readers.scan import ParsedText, RawSpectrum, ReadOptions
from specmatch.measurement.readers.units import (
    names_wavelength,
    read_label,
    refuse_other_axis,
    stated_x_unit,
    to_nanometres,
)
from specmatch.spectra import PLAUSIBLE_NM
from specmatch.wording import PLAIN_NUMBER

_UNIT_FIELDS = ("xunit", "xunits", "wavelengthunit", "wavelengthunits", "xaxis", "xlabel")
# an axis that runs over less than this share of another's is none beside it
_LEAST_SPAN = 0.1


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
        return f"{', or '.join(ways)}; in Python give separator= and decimal="
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
            if len(words) >= 2 and all(map(PLAIN_NUMBER.match, words)):
                return tuple(map(float, words))
    return None


def _unit_in(meta: dict[str, str]) -> str:
    fields = (value for key, value in meta.items() if re.sub("[_ ]", "", key.lower()) in _UNIT_FIELDS)
    return next(map(stated_x_unit, fields), "")


# The short way for the commonest files: a header, then two columns of plain numbers to the end of the text; or a line
# of wavelengths, and under it to the end rows of a name and as many plain numbers. It gives exactly what the general
# way gives, or nothing, and the general way is gone then. The whole text decides here too: one line, mark or number
# that could be read otherwise sends the file the general way.

# marks that part or shield cells, or belong to numbers: where others than a dialect's own stand, the general way judges
_MARKS = frozenset(';\t,.|"')
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


def plain_rows(text: str) -> ParsedText | None:
    """Read named spectra in rows under a line of wavelengths in nm, or return None."""
    head, _, block = text.partition("\n")
    separator = next((mark for mark in ";\t," if mark in head), "")
    decimal = "," if separator != "," and "," in text else "."
    if not separator or any(mark in text for mark in _MARKS - {separator, decimal}):
        return None
    corner, *axis = split_line(head, separator)
    number = rf"-?(?:0|[1-9][0-9]*+)(?:{re.escape(decimal)}[0-9]++)?+"
    row = rf"[A-Za-z][^{separator},\n]*+(?:{separator}{number}){{{len(axis)}}}\n"
    plain = len(axis) > 2 and corner[:1].isalpha() and all(re.fullmatch(number, cell) for cell in axis)
    if not plain or names_wavelength(corner) or wavelength_header([corner, *axis]) != axis:
        return None
    if re.fullmatch(rf"(?:{row})++", block) is None:
        return None
    rows = [line.split(separator) for line in block.split("\n")[:-1]]
    names = [cells[0].strip() for cells in rows]
    cells = [[cell.replace(decimal, ".") for cell in row] for row in (axis, *(cells[1:] for cells in rows))]
    x, *values = np.array([list(map(float, row)) for row in cells])
    x_decimals, *decimals = np.array(list(map(_decimals, cells)))
    steps = np.diff(np.vstack([x, *values]), axis=1)
    one_way_only: Mask = np.all(steps > 0, axis=1) | np.all(steps < 0, axis=1)
    # 1.234 may be 1234; rows that only rise or fall, and names that say so, may be wavelengths again
    doubtful = not (set(np.unique(decimals).tolist()) - {0, 3}) or one_way_only[1:].any()
    in_nm = one_way_only[0] and x.min() >= PLAUSIBLE_NM[0] and x.max() <= PLAUSIBLE_NM[1]
    if doubtful or not in_nm or corner in names or any(map(names_wavelength, names)):
        return None
    spectra = [
        RawSpectrum(
            name, x, v, np.zeros(x.size, bool), f"{corner} {axis[-1]}", corner, x_decimals, d, np.full(x.size, line)
        )
        for line, (name, v, d) in enumerate(zip(names, values, decimals, strict=True), 2)
    ]
    return ParsedText("rows", separator, NumberMarks(decimal), spectra, {}, True)
