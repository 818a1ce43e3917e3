"""Scans of a folder put on one grid, with their times, integration times and what the recorder has done."""

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Mask
from specmatch.errors import AmbiguousScanFileError, ScanFileError, SpecmatchError
from specmatch.measurement.folder.columns import folded
from specmatch.measurement.folder.folder import MeasuredFolder, first_reason
from specmatch.measurement.readers.axis import resample
from specmatch.measurement.readers.scan import Scan
from specmatch.measurement.readers.units import ASSUMED_FRACTION
from specmatch.measurement.reflectance.reflectance import RawScans

_YES = ("yes", "y", "true", "1", "on", "ja", "oui", "si", "done", "enabled", "active", "applied")
# below, keys and values as `folded` leaves them: no case, accents or brackets, words joined by underscores
_REMOVED = (
    r"(?:(?:is|was|already)_)?(?:correct(?:ed|ion)|subtract(?:ed|ion)|remov(?:ed|al)|korrektur|korrigiert|abgezogen|"
    r"soustrait|corrige|corregido|restado|sottratto)"
)
_DARK = (
    r"(?:dark|background|offset|dunkel(?:strom|wert|signal)?|noir|oscuro|buio)(?:_(?:current|scan|spectrum|signal))?"
)
_DARK_REMOVED = re.compile(
    rf"(?:(?:counts|signal|intensity|electric(?:al)?|{_DARK})_)*(?:{_DARK}_?{_REMOVED}|"
    rf"(?:correct(?:ed)?_for|subtract(?:ed)?|remove)_(?:electric(?:al)?_)?{_DARK})"
    r"(?:_(?:counts|signal|intensity|spectrum|data|enabled|applied))*\Z|net_(?:counts|signal|intensity)\Z"
)
_TIME_KEY = re.compile(
    r"(?:(?:spectrometer|detector|sensor|scan|temps_d['\u2019_]?|tiempo_de_?|tempo_di_?)_?)*"
    r"t?_?(?:int|integra(?:tion|tie|cion|zione)|expos(?:ure|ition|icion|izione)|belichtungs?|acquisition)"
    r"(?:(?:_?(?:s?zeit|time|s?tijd|period)_*|_+)"  # `Integrations` counts them
    r"(us|\u03bcs|ms|s|sec|seconds?|(?:u|m)sec|(?:micro|milli)seconds?)?)?\Z"
)
_TIME_VALUE = re.compile(
    r"([0-9]+(?:[.,][0-9]+)?(?:e[+-]?[0-9]+)?)\s*(us|\u03bcs|ms|s|sec|seconds?|(?:u|m)sec|(?:micro|milli)seconds?)?"
    r"(?:\s*\(.*\))?\Z"
)

# axes that are nowhere farther apart than this share of a step are one, printed with other digits
ROUNDING = 0.05


def _plain(text: str) -> str:
    """Return a key or a value of a header without case, accents, brackets, and marks between words."""
    return folded(re.sub(r"[()\[\]]", " ", text))


def _header_time(meta: Mapping[str, str]) -> tuple[float, float]:
    """Return the integration time that a header states, as its number and in ms; NaN for what it does not say."""
    # a time with its unit goes before one without
    bare = float("nan")
    for key, value in meta.items():
        in_key = _TIME_KEY.match(_plain(key))
        in_value = in_key and _TIME_VALUE.match(unicodedata.normalize("NFKC", value).strip().lower())
        if not in_key or not in_value:
            continue
        number, unit = float(in_value.group(1).replace(",", ".")), in_value.group(2) or in_key.group(1)
        if unit:
            in_ms = 1e-3 if unit.startswith(("u", "\u03bc", "micro")) else 1.0 if unit.startswith("m") else 1e3
            return number, number * in_ms
        # without a unit only a key that names a time is one: `Int` may be an intensity
        if bare != bare and re.search("time|zeit|tijd|temps|tiempo|tempo|integra", _plain(key)):
            bare = number
    return bare, float("nan")


def header_integration_ms(meta: Mapping[str, str]) -> float | None:
    """Return the integration time that a file's header states with its unit, in ms."""
    in_ms = _header_time(meta)[1]
    return None if in_ms != in_ms else in_ms


def _dark_already_removed(meta: Mapping[str, str]) -> bool:
    """True if a file's header, or the title of its values, says that the recorder has subtracted the dark."""
    for key, value in meta.items():
        own = _plain(value)
        stated = _plain(re.sub(r"[(\[].*", "", key))
        if _DARK_REMOVED.match(own) or _DARK_REMOVED.match(f"{stated}_{own}"):
            return True
        if own in _YES and _DARK_REMOVED.match(stated):
            return True
    return False


def gather_raw_scans(
    found: MeasuredFolder, left_out: list[tuple[str, str]], notes: list[tuple[str, str]]
) -> tuple[RawScans, pd.DataFrame | None]:
    """Put all scans of a folder on the grid of most sample scans."""
    kept, values, masks, direct_rows = [], [], [], []
    grid = _common_grid(found)
    roles = found.rows["role"].to_numpy(dtype=object)
    files = found.rows["file"].to_numpy(dtype=object)
    percent = any(scan.scale == "percent" for scan in found.scans)
    for i, scan in enumerate(_without_cut_ends(found.scans, files, notes)):
        try:
            if percent:
                _refuse_unscaled(scan)
            quantity = _quantity(scan, roles[i])
            y, mask = _on_grid(scan, grid, notes)
        except SpecmatchError as error:
            left_out.append((files[i], str(error).removeprefix(f"{files[i]}: ")))
            continue
        if quantity == "reflectance":
            direct_rows.append((scan.scan_id, y))
            continue
        kept.append(i)
        values.append(y)
        masks.append(mask)
    at = np.array(kept, dtype=int)
    rows = found.rows.iloc[at]
    p = grid.size
    raw = RawScans(
        scan_ids=rows.index.to_numpy(dtype=object),
        wavelength_nm=grid,
        counts=np.array(values, dtype=float).reshape(len(kept), p),
        saturated=np.array(masks, dtype=bool).reshape(len(kept), p),
        role=rows["role"].to_numpy(dtype=object),
        instrument=rows["instrument"].to_numpy(dtype=object),
        session=rows["session"].to_numpy(dtype=object),
        lamp=rows["lamp"].map(folded).to_numpy(dtype=object),
        base=rows["base"].map(folded).to_numpy(dtype=object),
        beer=rows["beer"].to_numpy(dtype=object),
        integration_ms=_integration_ms(rows, [found.scans[i] for i in kept], notes),
        hours=_hours(rows["time"].tolist()),
        order=rows["order"].to_numpy(dtype=float),
        dark_removed=np.array([_dark_already_removed(found.scans[i].meta) for i in kept], dtype=bool),
    )
    direct = None
    if direct_rows:
        direct = pd.DataFrame(
            [y for _, y in direct_rows],
            index=pd.Index([name for name, _ in direct_rows], name="scan_id", dtype=object),
            columns=pd.Index(grid, name="wavelength_nm"),
        )
    return raw, direct


def _refuse_unscaled(scan: Scan) -> None:
    if scan.scale == ASSUMED_FRACTION:
        raise AmbiguousScanFileError(
            f"{scan.scan_id}: states no scale, and other files of the folder are in percent; in Python give scale="
        )


def _common_grid(found: MeasuredFolder) -> Floats:
    """The grid of most sample files (of most files where there is no sample); one file has one vote."""
    if not found.scans:
        first = f"; the first: {first_reason(found.left_out)}" if found.left_out else ""
        raise ScanFileError(f"nothing usable is left: no scan file could be read{first}")
    grids = [scan.wavelength_nm.tobytes() for scan in found.scans]
    files = pd.DataFrame({"grid": grids, "file": found.rows["file"].to_numpy(dtype=object)})
    is_sample = (found.rows["role"] == "sample").to_numpy()
    voters = (files, files[is_sample] if is_sample.any() else files)
    everyone, votes = (Counter(one.drop_duplicates()["grid"]) for one in voters)
    # of as many sample files the grid that the darks and references share, then the one with more points
    chosen = max(votes, key=lambda grid: (votes[grid], everyone[grid], len(grid)))
    return found.scans[grids.index(chosen)].wavelength_nm


def _without_cut_ends(scans: list[Scan], files: Sequence[str], notes: list[tuple[str, str]]) -> list[Scan]:
    """Leave out the last value of a file that has no line end after it where most files of the folder have one."""
    open_files = {file for scan, file in zip(scans, files, strict=True) if scan.open_end is not None}
    if not open_files or 2 * len(open_files) >= len(set(files)):
        return scans
    kept = []
    for scan in scans:
        if scan.open_end is None:
            kept.append(scan)
            continue
        values, missing = scan.values.copy(), scan.missing.copy()
        values[scan.open_end], missing[scan.open_end] = np.nan, True
        notes.append((scan.scan_id, "no line end after the last value, as the other files have: the value is left out"))
        kept.append(replace(scan, values=values, missing=missing))
    return kept


def _on_grid(scan: Scan, grid: Floats, notes: list[tuple[str, str]]) -> tuple[Floats, Mask]:
    x = scan.wavelength_nm
    if x is grid or (x.size == grid.size and np.array_equal(x, grid)):
        return scan.values, scan.saturated
    if x.size == grid.size and np.abs(x - grid).max() <= ROUNDING * np.diff(grid).min(initial=np.inf):
        notes.append(
            (scan.scan_id, "its wavelengths are rounded otherwise than those of the other scans: taken as these")
        )
        return scan.values, scan.saturated
    if x.size < grid.size and np.isin(x, grid).all():
        raise ScanFileError(
            f"{scan.scan_id}: {x.size} points from {x[0]:g} to {x[-1]:g} nm where the other files have {grid.size} "
            f"from {grid[0]:g} to {grid[-1]:g}: the file is cut or lines are lost; copy it again"
        )
    values = resample(x, scan.values, grid, name=scan.scan_id)
    mask = np.interp(grid, x, scan.saturated.astype(float)) > 0
    notes.append(
        (scan.scan_id, f"resampled from {x.size} points ({x[0]:g}-{x[-1]:g} nm) to the grid of the other scans")
    )
    return values, mask


def _quantity(scan: Scan, role: str) -> str:
    """What a scan is taken as: counts, or reflectance that needs no reference any more."""
    if scan.quantity == "counts":
        return "counts"
    if scan.quantity == "reflectance" and role in ("sample", "control"):
        return "reflectance"
    # an export without a word on its quantity: counts are large, fractions and absorbances are not
    if scan.quantity == "unknown" and float(np.nanmax(np.abs(scan.values))) > 5.0:
        return "counts"
    if scan.quantity == "unknown":
        raise ScanFileError(
            f"{scan.scan_id}: the file does not say what its values are, and they are too small for counts; give "
            "quantity=..."
        )
    wanted = "counts or reflectance" if role in ("sample", "control") else "counts"
    raise ScanFileError(f"{scan.scan_id}: holds {scan.quantity}, expected {wanted}; export the counts")


def _integration_ms(rows: pd.DataFrame, scans: list[Scan], notes: list[tuple[str, str]]) -> Floats:
    # where both are stated the sheet's is used, and a check says so
    stated = np.array([_header_time(scan.meta) for scan in scans], dtype=float).reshape(len(scans), 2)
    times = rows["integration_ms"].to_numpy(dtype=float)
    times = np.where(np.isnan(times), stated[:, 1], times)
    bare = stated[np.isfinite(stated[:, 0]), 0]
    if np.isnan(times).all() and np.unique(bare).size > 1:
        said = "integration times of the files' headers are without a unit: their ratios are used"
        notes.append(("integration_ms", f"{said}; write them into scans.csv"))
        return stated[:, 0]
    return times


def _hours(times: list[datetime | None]) -> Floats:
    """Hours since the first time known; NaN where unknown."""
    known = [time for time in times if time is not None]
    if not known:
        return np.full(len(times), np.nan)
    origin = min(known)
    return np.array([np.nan if time is None else (time - origin).total_seconds() / 3600.0 for time in times])
