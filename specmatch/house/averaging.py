"""From scans to pours to samples: plain means of reflectance, missing channels bridged and reported."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import WavelengthMismatchError
from specmatch.maths.statistics import mean_by

# A gap up to one slit width holds nothing that its neighbours do not tell: a mini-spectrometer's slit passes 12-15 nm.
LARGEST_BRIDGED_NM = 15.0


@dataclass(frozen=True)
class Averages:
    """Means over the scans of one level (pour or sample).

    Attributes
    ----------
    names : Index of str, length m
        In order of first appearance.
    reflectance : ndarray, shape (m, p)
    codes : ndarray of int, shape (n,)
        Which of `names` each row averaged belongs to.
    counts : ndarray of int, shape (m,)
        Rows behind each mean.
    """

    names: pd.Index
    reflectance: Floats
    codes: Ints
    counts: Ints


def average(reflectance: Floats, labels: pd.Series) -> Averages:
    """Average the rows that share a label.

    Parameters
    ----------
    reflectance : ndarray, shape (n, p)
    labels : Series of str, length n

    Returns
    -------
    Averages

    Examples
    --------
    >>> average(np.array([[0.2], [0.4]]), pd.Series(["p", "p"])).reflectance.round(3).tolist()
    [[0.3]]
    """
    codes, names = pd.factorize(labels.to_numpy(dtype=object))
    codes = codes.astype(np.int64)
    if len(names) == len(codes):
        return Averages(pd.Index(names), reflectance, codes, np.ones(len(names), dtype=np.int64))
    means, counts = mean_by(reflectance, codes)
    return Averages(pd.Index(names), means, codes, counts)


@dataclass(frozen=True)
class Bridged:
    """Scans without missing values.

    Attributes
    ----------
    reflectance : ndarray, shape (n, p)
        Missing channels filled along a straight line; the input itself when nothing was missing.
    lacking : ndarray of bool, shape (n,)
        Scans in which something was missing.
    wide : ndarray of bool, shape (n, p), or None
        Channels of gaps wider than one slit width, whose filling is no measurement; None when there are none.
    """

    reflectance: Floats
    lacking: Mask
    wide: Mask | None


def bridge_missing(reflectance: Floats, wavelength_nm: Floats) -> Bridged:
    """Fill missing channels along a straight line between their neighbours, and say where that was done.

    Parameters
    ----------
    reflectance : ndarray, shape (n, p)
        NaN where a channel is missing.
    wavelength_nm : ndarray, shape (p,)

    Returns
    -------
    Bridged

    Examples
    --------
    >>> got = bridge_missing(np.array([[0.1, np.nan, 0.3]]), np.array([500.0, 502.0, 504.0]))
    >>> got.reflectance.round(3).tolist(), got.lacking.tolist(), got.wide
    ([[0.1, 0.2, 0.3]], [True], None)
    """
    missing = np.isnan(reflectance)
    lacking = np.asarray(missing.any(axis=1))
    if not lacking.any():
        return Bridged(reflectance, lacking, None)
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
    return Bridged(filled, lacking, wide if wide.any() else None)


def refuse_wide_gaps(bridged: Bridged, wavelength_nm: Floats, scan_ids: pd.Index) -> None:
    """Refuse scans with a gap that cannot be bridged.

    Parameters
    ----------
    bridged : Bridged
    wavelength_nm : ndarray, shape (p,)
    scan_ids : Index of str, length n

    Raises
    ------
    WavelengthMismatchError
        Naming the scan and the range.

    Examples
    --------
    >>> nm = np.array([500.0, 502.0])
    >>> refuse_wide_gaps(bridge_missing(np.array([[0.1, 0.2]]), nm), nm, pd.Index(["s"]))
    """
    if bridged.wide is None:
        return
    row = int(bridged.wide.any(axis=1).argmax())
    lost = wavelength_nm[bridged.wide[row]]
    raise WavelengthMismatchError(
        f"scan {scan_ids[row]!r} has no values from {lost[0]:.1f} to {lost[-1]:.1f} nm, which the model needs; "
        f"a gap of up to {LARGEST_BRIDGED_NM:g} nm can be bridged: measure it again"
    )
