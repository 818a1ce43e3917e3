"""The one gate for spectra: a table of any honest form in, float64 reflectance on an ascending grid in nm out."""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import OptionError, TableError, UnitError, WavelengthMismatchError

QUANTITIES = ("reflectance", "percent", "absorbance")
X_UNITS = ("nm", "um", "1/cm")

# Silicon detectors and white lamps work inside this range; an axis outside it is in another unit.
PLAUSIBLE_NM = (200.0, 1200.0)
# No scan of a reflecting sample has half of its channels above this fraction; percent always has.
LARGEST_MEDIAN_FRACTION = 1.5
# Beer spectra seen through a 12-15 nm slit are straight over this distance to well under the noise.
LARGEST_GAP_NM = 20.0
# Headings that may say their unit, such as `450`, `450 nm`, `22222 1/cm` or `0.45 um`.
_HEADING = re.compile(r"\s*([0-9]+(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?)\s*(\S.*?)?\s*\Z")
_UNITS = {
    "": "", "nm": "nm", "um": "um", "\u00b5m": "um", "\u03bcm": "um", "1/cm": "1/cm", "cm-1": "1/cm", "cm^-1": "1/cm",
    "cm\u207b\u00b9": "1/cm",
}  # fmt: skip
# pandas looks long at `object` itself
_OBJECT = np.dtype(object)
# Two wavelengths closer than this are the same one written with other rounding.
SAME_NM = 1e-6


@dataclass(frozen=True)
class Spectra:
    """Checked spectra."""

    scan_ids: pd.Index
    wavelength_nm: Floats  # (p,): strictly increasing, nm
    values: Floats  # (n, p): reflectance as a fraction; NaN marks a missing channel


def check_spectra(
    table: pd.DataFrame | pd.Series,
    *,
    quantity: str = "reflectance",
    x_unit: str = "nm",
    any_wavelength: bool = False,
    copied: bool = True,
) -> Spectra:
    """Check a table of spectra and bring it to reflectance on an ascending grid in nm."""
    # any_wavelength: the unit of the axis was stated, or checked before; else an axis beyond a silicon detector's range
    # is taken to be in another unit, and refused
    # copied: values of their own; else they may be those of the table, only to be read
    # table: A row a scan, index the scan ids, columns the wavelengths in any order (numbers, or text such as `"430.5"`)
    if quantity not in QUANTITIES:
        raise OptionError(f"quantity is {quantity!r}; expected one of {', '.join(QUANTITIES)}")
    scan_ids, columns, values = _parts(table, copied)
    wavelength_nm = wavelengths_from(columns, x_unit=x_unit, any_wavelength=any_wavelength)
    if (wavelength_nm[1:] <= wavelength_nm[:-1]).any():
        order = np.argsort(wavelength_nm, kind="stable")
        wavelength_nm, values = wavelength_nm[order], values[:, order]
        same = np.flatnonzero(np.diff(wavelength_nm) <= SAME_NM)
        if same.size:
            raise TableError(
                f"wavelength {wavelength_nm[same[0]]:g} nm stands twice among the columns; keep one of them"
            )
    missing = None
    if not np.isfinite(values).all():
        missing = np.isnan(values)
        for row, column in np.argwhere(np.isinf(values)):
            where = f"scan {scan_ids[row]!r} is infinite at {wavelength_nm[column]:g} nm"
            raise TableError(f"{where}; leave the cell empty if it is missing")
        for row in np.flatnonzero(missing.all(axis=1)):
            raise TableError(f"scan {scan_ids[row]!r} has no value at all; leave it out of the table")
    if quantity == "percent":
        if np.nanmax(values) <= LARGEST_MEDIAN_FRACTION:
            raise UnitError(
                f"quantity is 'percent', and no value is above {np.nanmax(values):.3g}: these are fractions of the "
                "reference; leave quantity out"
            )
        values = values / 100.0
    elif quantity == "absorbance":
        values = 10.0**-values
    # the median over channels: a few dead channels may read anything, half of them cannot
    present = values.shape[1] if missing is None else values.shape[1] - missing.sum(axis=1)
    suspected: Iterable[int] = ()
    if missing is not None or values.max() > LARGEST_MEDIAN_FRACTION:
        suspected = np.flatnonzero(2 * (values > LARGEST_MEDIAN_FRACTION).sum(axis=1) >= present)
    for row in suspected:
        median = np.nanmedian(values[row])
        if median > LARGEST_MEDIAN_FRACTION:
            raise UnitError(
                f"scan {scan_ids[row]!r} has a median of {median:.3g}; reflectance is a fraction, 1.0 = the reference. "
                "Divide percent by 100 (ReferenceSet takes quantity='percent' too); scales are never mixed in one table"
            )
    return Spectra(scan_ids, wavelength_nm, values)


def _parts(table: pd.DataFrame | pd.Series, copied: bool) -> tuple[pd.Index, pd.Index, Floats]:
    """Return the scan ids, headings and values of a table, or of one spectrum."""
    if isinstance(table, pd.Series) and table.dtype == np.float64 and len(table) > 1:
        # a table made of it would take longer than all that is checked here
        name = _name_of(table)
        own = pd.Index([tidy_name(name)], dtype=_OBJECT, name="scan_id") if type(name) is str and name.strip() else None
        scan_ids = text_ids(pd.Index([name]), "scan_id") if own is None else own
        columns, values = table.index, table.to_numpy()[None, :].copy()
    else:
        if isinstance(table, pd.Series):
            table = pd.DataFrame(table.to_numpy()[None, :], index=[_name_of(table)], columns=table.index)
        if not isinstance(table, pd.DataFrame):
            raise TableError(f"spectra are a {type(table).__name__}; expected a DataFrame, a row a scan, columns in nm")
        table = by_scan_id(table)
        if table.shape[0] == 0 or table.shape[1] < 2:
            raise TableError("the spectra table has {} scans and {} wavelengths; nothing to do".format(*table.shape))
        columns, scan_ids = table.columns, text_ids(table.index, "scan_id")
        if not scan_ids.is_unique:
            name = scan_ids[scan_ids.duplicated()][0]
            raise TableError(f"scan {name!r} stands more than once in the spectra table; give each scan its own id")
        values = _as_floats(table, scan_ids, copied)
    return scan_ids, columns, values


def _name_of(spectrum: pd.Series) -> object:
    return "scan" if spectrum.name is None else spectrum.name


def by_scan_id(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table of scans with its column `scan_id` as the index, where it has one."""
    return table.set_index("scan_id") if "scan_id" in table.columns else table


def tidy_name(value: object) -> str:
    """Return a name without outer blanks, a letter and its accent as one: some systems write them as two."""
    name = str(value).strip()
    return name if name.isascii() else unicodedata.normalize("NFC", name)


def text_ids(index: pd.Index | pd.Series, what: str) -> pd.Index:
    """Return identifiers as text without outer blanks; refuse floats, which a reader made of text."""
    names = isinstance(index, pd.Index)  # a cell may be blank, a name may not
    index = index if isinstance(index, pd.Index) else pd.Index(index)
    if index.dtype.kind in "fcmM":
        raise TableError(
            f"{what} holds {index.dtype} values such as {index[0] if len(index) else ''!s}; identifiers are text: "
            "read the sheet with dtype=str"
        )
    cells = [tidy_name(value) for value in index.tolist()]
    if names and index.nlevels == 1 and ("" in cells or index.hasnans):
        at = next(row for row, cell in enumerate(cells) if not cell or index.isna()[row])
        raise TableError(f"{what} is blank in row {at + 1}; give each its name, or leave the row out")
    return pd.Index(cells, dtype=object, name=what)


def wavelengths_from(columns: pd.Index, *, x_unit: str = "nm", any_wavelength: bool = False) -> Floats:
    """Return column headings as wavelengths in nm, in the order given."""
    # -> (p,)
    # columns: numbers, or text such as `"430.5"`, `"430.5 nm"` or `"22222 1/cm"`
    x_unit = _UNITS.get(str(x_unit).lower(), x_unit)
    if x_unit not in X_UNITS:
        raise OptionError(f"x_unit is {x_unit!r}; expected one of {', '.join(X_UNITS)}")
    found = numbers_of(columns)
    if found is None:
        bad = next((heading for heading in columns if numbers_of(pd.Index([heading])) is None), columns[0])
        raise TableError(f"column {bad!r} is no wavelength; a spectra table holds wavelengths in nm and nothing else")
    x_nm = in_nm(found[0], found[1] or x_unit)
    low, high = (0.0, np.inf) if any_wavelength else PLAUSIBLE_NM
    outside = ~((x_nm >= low) & (x_nm <= high))
    if outside.any():
        raise UnitError(
            f"column {columns.tolist()[int(outside.argmax())]!r} is no wavelength between {low:g} and {high:g} nm; "
            "head the columns in nm or with their unit, such as '0.45 um', or state it to ReferenceSet, which then "
            "takes any range: x_unit='nm', 'um' or '1/cm'"
        )
    return x_nm


def numbers_of(columns: pd.Index) -> tuple[Floats, str] | None:
    """Return headings as numbers and the one unit that they state, "" for none; None where they are no such numbers."""
    # -> (p,)
    if columns.dtype.kind in "fiu":
        return columns.to_numpy().astype(np.float64, copy=False), ""
    parts = [match for match in (_HEADING.match(str(heading)) for heading in columns) if match is not None]
    units = {_UNITS.get((part[2] or "").lower()) for part in parts}
    if units == {"", "nm"}:  # nm is what a bare number means anyway
        units = {"nm"}
    if len(parts) < len(columns) or len(units) != 1:
        return None
    unit = units.pop()
    return None if unit is None else (np.array([float(part[1]) for part in parts]), unit)


def in_nm(x: Floats, unit: str) -> Floats:
    """Return an axis in nm."""
    # x (p,) -> (p,)
    above = np.where(x > 0, x, np.nan)
    return above if unit == "nm" else above * 1000.0 if unit == "um" else 1e7 / above


def _as_floats(table: pd.DataFrame, scan_ids: pd.Index, copied: bool) -> Floats:
    plain = table.to_numpy()
    if plain.dtype == np.float64:
        return plain.copy() if copied else np.ascontiguousarray(plain)
    if plain.dtype.kind in "bcmM":
        raise TableError(f"the spectra table holds {plain.dtype} values such as {plain.flat[0]}; numbers are needed")
    try:
        return table.to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
    except (TypeError, ValueError):
        worded = table.replace(r"\A\s*\Z", np.nan, regex=True)  # an empty cell is a missing channel
        if worded.isna().to_numpy().sum() > table.isna().to_numpy().sum():
            return _as_floats(worded, scan_ids, copied)
        for column in table.columns:
            bad = pd.to_numeric(table[column], errors="coerce").isna() & table[column].notna()
            if bad.any():
                row = int(bad.to_numpy().argmax())
                raise TableError(
                    f"scan {scan_ids[row]!r} holds {table[column].iloc[row]!r} at column {column!r}; expected a number"
                    + ("; read commas with decimal=','" if "," in str(table[column].iloc[row]) else "")
                ) from None
        raise


def match_wavelengths(spectra: Spectra, wavelength_nm: Floats, *, of: str = "the model") -> Floats:
    """Return the values on another grid: taken where the wavelengths agree, else interpolated inside the range."""
    # wavelength_nm (p,) -> (n, p)
    have = spectra.wavelength_nm
    if have.size == wavelength_nm.size and np.abs(have - wavelength_nm).max() <= SAME_NM:
        return spectra.values
    if have[0] > wavelength_nm[0] + SAME_NM or have[-1] < wavelength_nm[-1] - SAME_NM:
        raise WavelengthMismatchError(
            f"scan {spectra.scan_ids[0]!r} reaches from {have[0]:.1f} to {have[-1]:.1f} nm, "
            f"{of} needs {wavelength_nm[0]:.1f}-{wavelength_nm[-1]:.1f} nm; export the full range"
        )
    right = np.clip(np.searchsorted(have, wavelength_nm - SAME_NM), 1, have.size - 1)
    left = right - 1
    gap = have[right] - have[left]
    share = np.clip((wavelength_nm - have[left]) / gap, 0.0, 1.0)
    exact_left, exact_right = share * gap <= SAME_NM, (1.0 - share) * gap <= SAME_NM
    between = ~(exact_left | exact_right)
    if (gap[between] > LARGEST_GAP_NM).any():
        worst = gap[between].max()
        raise WavelengthMismatchError(
            f"scan {spectra.scan_ids[0]!r} has a step of {worst:.1f} nm where {of} needs "
            f"{LARGEST_GAP_NM:g} nm or less; export the full resolution"
        )
    if not between.any():
        return spectra.values[:, np.where(exact_left, left, right)]
    values = spectra.values[:, left] * (1.0 - share) + spectra.values[:, right] * share
    # taken, not interpolated, so that a missing neighbour cannot spoil a channel that is there
    values[:, exact_left] = spectra.values[:, left[exact_left]]
    values[:, exact_right] = spectra.values[:, right[exact_right]]
    return values


def spectra_table(spectra: Spectra) -> pd.DataFrame:
    """Return checked spectra as a table: index `scan_id`, columns wavelength in nm."""
    # -> (n, p)
    columns = pd.Index(spectra.wavelength_nm, name="wavelength_nm")
    return pd.DataFrame(spectra.values.copy(), index=spectra.scan_ids, columns=columns)
