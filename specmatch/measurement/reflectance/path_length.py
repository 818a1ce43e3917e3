"""Depth of the beer in the cup, and bringing scans of different fillings to one depth."""

import numpy as np
import pandas as pd

from specmatch.array_types import Floats

# beyond this the surface glare and the base, which do not change with depth, make the scaling too wrong to use
LARGEST_RATIO = 1.5
# fillings written with other rounding
SAME_DEPTH = 1e-3


def filling_depth_mm(fill_ml: Floats, cup_mm: Floats) -> Floats:
    """Return the depth of fillings in round cups."""
    # fill_ml (n,), cup_mm (n,) -> (n,)
    # fill_ml: volume, mL, > 0, or NaN
    # cup_mm: inner diameter, mm, > 0, or NaN
    return fill_ml * 1000.0 / (np.pi / 4.0 * cup_mm**2)


def relative_depths(rows: pd.DataFrame) -> tuple[Floats, dict[int, str]]:
    """Return the depth of each scan, comparable within the table, and why a depth is not known."""
    # -> (n,)
    n = len(rows)
    if "fill_ml" not in rows:
        return np.full(n, np.nan), {}
    fill, cup_mm = rows["fill_ml"].to_numpy(float).copy(), rows["cup_mm"].to_numpy(float).copy()
    cup = rows["cup"].to_numpy(dtype=object)
    stated = np.unique(fill[np.isfinite(fill)])
    if stated.size == 1:
        fill[:] = stated[0]  # one filling is stated and no other: the blanks mean the same
    for name in dict.fromkeys(cup):
        of_it = cup == name
        sizes = np.unique(cup_mm[of_it & np.isfinite(cup_mm)])
        if sizes.size == 1:
            cup_mm[of_it] = sizes[0]
    cups = list(zip(cup, np.nan_to_num(cup_mm), strict=True))
    usual = max(dict.fromkeys(cups), key=cups.count, default=("", 0.0))
    unknown: dict[int, str] = {}
    if len(set(cups)) == 1 and np.isnan(cup_mm).all():
        depth = fill.copy()
    elif stated.size == 0:
        depth = np.full(n, np.nan)
        for k in (k for k, own in enumerate(cups) if own != usual):
            unknown[k] = f"cup {cup[k]!r} where most scans have {usual[0]!r}, and no filling is stated; fill in fill_ml"
    else:
        depth = filling_depth_mm(fill, cup_mm)
        for i in np.flatnonzero(np.isnan(depth)):
            lacking = "fill_ml" if np.isnan(fill[i]) else "cup_mm"
            unknown[int(i)] = (
                f"{lacking} is not stated and other scans have another filling or cup; fill it in scans.csv"
            )
    return depth, unknown


def to_depth(reflectance: Floats, ratio: Floats) -> Floats:
    """Bring reflectance to another depth: absorbance times `ratio`, which is the wanted depth over the scan's own.

    Glare from the surface does not change with depth; it is left out of account, which is why `LARGEST_RATIO` is small.
    """
    # reflectance (n, p), ratio (n,) -> (n, p)
    positive = reflectance > 0
    out = reflectance.copy()
    np.power(reflectance, ratio[:, None], out=out, where=positive)
    return out


def bring_to_one_depth(
    table: pd.DataFrame,
    rows: pd.DataFrame,
    wanted_mm: float | None,
    left_out: list[tuple[str, str]],
    notes: list[tuple[str, str]],
) -> tuple[pd.DataFrame, float | None]:
    """Bring sample scans to one depth of beer, the one asked for or the commonest, and leave out what cannot be."""
    # table (n, p) -> (m, p)
    of_it = rows.loc[table.index]
    sample = np.flatnonzero((of_it["role"] == "sample").to_numpy())
    if sample.size == 0:
        return table, wanted_mm
    depth, unknown = relative_depths(of_it.iloc[sample])
    if np.isnan(depth).all() and not unknown:
        return table, wanted_mm
    known = depth[np.isfinite(depth)]
    if known.size == 0:
        known = np.ones(1)
    in_mm = wanted_mm is not None or bool(of_it["cup_mm"].notna().any())
    sizes, counts = np.unique(np.round(known, 6), return_counts=True)
    one = wanted_mm if wanted_mm is not None else float(sizes[counts.argmax()])
    if not unknown and (np.abs(known / one - 1.0) <= SAME_DEPTH).all():
        return table, one if in_mm else None
    keep, ratio = np.ones(len(table), bool), np.ones(len(table))
    for k, i in enumerate(sample):
        far = np.isfinite(depth[k]) and not 1.0 / LARGEST_RATIO <= one / depth[k] <= LARGEST_RATIO
        if k in unknown or far:
            far_reason = (
                f"{depth[k]:.2f} mm of beer where {one:.2f} mm are wanted, too far apart to compare; pour again"
            )
            left_out.append((str(of_it["file"].iloc[i]), unknown.get(k, far_reason)))
            keep[i] = False
        elif abs(depth[k] / one - 1.0) > SAME_DEPTH:
            ratio[i] = one / depth[k]
            note = f"absorbance brought from {depth[k]:.2f} to {one:.2f} mm of beer by fill_ml and cup"
            notes.append((str(table.index[i]), note))
    values = to_depth(table.to_numpy(float), ratio)
    return pd.DataFrame(values, index=table.index, columns=table.columns)[keep], one if in_mm else None
