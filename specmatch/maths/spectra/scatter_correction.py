"""Scatter correction of spectra, row by row: unit variance, and correction towards a reference spectrum."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError


def unit_variance(spectra: ArrayLike) -> Floats:
    """Bring each spectrum to mean 0 and standard deviation 1 (standard normal variate).

    It throws away depth, so it serves shapes, never colour by itself.

    R. J. Barnes, M. S. Dhanoa, S. J. Lister, Applied Spectroscopy 43:772-777, 1989 (reference from memory), with
    n - 1 in the variance.
    """
    # spectra (n, p) -> (n, p)
    X = np.asarray(spectra, np.float64)
    centred = X - X.mean(axis=1, keepdims=True)
    spread = X.std(axis=1, ddof=1, keepdims=True)
    # relative to the level: a constant row of 0.3 has a computed spread of about 1e-17, not 0
    flat = spread <= 1e-12 * np.maximum(np.abs(X).max(axis=1, keepdims=True), np.finfo(float).tiny)
    return np.where(flat, 0.0, centred / np.where(flat, 1.0, spread))


def correct_scatter_extended(
    spectra: ArrayLike, reference: ArrayLike, wavelength_nm: ArrayLike, *, degree: int = 2
) -> Floats:
    """Bring each spectrum to the slope of a reference spectrum and to its baseline, a polynomial in wavelength.

    P. Geladi, D. MacDougall, H. Martens, Applied Spectroscopy 39:491-500, 1985; H. Martens, E. Stark, J. Pharm. Biomed.
    Anal. 9:625-635, 1991 (references from memory).
    """
    # spectra (n, p), reference (p,), wavelength_nm (p,) -> (n, p)
    # degree: degree of the baseline polynomial, 0 to 5; 0 is an offset alone (multiplicative scatter correction), more
    # of it the extended correction
    if degree not in range(6):
        raise OptionError(f"degree is {degree}; a baseline of degree 0 to 5 is offered")
    nm = np.asarray(wavelength_nm, np.float64)
    unit = 2.0 * (nm - nm.min()) / np.ptp(nm) - 1.0  # on -1 .. 1, for conditioning
    target, baseline = np.asarray(reference, np.float64), np.polynomial.legendre.legvander(unit, degree).T
    X = np.asarray(spectra, np.float64)
    fitted = np.linalg.lstsq(np.vstack([target, baseline]).T, X.T, rcond=None)[0]
    slope = fitted[0]
    # against rounding of the fit: a slope below it is none
    flat = np.abs(slope) * np.ptp(target) <= 1e-12 * np.abs(X).max(axis=1)
    return (X - fitted[1:].T @ baseline) / np.where(flat, 1.0, slope)[:, None]
