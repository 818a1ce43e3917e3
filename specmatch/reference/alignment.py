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
    """Set aside rows about scans that have no spectrum, in the open; a second row of a scan is refused later.

    Parameters
    ----------
    scans : DataFrame or Series
        Index (or column) `scan_id`.
    scan_ids : Index of str
        The scans that have a spectrum.
    left_out : list of dict
        Where `table`, `name` and `reason` of each such row are added.

    Returns
    -------
    DataFrame or Series
        The other rows.

    Raises
    ------
    TableError
        If the scans are no table.

    Examples
    --------
    >>> left_out = []
    >>> set_aside_unmeasured(pd.Series({"a": "s1", "b": "s1"}), pd.Index(["a"]), left_out).to_dict()
    {'a': 's1'}
    >>> left_out
    [{'table': 'scans', 'name': 'b', 'reason': 'has no spectrum'}]
    """
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
    """Check the batches table, refuse scans whose batch it lacks, and set aside batches without a scan.

    Parameters
    ----------
    batches : DataFrame
        Index (or column) `batch`: `beer`, `colour` and what else is known.
    scans : DataFrame
        Column `batch`, index `scan_id`.
    colour_unit : {"EBC", "SRM"}
        Unit of the set, into which colours are converted.
    left_out : list of dict
        Where `table`, `name` and `reason` of each batch without a scan are added.

    Returns
    -------
    DataFrame
        Index `batch`, those that have a scan.

    Raises
    ------
    ReferenceSetError
        If a scan is of a batch that the table lacks.

    Examples
    --------
    >>> left_out = []
    >>> batches = pd.DataFrame({"beer": ["Pale", "Amber"], "colour": [8.0, 20.0]}, index=["b1", "b2"])
    >>> align_batches(batches, pd.DataFrame({"batch": ["b1"]}, index=["s1"]), "EBC", left_out)["beer"].to_dict()
    {'b1': 'Pale'}
    >>> left_out
    [{'table': 'batches', 'name': 'b2', 'reason': 'has no scan'}]
    """
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
    """Return the table of beers with text names as its index, each beer once; None stays None.

    Parameters
    ----------
    beers : DataFrame or None
        Index (or column) `beer`.

    Returns
    -------
    DataFrame or None

    Raises
    ------
    TableError
        If a beer stands twice.

    Examples
    --------
    >>> check_beers(pd.DataFrame({"beer": ["Pale"], "recipe": ["R1"]})).loc["Pale", "recipe"]
    'R1'
    """
    if beers is None:
        return None
    if "beer" in beers.columns:
        beers = beers.set_index("beer")
    table = tidy_columns(beers.set_axis(text_ids(beers.index, "beer"), axis=0), "beers")
    if not table.index.is_unique:
        raise TableError(f"beer {table.index[table.index.duplicated()][0]!r} stands twice in the beers table")
    return table


def check_band(band_nm: Sequence[float] | None) -> tuple[float, float] | None:
    """Return the recorded band as (low, high) in nm, low below high; None stays None.

    Parameters
    ----------
    band_nm : sequence of float, length 2, or None

    Returns
    -------
    tuple of float, or None

    Raises
    ------
    ReferenceSetError
        If it is not two wavelengths, the lower one first.

    Examples
    --------
    >>> check_band([430, 700])
    (430.0, 700.0)
    """
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
    """Return the value that all scans with one share, or None where they differ or none has one.

    Parameters
    ----------
    scans : DataFrame
    column : str

    Returns
    -------
    str or None

    Examples
    --------
    >>> agreed(pd.DataFrame({"reference_kind": ["water", "", "water"]}), "reference_kind")
    'water'
    """
    kinds = set(scans[column]) - {""} if column in scans.columns else set()
    return kinds.pop() if len(kinds) == 1 else None


def unit_of(recorded: str | None, batches: pd.DataFrame, folder: str | Path) -> str:
    """Return the colour unit of a set; one from elsewhere may say it in a column only, and a guess could be twice off.

    Parameters
    ----------
    recorded : str or None
        What the set's descriptor says.
    batches : DataFrame
        Its `colour_unit` is asked where the descriptor says nothing.
    folder : str or Path
        For the message.

    Returns
    -------
    str

    Raises
    ------
    UnitError
        If neither says one unit.

    Examples
    --------
    >>> unit_of(None, pd.DataFrame({"colour_unit": ["srm", "srm"]}), "sets/house")
    'SRM'
    """
    if recorded:
        return str(recorded)
    units = set(batches["colour_unit"]) - {""} if "colour_unit" in batches.columns else set()
    if len(units) == 1:
        return str(units.pop()).upper()
    raise UnitError(f"the set in {folder} does not say whether its colours are EBC or SRM; add a column colour_unit")
