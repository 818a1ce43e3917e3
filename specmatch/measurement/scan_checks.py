"""Checks of single scans: each a code of the registry with a size and a sentence that a technician can act on."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.measurement.check_table import CheckRow
from specmatch.measurement.reflectance import Net, RawScans
from specmatch.measurement.saturation import saturated_channels

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# noise and a drop of glare may carry a reading this far out; beyond it the reference or the dark is wrong
LOWEST_REFLECTANCE, HIGHEST_REFLECTANCE = -0.02, 1.05
SHARE_OUTSIDE = 0.05


def span(nm: Floats, where: Mask) -> str:
    """Say a set of channels as a range.

    Examples
    --------
    >>> span(np.array([400.0, 410.0, 420.0]), np.array([False, True, True]))
    '410-420 nm'
    """
    x = nm[where]
    return f"{x[0]:.0f} nm" if x.size == 1 else f"{x[0]:.0f}-{x[-1]:.0f} nm"


def raw_checks(
    raw: RawScans, net: Net, reference: NDArray[np.int64], usable: Mask, *, full_scale: float | None, dark_age_h: float,
    reference_age_h: float,
) -> list[CheckRow]:  # fmt: skip
    """Check counts, darks and references; what is wrong with a reference is said of every scan that leans on it.

    Parameters
    ----------
    raw : RawScans
    net : Net
    reference : ndarray of int, shape (n,)
        Row of each scan's reference, -1 for none.
    usable : ndarray of bool, shape (p,)
    full_scale : float or None
    dark_age_h, reference_age_h : float

    Returns
    -------
    list of CheckRow
    """
    rows = _saturated(raw, net, reference, full_scale)
    rows += _stale(raw, net.dark, "dark", dark_age_h)
    rows += _stale(raw, reference, "reference", reference_age_h)
    return rows


def _saturated(raw: RawScans, net: Net, reference: NDArray[np.int64], full_scale: float | None) -> list[CheckRow]:
    mask = saturated_channels(raw.counts, full_scale=full_scale) | raw.saturated
    rows = []
    of_scan: dict[int, str] = {}
    for i in np.flatnonzero(mask.any(axis=1)):
        top = np.nanmax(raw.counts[i])
        of_scan[int(i)] = f"{int(mask[i].sum())} channels at {span(raw.wavelength_nm, mask[i])} stand at {top:g} counts"
        rows.append(
            CheckRow(
                raw.scan_ids[i],
                "saturated",
                float(mask[i].mean()),
                f"{of_scan[int(i)]}, the detector's limit: shorten the integration time and measure again",
            )
        )
    for role, used in (("reference", reference), ("dark", net.dark)):
        for i in np.flatnonzero(np.isin(used, list(of_scan))):
            j = int(used[i])
            if raw.role[i] in ("sample", "control"):
                rows.append(
                    CheckRow(
                        raw.scan_ids[i],
                        "saturated",
                        float(mask[j].mean()),
                        f"its {role} {raw.scan_ids[j]} is saturated: {of_scan[j]}; take a new {role} at a shorter "
                        "integration time",
                    )
                )
    return rows


def _stale(raw: RawScans, used: NDArray[np.int64], role: str, age_h: float) -> list[CheckRow]:
    rows = []
    known = used >= 0
    age = np.full(used.size, np.nan)
    age[known] = np.abs(raw.hours[known] - raw.hours[used[known]])
    for i in np.flatnonzero(age > age_h):
        if raw.role[i] in ("sample", "control"):
            ago = f"{age[i] / 24:.0f} days" if age[i] >= 48 else f"{age[i]:.1f} h"
            rows.append(
                CheckRow(
                    raw.scan_ids[i],
                    f"stale_{role}",
                    float(age[i]),
                    f"its {role} {raw.scan_ids[used[i]]} was taken {ago} apart, {age_h:g} h are allowed; take a new "
                    f"{role}",
                )
            )
    return rows


def reflectance_checks(table: pd.DataFrame, role: NDArray[np.object_], usable: Mask, nm: Floats) -> list[CheckRow]:
    """Check reflectance of samples and controls.

    Parameters
    ----------
    table : DataFrame, shape (n, p)
    role : ndarray of str, shape (n,)
    usable : ndarray of bool, shape (p,)
    nm : ndarray, shape (p,)

    Returns
    -------
    list of CheckRow
    """
    values = table.to_numpy(float)[:, usable]
    live = nm[usable]
    with np.errstate(invalid="ignore"):
        low, high = values < LOWEST_REFLECTANCE, values > HIGHEST_REFLECTANCE
    rows = []
    for i in np.flatnonzero((low | high).mean(axis=1) > SHARE_OUTSIDE):
        parts = [
            f"{'below 0' if where is low else 'above 1'} at {span(live, where[i])}"
            for where in (low, high)
            if where[i].any()
        ]
        size = float(np.nanmax(np.fmax(values[i] - 1.0, -values[i])))
        rows.append(
            CheckRow(
                str(table.index[i]),
                "reflectance_out_of_range",
                size,
                f"reflectance lies {' and '.join(parts)}: wrong or dirty reference, or a wrong dark; take both again",
            )
        )
    return rows
