"""From scans to pours to samples: plain means of reflectance, missing channels bridged and reported."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import WavelengthMismatchError
from specmatch.maths.statistics.levels import mean_by

# A gap up to one slit width holds nothing that its neighbours do not tell: a mini-spectrometer's slit passes 12-15 nm.
LARGEST_BRIDGED_NM = 15.0


@dataclass(frozen=True)
class Averages:
    """Means over the scans of one level (pour or sample)."""

    names: pd.Index  # in order of first appearance
    reflectance: Floats  # (m, p)
    codes: Ints  # (n,): which of `names` each row averaged belongs to
    counts: Ints  # (m,): rows behind each mean


def average(reflectance: Floats, labels: pd.Series) -> Averages:
    """Average the rows that share a label."""
    # reflectance (n, p)
    codes, names = pd.factorize(labels.to_numpy(dtype=object))
    codes = codes.astype(np.int64)
    if len(names) == len(codes):
        return Averages(pd.Index(names), reflectance, codes, np.ones(len(names), dtype=np.int64))
    means, counts = mean_by(reflectance, codes)
    return Averages(pd.Index(names), means, codes, counts)


@dataclass(frozen=True)
class Interpolated:
    """Scans without missing values."""

    # (n, p): missing channels filled along a straight line; the input itself when nothing was missing
    reflectance: Floats
    lacking: Mask  # (n,): scans in which something was missing
    # (n, p): channels of gaps wider than one slit width, whose filling is no measurement; None when there are none
    wide: Mask | None


def bridge_missing(reflectance: Floats, wavelength_nm: Floats) -> Interpolated:
    """Fill missing channels along a straight line between their neighbours, and say where that was done."""
    # reflectance (n, p), wavelength_nm (p,)
    if not np.isnan(reflectance.sum()):  # nothing is infinite behind the gate
        return Interpolated(reflectance, np.zeros(len(reflectance), bool), None)
    missing = np.isnan(reflectance)
    lacking = np.asarray(missing.any(axis=1))
    filled, wide = reflectance.copy(), np.zeros_like(missing)
    for row in np.flatnonzero(lacking):
        present = wavelength_nm[~missing[row]]
        if present.size == 0:
            # the set's band is outside all that the scan holds: whoever judges it will find no channel left
            filled[row], wide[row] = 1.0, True
            continue
        filled[row] = np.interp(wavelength_nm, present, reflectance[row, ~missing[row]])
        # an edge has one neighbour only: the gap counts from it to the last wavelength needed
        edges = np.concatenate([[wavelength_nm[0]], present, [wavelength_nm[-1]]])
        gap = np.clip(np.searchsorted(edges, wavelength_nm, side="left"), 1, edges.size - 1)
        wide[row] = missing[row] & (edges[gap] - edges[gap - 1] > LARGEST_BRIDGED_NM)
        wide[row, 0] = missing[row, 0] and present[0] - wavelength_nm[0] > LARGEST_BRIDGED_NM
    return Interpolated(filled, lacking, wide if wide.any() else None)


def refuse_wide_gaps(bridged: Interpolated, wavelength_nm: Floats, scan_ids: pd.Index) -> None:
    """Refuse scans with a gap that cannot be bridged."""
    # wavelength_nm (p,)
    if bridged.wide is None:
        return
    row = int(bridged.wide.any(axis=1).argmax())
    lost = wavelength_nm[bridged.wide[row]]
    raise WavelengthMismatchError(
        f"scan {scan_ids[row]!r} has no values from {lost[0]:.1f} to {lost[-1]:.1f} nm, which the model needs; "
        f"a gap of up to {LARGEST_BRIDGED_NM:g} nm can be bridged: measure it again"
    )
