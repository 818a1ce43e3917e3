"""From scans to pours to samples: plain means of reflectance, missing channels bridged and reported."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.errors import WavelengthMismatchError
from specmatch.maths.statistics import mean_by

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

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
    codes: Codes
    counts: Codes


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


def bridge_missing(reflectance: Floats, wavelength_nm: Floats, scan_ids: pd.Index) -> tuple[Floats, NDArray[np.bool_]]:
    """Fill missing channels along a straight line between their neighbours, and say in which scans that was done.

    Parameters
    ----------
    reflectance : ndarray, shape (n, p)
        NaN where a channel is missing.
    wavelength_nm : ndarray, shape (p,)
    scan_ids : Index of str, length n

    Returns
    -------
    filled : ndarray, shape (n, p)
        Without NaN; the input itself when nothing was missing.
    bridged : ndarray of bool, shape (n,)

    Raises
    ------
    WavelengthMismatchError
        If a gap is wider than one slit width: then the scan does not hold what the model needs.

    Examples
    --------
    >>> got, bridged = bridge_missing(np.array([[0.1, np.nan, 0.3]]), np.array([500.0, 502.0, 504.0]), pd.Index(["s"]))
    >>> got.round(3).tolist(), bridged.tolist()
    ([[0.1, 0.2, 0.3]], [True])
    """
    missing = np.isnan(reflectance)
    bridged = np.asarray(missing.any(axis=1))
    if not bridged.any():
        return reflectance, bridged
    filled = reflectance.copy()
    for row in np.flatnonzero(bridged):
        have = ~missing[row]
        present = wavelength_nm[have]
        if present.size == 0:
            edges = np.array([wavelength_nm[0], wavelength_nm[-1]])
        else:
            edges = np.concatenate([[wavelength_nm[0]], present, [wavelength_nm[-1]]])
        widest = int(np.diff(edges).argmax())
        if edges[widest + 1] - edges[widest] > LARGEST_BRIDGED_NM:
            raise WavelengthMismatchError(
                f"scan {scan_ids[row]!r} has no values from {edges[widest]:.1f} to {edges[widest + 1]:.1f} nm, which "
                f"the model needs; a gap of up to {LARGEST_BRIDGED_NM:g} nm can be bridged: measure it again"
            )
        filled[row] = np.interp(wavelength_nm, present, reflectance[row, have])
    return filled, bridged
