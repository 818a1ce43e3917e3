"""What changed from one reference set to another: batches, labels, lab values, scans, and settings."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch.batches import must_be

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

CHANGE_COLUMNS = ("change", "subject", "before", "after")
_SETTINGS = ("name", "colour_unit", "band_nm", "reference_kind", "licence")
_Row = tuple[str, str, object, object]


def compare_sets(before: "ReferenceSet", after: "ReferenceSet") -> pd.DataFrame:
    """List what differs between two sets.

    Parameters
    ----------
    before, after : ReferenceSet
        Of one house; batches and scans are matched by name.

    Returns
    -------
    DataFrame
        Columns `change, subject, before, after`; empty where the sets hold the same. `change` is one of `setting`,
        `batch added`, `batch removed`, `relabelled`, `colour changed`, `batch record`, `beer record`, `scan added`,
        `scan removed`, `scan record`, `reflectance changed` (before and after: largest difference).

    Examples
    --------
    >>> compare_sets(refs, refs.relabel("MP-0-001", "Amber Lane", reason="mixed up at sampling")).values.tolist()
    [['relabelled', 'MP-0-001', 'Meadow Pils', 'Amber Lane']]
    """
    must_be("set", before, after)
    rows = [*_settings(before, after), *_batches(before, after), *_beers(before, after), *_scans(before, after)]
    table = pd.DataFrame(rows, columns=list(CHANGE_COLUMNS), dtype=object)
    return table


def history_since(before: "ReferenceSet", after: "ReferenceSet") -> list[dict[str, Any]]:
    """Return the entries of a history that came after an earlier version; none where that is no earlier version."""
    if list(after.history[: len(before.history)]) == list(before.history):
        later = list(after.history[len(before.history) :])
        if later and later[0].get("parent") == before.hash:
            return later
    parents = [entry.get("parent") for entry in after.history]
    return list(after.history[parents.index(before.hash) :]) if before.hash in parents else []


def _settings(before: "ReferenceSet", after: "ReferenceSet") -> Iterator[_Row]:
    for name in _SETTINGS:
        one, two = getattr(before, name), getattr(after, name)
        if one != two:
            yield "setting", name, one, two


def _batches(before: "ReferenceSet", after: "ReferenceSet") -> Iterator[_Row]:
    one, two = before.batches, after.batches
    for name in two.index.difference(one.index, sort=False):
        yield "batch added", name, None, two.at[name, "beer"]
    for name in one.index.difference(two.index, sort=False):
        yield "batch removed", name, one.at[name, "beer"], None
    shared = one.index.intersection(two.index, sort=False)
    for name in shared:
        if one.at[name, "beer"] != two.at[name, "beer"]:
            yield "relabelled", name, one.at[name, "beer"], two.at[name, "beer"]
        if not _same(one.at[name, "colour"], two.at[name, "colour"]) and before.colour_unit == after.colour_unit:
            yield "colour changed", name, one.at[name, "colour"], two.at[name, "colour"]
    yield from _records("batch record", one, two, shared, ("beer", "colour", "colour_unit"))


def _beers(before: "ReferenceSet", after: "ReferenceSet") -> Iterator[_Row]:
    one = before.beers if before.beers is not None else pd.DataFrame()
    two = after.beers if after.beers is not None else pd.DataFrame()
    for name in two.index.difference(one.index, sort=False):
        yield "beer record", name, None, "added"
    for name in one.index.difference(two.index, sort=False):
        yield "beer record", name, "removed", None
    yield from _records("beer record", one, two, one.index.intersection(two.index, sort=False), ())


def _scans(before: "ReferenceSet", after: "ReferenceSet") -> Iterator[_Row]:
    one, two = before.spectra, after.spectra
    for name in two.index.difference(one.index, sort=False):
        yield "scan added", name, None, after.scans.at[name, "batch"]
    for name in one.index.difference(two.index, sort=False):
        yield "scan removed", name, before.scans.at[name, "batch"], None
    shared = one.index.intersection(two.index, sort=False)
    yield from _records("scan record", before.scans, after.scans, shared, ())
    if not np.array_equal(one.columns, two.columns):
        first_nm, second_nm = (f"{len(nm)} channels, {nm[0]:g}-{nm[-1]:g} nm" for nm in (one.columns, two.columns))
        yield "setting", "wavelength_nm", first_nm, second_nm
        return
    first, second = one.loc[shared].to_numpy(), two.loc[shared].to_numpy()
    for row in np.flatnonzero(~((first == second) | (np.isnan(first) & np.isnan(second))).all(axis=1)):
        apart = np.abs(first[row] - second[row])
        yield "reflectance changed", str(shared[row]), 0.0, float(np.nanmax(np.nan_to_num(apart, nan=np.inf)))


def _records(
    change: str, one: pd.DataFrame, two: pd.DataFrame, shared: pd.Index, told: tuple[str, ...]
) -> Iterator[_Row]:
    for column in [*one.columns, *[name for name in two.columns if name not in one.columns]]:
        if column in told:
            continue
        first, second = (table[column] if column in table.columns else None for table in (one, two))
        for name in shared:
            before, after = (None if cells is None else cells[name] for cells in (first, second))
            if not _same(before, after):
                yield change, f"{name}: {column}", before, after


def _same(one: object, two: object) -> bool:
    """A column that a set does not have is as good as blank."""
    blank = [cell is None or cell == "" or cell != cell for cell in (one, two)]
    return all(blank) if any(blank) else bool(one == two)
