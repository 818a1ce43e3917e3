"""Scan files to scans: delimited text of any ordinary kind and JCAMP-DX."""

import os
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from specmatch.array_types import check_whole
from specmatch.errors import OptionError, ScanFileError
from specmatch.maths.spectra.channels import find_spikes
from specmatch.measurement.readers.axis import gap_notes, merge_duplicates, order_axis
from specmatch.measurement.readers.cells import (
    AFTER_KEY,
    SEPARATORS,
    decode_text,
    is_data_line,
    names_column,
    read_meta,
    split_line,
)
from specmatch.measurement.readers.dialect import axis_in_nm, parse_text, short_way
from specmatch.measurement.readers.jcamp_dx import is_jcamp, jcamp_spectra
from specmatch.measurement.readers.scan import (
    LAYOUTS,
    QUANTITIES,
    Notes,
    ParsedText,
    RawSpectrum,
    ReadOptions,
    Scan,
    check_points,
    format_notes,
    told_of,
)
from specmatch.measurement.readers.units import SCALES, X_UNITS, Label, names_wavelength, read_label, settle_scale
from specmatch.storage import path_of

__all__ = ["Scan", "read_scans"]

LARGEST_BYTES = 64 * 10**6
NAMED_TWICE = 4
MOST_DEAD = 0.1
_QUANTITY_FIELDS = ("yunit", "yunits", "quantity", "ylabel")


def read_scans(
    path: str | Path,
    *,
    encoding: str | None = None,
    separator: str | None = None,
    decimal: str | None = None,
    thousands: str | None = None,
    layout: str | None = None,
    x_unit: str | None = None,
    quantity: str | None = None,
    scale: str | None = None,
    pixel_polynomial: Sequence[float] | None = None,
    wavelength_column: int | None = None,
) -> list[Scan]:
    r"""Read every spectrum of a scan file.

    Everything is decided from the whole file, written into `Scan.notes`, and may be overridden; what can be read
    in two ways is refused with both named.

    Parameters
    ----------
    path : str or Path
        Delimited text or JCAMP-DX.
    encoding : str, optional
        A codec name such as `"cp1252"`.
    separator : str, optional
        One of tab, `;`, `,`, `|` or a blank (any run of blanks).
    decimal, thousands : str, optional
        The marks of the numbers; `thousands=""` says that there is none.
    layout : {"columns", "rows", "pairs"}, optional
        Spectra in columns beside one wavelength column, in rows under a header of wavelengths, or each with its
        own wavelength column.
    x_unit : {"nm", "um", "1/cm", "angstrom", "pixel"}, optional
    quantity : {"counts", "reflectance", "transmittance", "absorbance", "unknown"}, optional
    scale : {"fraction", "percent"}, optional
    pixel_polynomial : sequence of float, optional
        Coefficients from pixel number to nm, constant term first, for files that hold pixels only.
    wavelength_column : int, optional
        Number of the column of wavelengths, from 1, where neither names nor numbers tell it.

    Returns
    -------
    list of Scan
        In the order of the file; wavelengths ascending, percent turned into fractions.

    Raises
    ------
    ScanFileError
        If the file is missing, empty, damaged, cut, or holds no spectrum.
    AmbiguousScanFileError
        If the file can be read in two ways.
    UnitError
        If what the file states contradicts its values.
    OptionError
        If a keyword is given something that is not one of its options.

    Examples
    --------
    >>> _ = Path("one_scan.csv").write_text("wavelength_nm;reflectance\n400,0;0,25\n410,0;0,30\n420,0;0,35\n")
    >>> [scan] = read_scans("one_scan.csv")
    >>> scan.values.tolist(), scan.quantity
    ([0.25, 0.3, 0.35], 'reflectance')
    """
    polynomial = None if pixel_polynomial is None else tuple(float(c) for c in pixel_polynomial)
    told = ReadOptions(
        encoding, separator, decimal, thousands, layout, x_unit, quantity, scale, polynomial, wavelength_column
    )
    options = {"separator": SEPARATORS, "layout": LAYOUTS, "x_unit": X_UNITS, "quantity": QUANTITIES, "scale": SCALES}
    for keyword, known in options.items():
        given = getattr(told, keyword)
        if given is not None and given not in known:
            raise OptionError(f"{keyword}={given!r} is not known; use one of {', '.join(map(repr, known))}")
    if wavelength_column is not None:
        check_whole(wavelength_column, "wavelength_column", 1)
    path = path_of(path)
    name = path.name
    try:
        with open(path, "rb") as file:
            # a limit given to every read would set aside that much memory for every small file
            large = os.fstat(file.fileno()).st_size > LARGEST_BYTES
            raw = file.read(LARGEST_BYTES + 1) if large else file.read()
    except OSError as error:
        raise ScanFileError(f"{name}: cannot be read ({error.strerror}); check the name and the folder") from None
    return scans_from_bytes(raw, name=name, told=told)


def scans_from_bytes(raw: bytes, *, name: str, told: ReadOptions | None = None) -> list[Scan]:
    """Read every spectrum of the bytes of a scan file; `read_scans` without the disk."""
    with told_of(name):
        return _scans(raw, name, told or ReadOptions())


def _scans(raw: bytes, name: str, told: ReadOptions) -> list[Scan]:
    if len(raw) > LARGEST_BYTES:
        raise ScanFileError(
            f"more than {LARGEST_BYTES // 10**6} MB, which no scan file is; save its spectra in several files, or "
            "build a reference set of them"
        )
    text, encoding = decode_text(raw, encoding=told.encoding)
    if is_jcamp(text):
        return _jcamp_scans(text, encoding, name, told)
    reading = short_way(text, told)
    parts = _table_parts(text) if reading is None and told.layout != "rows" else []
    if parts:
        return _of_several(parts, encoding, name, told)
    return _text_scans(reading or parse_text(text, told), encoding, name, told)


# Several tables in one text, each under a header of its own: taken apart where each has a name.

_FEWEST_LINES = 3
_MOST_TABLES = 1000
_WORDED = re.compile(r"^[^\S\n]*[^\d\s][^\n]*", re.MULTILINE)
_NAME_KEY = re.compile(r"(?:scan|sample|spectrum|spectra|title|name|id|data\s*set|probe|file|beer|pour)\b", re.I)


@dataclass(frozen=True)
class _TablePart:
    """One table of a text that holds several."""

    title: str  # what stands over its header; "" where nothing does
    text: str  # the table with the lines above it, on the lines of the whole text
    shared: list[str]  # lines of the text's own header, above the first table and its title


def _table_parts(text: str) -> list[_TablePart]:
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
        if len(heads) > _MOST_TABLES:
            raise ScanFileError(f"holds several tables ({len(heads)}), more than {_MOST_TABLES}; save them apart")
        if len(heads) > 1:
            return _parts(lines, [(head, end) for end, head in sorted(heads.items())])
    return []


def _table_end(lines: Sequence[str], head: int, separator: str) -> int:
    """Return the line after the table under a header, 0 where no table stands under it."""
    cells = split_line(lines[head], separator)
    if len(cells) < 2 or not names_column(cells):
        return 0
    at, count = head + 1, 0
    while at < len(lines):
        below = split_line(lines[at], separator)
        if is_data_line(below):
            count += 1
        elif any(below) and not (count == 0 and at == head + 1 and len(below) == len(cells)):
            break
        at += 1
    return at if count >= _FEWEST_LINES else 0


def _parts(lines: Sequence[str], found: Sequence[tuple[int, int]]) -> list[_TablePart]:
    parts: list[_TablePart] = []
    above = 0
    for head, end in found:
        at = next((i for i in range(head - 1, above - 1, -1) if lines[i].strip()), -1)
        title = _title(lines[at]) if at >= 0 else ""
        if not parts:
            shared = [line for i, line in enumerate(lines[:head]) if not (title and i == at)]
        ended = "\n" if end < len(lines) else ""
        parts.append(_TablePart(title, "\n" * above + "\n".join(lines[above:end]) + ended, shared))
        above = end
    return parts


def _title(line: str) -> str:
    """Return the name that a line gives to the table below it."""
    bare = line.strip().strip('#*=-[]<>;,\t" ').strip()
    parts = AFTER_KEY.split(bare, maxsplit=1)
    if len(parts) == 2:
        return parts[1].strip(' ";,\t') if _NAME_KEY.match(parts[0]) else ""
    return bare


def _refuse_unnamed(parts: Sequence[_TablePart], titles: Sequence[str], points: Sequence[int]) -> None:
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


def _of_several(parts: Sequence[_TablePart], encoding: str, name: str, told: ReadOptions) -> list[Scan]:
    """Read each table of a text by itself, and name its scans after it."""
    read = [_text_scans(parse_text(part.text, told), encoding, name, told) for part in parts]
    titles = [part.title or scans[0].meta.get("column", "") for part, scans in zip(parts, read, strict=True)]
    _refuse_unnamed(parts, titles, [scans[0].values.size for scans in read])
    shared = read_meta(parts[0].shared, first_line=1)
    note = f"{len(parts)} tables in the file"
    return [
        replace(
            scan, scan_id=title if len(scans) == 1 else f"{title}#{k}", meta={**shared, **scan.meta},
            notes=(*scan.notes, note),
        )
        for title, scans in zip(titles, read, strict=True)
        for k, scan in enumerate(scans, 1)
    ]  # fmt: skip


def _text_scans(reading: ParsedText, encoding: str, name: str, told: ReadOptions) -> list[Scan]:
    """Turn one table into scans."""
    shared = Notes([f"text encoding {encoding}", f"separator {SEPARATORS[reading.separator]}", reading.marks.words()])
    shared.join(reading.notes)
    if reading.layout != "columns":
        shared.add(f"spectra in {reading.layout}")
    check_points(reading)
    if not reading.whole:
        shared.doubt("no line end after the last value: the file may be cut there")
    titles = [spectrum.title for spectrum in reading.spectra]
    again = {title: count for title, count in Counter(titles).items() if count > 1}
    shared.doubt(*(f"{count} spectra are named {title!r}" for title, count in list(again.items())[:NAMED_TWICE]))
    if len(again) > NAMED_TWICE:
        shared.doubt(f"{len(again) - NAMED_TWICE} more names are those of several spectra")
    labels = _labels(reading, shared)
    scans = []
    for scan_id, spectrum, label in zip(
        _scan_ids(titles, name, of_rows=reading.layout == "rows"), reading.spectra, labels, strict=True
    ):
        meta = reading.meta if not spectrum.title else {**reading.meta, "column": spectrum.title}
        scans.append(_finish(spectrum, scan_id, meta, label, (shared,), told, whole=reading.whole))
    return scans


def _scan_ids(titles: list[str], name: str, *, of_rows: bool = False) -> list[str]:
    """Return the titles where each is a name of its own, else the file's name; one spectrum has a name in rows only."""
    unique = all(titles) and len(set(titles)) == len(titles)
    if len(titles) == 1 and not (unique and of_rows):
        return [name]
    return titles if unique else [f"{name}#{k}" for k in range(1, len(titles) + 1)]


def _jcamp_scans(text: str, encoding: str, name: str, told: ReadOptions) -> list[Scan]:
    spectra, file_notes = jcamp_spectra(text)
    shared = Notes(["JCAMP-DX", f"text encoding {encoding}"])
    shared.join(file_notes)
    scan_ids = _scan_ids([spectrum.title for spectrum, _, _ in spectra], name)
    return [
        _finish(spectrum, scan_id, labels, _label(spectrum, labels), (shared, notes), told)
        for scan_id, (spectrum, labels, notes) in zip(scan_ids, spectra, strict=True)
    ]


def _labels(reading: ParsedText, shared: Notes) -> list[Label]:
    """Return what each title says; titles of one table that say different things say nothing, and a note tells."""
    # a table in the form of our own may hold counts; far above them only a dead channel reflects, and few are dead
    own = all(spectrum.words.strip() == "scan_id" for spectrum in reading.spectra)
    counts = own and np.mean(np.concatenate([spectrum.values for spectrum in reading.spectra]) > 150.0) > MOST_DEAD
    labels = [_label(spectrum, reading.meta, titled=not counts) for spectrum in reading.spectra]
    if len(labels) == 1:
        only = reading.spectra[0]
        # over the only column R is the symbol, where the numbers can be reflectance; over one of several, a name
        symbol = only.words.strip() == "R" and labels[0] == Label() and np.nanmax(only.values, initial=0.0) <= 150.0
        return [Label("reflectance")] if symbol else labels
    if len(set(labels)) == 1:
        return labels
    said = [
        f"{spectrum.title or spectrum.words!r} ({' in '.join(filter(None, (label.quantity, label.scale)))})"
        for spectrum, label in zip(reading.spectra, labels, strict=True)
        if label != Label()
    ]
    shared.doubt(
        f"titles disagree on what the values are: {', '.join(said[:4])}, the others say nothing or something else; "
        "in Python give quantity= and scale="
    )
    return [Label()] * len(labels)


def _label(spectrum: RawSpectrum, meta: dict[str, str], *, titled: bool = True) -> Label:
    """Return what the title says, or where it says nothing the header's field for it."""
    label = Label()
    if titled:
        label = read_label(spectrum.words, field=bool(spectrum.words) and spectrum.words == meta.get("YUNITS"))
    words = [value for key, value in meta.items() if key.lower().replace(" ", "") in _QUANTITY_FIELDS]
    field = read_label(" ".join(words), field=True)
    if label.quantity and field.quantity not in ("", label.quantity):
        return label
    return Label(label.quantity or field.quantity, label.scale or field.scale)


def _finish(
    spectrum: RawSpectrum,
    scan_id: str,
    meta: dict[str, str],
    label: Label,
    before: Sequence[Notes],
    told: ReadOptions,
    *,
    whole: bool = True,
) -> Scan:
    """Put one spectrum into ascending nm, its quantity and its scale."""
    notes = Notes()
    for said in before:
        notes.join(said)
    nm, unit, stated = axis_in_nm(spectrum, meta, told)
    if unit == "pixel":
        notes.add("pixels turned into nm by the polynomial")
    elif stated:
        notes.add("wavelengths in nm, as stated" if unit == "nm" else f"wavelengths in {unit} turned into nm")
    else:
        notes.add(f"wavelengths {nm.min():g} to {nm.max():g} taken as nm; the file states no unit")
    lines = spectrum.line_numbers
    order, order_notes = order_axis(nm, lines=lines if lines[0] != lines[-1] else None)
    # in 1/cm the ascending order is the reverse of the file's, which is no oddity of the file
    notes.add(*(order_notes if unit != "1/cm" else ()))
    x, values, saturated, merged = merge_duplicates(nm[order], spectrum.values[order], spectrum.saturated[order])
    notes.doubt(*merged, *gap_notes(x), *format_notes(spectrum))
    values, quantity, scale, scale_notes = settle_scale(values, label, quantity=told.quantity, scale=told.scale)
    # what the file or the caller states is no doubt
    (notes.add if told.scale or label.scale else notes.doubt)(*scale_notes)
    missing = ~np.isfinite(values)
    if missing.all():
        raise ScanFileError(f"no number among the {missing.size} values; measure again")
    if missing.any():
        over = f", {int(saturated.sum())} of them over the range" if saturated.any() else ""
        notes.doubt(f"{int(missing.sum())} value(s) missing{over}")
    spikes = np.flatnonzero(find_spikes(values))
    if spikes.size:
        notes.doubt(
            f"stands off its neighbours at {', '.join(f'{x[k]:g}' for k in spikes[:5])} nm ({spikes.size} point(s)): "
            "a spike or a damaged digit"
        )
    open_end = None if whole else int(np.searchsorted(x, nm[-1]))
    return Scan(
        scan_id, x, np.where(missing, np.nan, values), quantity, saturated, missing, meta, tuple(notes.every), scale,
        open_end, tuple(notes.doubts),
    )  # fmt: skip
