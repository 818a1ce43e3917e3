"""Bring the tables of a reference set into line with each other; what has no partner is set aside in the open."""

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from specmatch.batches import check_batches
from specmatch.errors import ReferenceSetError, TableError, UnitError
from specmatch.reference.columns import tidy_columns
from specmatch.spectra import text_ids


def set_aside_unmeasured(
    scans: pd.DataFrame | pd.Series, scan_ids: pd.Index, left_out: list[dict[str, str]]
) -> pd.DataFrame | pd.Series:
    """Set aside rows about scans that have no spectrum, in the open; a second row of a scan is refused later."""
    if not isinstance(scans, (pd.DataFrame, pd.Series)):
        raise TableError(f"scans are a {type(scans).__name__}; expected a DataFrame with pour, sample and batch")
    if isinstance(scans, pd.DataFrame) and "scan_id" in scans.columns:
        scans = scans.set_index("scan_id")
    ids = text_ids(scans.index, "scan_id")
    used = ids.isin(scan_ids)
    left_out += [{"table": "scans", "name": name, "reason": "has no spectrum"} for name in ids[~used]]
    return scans if used.all() else scans[used]


def align_batches(
    batches: pd.DataFrame, scans: pd.DataFrame, colour_unit: str, left_out: list[dict[str, str]]
) -> pd.DataFrame:
    """Check the batches table, refuse scans whose batch it lacks, and set aside batches without a scan."""
    table = tidy_columns(check_batches(batches, colour_unit=colour_unit), "batches")
    needed = pd.Index(scans["batch"].unique())
    absent = needed.difference(table.index, sort=False)
    if len(absent):
        scan_id = scans.index[(scans["batch"] == absent[0]).to_numpy().argmax()]
        raise ReferenceSetError(
            f"{len(absent)} batches of the scans are not in the batches table, the first {absent[0]!r} "
            f"(scan {scan_id!r}); add a row with its beer, or leave its scans out"
        )
    used = table.index.isin(needed)
    left_out += [{"table": "batches", "name": name, "reason": "has no scan"} for name in table.index[~used]]
    table = table[used]
    table.index = pd.Index(table.index, dtype=object, name="batch")
    return table


def check_beers(beers: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return the table of beers with text names as its index, each beer once; None stays None."""
    if beers is None:
        return None
    if "beer" in beers.columns:
        beers = beers.set_index("beer")
    table = tidy_columns(beers.set_axis(text_ids(beers.index, "beer"), axis=0), "beers")
    if not table.index.is_unique:
        raise TableError(f"beer {table.index[table.index.duplicated()][0]!r} stands twice in the beers table")
    return table


def check_band(band_nm: Sequence[float] | None) -> tuple[float, float] | None:
    """Return the recorded band as (low, high) in nm, low below high; None stays None."""
    if band_nm is None:
        return None
    try:
        low, high = (float(edge) for edge in band_nm)
    except (TypeError, ValueError):
        raise ReferenceSetError(f"the band is {band_nm!r}; expected two wavelengths in nm") from None
    if not low < high:
        raise ReferenceSetError(f"the band is {low:g}-{high:g} nm; expected the lower edge first")
    return low, high


def agreed(scans: pd.DataFrame, column: str) -> str | None:
    """Return the value that all scans with one share, or None where they differ or none has one."""
    kinds = set(scans[column]) - {""} if column in scans.columns else set()
    return kinds.pop() if len(kinds) == 1 else None


def unit_of(recorded: str | None, batches: pd.DataFrame, folder: str | Path) -> str:
    """A set from elsewhere may say its unit in the column only; a guess would be wrong by a factor of two."""
    if recorded:
        return str(recorded)
    units = set(batches["colour_unit"]) - {""} if "colour_unit" in batches.columns else set()
    if len(units) == 1:
        return str(units.pop()).upper()
    raise UnitError(f"the set in {folder} does not say whether its colours are EBC or SRM; add a column colour_unit")
