"""Transforms of spectra, row by row: absorbance, smoothing and derivatives; the scale on which spectra are compared."""

# What has to be learnt from a set is an argument, so that a scan's result never depends on its company.

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError, TableError

# reflectance below this is noise of a dead channel; the floor keeps its logarithm finite
LEAST_REFLECTANCE = 1e-4


@dataclass(frozen=True)
class LogAbsorbance:
    """The scale on which spectra are compared."""

    # `log_absorbance` is `asinh(A / (2 offset))`: the logarithm of absorbance above the offset, so that a batch
    # stronger by a tenth moves alike in every beer, and a straight line below it, where noise would own a logarithm
    transform: str
    offset: float = 1.0  # absorbance at which the logarithm gives way: about the noise of the lightest channels
    # reflectance at which the logarithm that makes absorbance gives way: about the glare of the darkest channels
    dark: float = 0.0

    def apply(self, reflectance: Floats) -> Floats:
        """Return spectra, shape (n, p), on this scale."""
        if self.transform == "reflectance":
            return np.array(reflectance, float)
        if self.transform == "snv":
            return unit_variance(reflectance)
        absorbance = _absorbance_above(reflectance, self.dark)
        return absorbance if self.transform == "absorbance" else self._bent(absorbance, absorbance)

    def slope(self, reflectance: Floats, step: float = 1e-5) -> Floats:
        """Return how the scale rises with reflectance, of its shape; 0 where the scale is flat."""
        return np.asarray((self.apply(reflectance + step) - self.apply(reflectance - step)) / (2.0 * step))

    def _bent(self, absorbance: Floats, out: Floats | None = None) -> Floats:
        """Return the logarithm of absorbance that bears noise."""
        bent = np.divide(absorbance, 2.0 * self.offset, out=out)
        return np.asarray(np.arcsinh(bent, out=bent))


def _absorbance_above(reflectance: Floats, dark: float) -> Floats:
    """Return the absorbance of reflectance above the glare."""
    lifted = np.maximum(reflectance, LEAST_REFLECTANCE)  # all in place: fresh memory costs more than the logarithm
    if dark:
        lifted *= 1.0 - dark
        lifted += dark
    np.log10(lifted, out=lifted)
    return np.negative(lifted, out=lifted)


def on_scales(scales: Sequence[LogAbsorbance], reflectance: Floats) -> Iterator[Floats]:
    """Yield spectra on each scale in turn; what is yielded may be written over when the next is asked for."""
    # scales of one glare that follow each other share a logarithm
    # reflectance (n, p) -> (n, p)
    dark, shared, bent = np.nan, np.empty(0), None
    for scale in scales:
        if scale.transform == "log_absorbance":
            if scale.dark != dark:
                dark, shared = scale.dark, _absorbance_above(reflectance, scale.dark)
            yield (bent := scale._bent(shared, bent))
        else:
            yield scale.apply(reflectance)


# Absorbance 3 over the double path: an instrument of this class has 0.1-1 % stray light, so nothing deeper is measured,
# and a logarithm let loose below that would hand the fit to a few dead channels.
REFLECTANCE_FLOOR = 1e-3

# Grids written with three decimals are even to half a thousandth of a step or so; a real change of step is far larger.
EVEN_STEP_TOLERANCE = 1e-2


def absorbance(reflectance: ArrayLike, *, floor: float = REFLECTANCE_FLOOR) -> Floats:
    """Return the apparent absorbance -log10 R, with values below a floor raised to it."""
    if not floor > 0:
        raise OptionError(f"floor is {floor}; a reflectance above 0 is needed, for the logarithm")
    return -np.log10(np.maximum(np.asarray(reflectance, np.float64), floor))


def even_step(wavelength_nm: ArrayLike) -> float:
    """Return the step of an even grid in nm, negative where it descends."""
    # wavelength_nm (p,)
    nm = np.asarray(wavelength_nm, np.float64)
    steps = np.diff(nm)
    step = float((nm[-1] - nm[0]) / (nm.size - 1))
    if step == 0.0 or np.abs(steps - step).max() > EVEN_STEP_TOLERANCE * abs(step):
        raise TableError(
            f"the wavelength grid is uneven: steps from {steps.min():.4g} to {steps.max():.4g} nm; resample it to an "
            "even grid first, as numpy.interp does (SavitzkyGolayDerivative does so by itself)"
        )
    return step


def to_even_grid(spectra: ArrayLike, wavelength_nm: ArrayLike) -> tuple[Floats, Floats]:
    """Resample spectra linearly to an even ascending grid of as many points over the same range."""
    # spectra (n, p), wavelength_nm (p,) -> (n, p), (p,)
    nm, X = np.asarray(wavelength_nm, np.float64), np.asarray(spectra, np.float64)
    order = np.argsort(nm)
    nm, X = nm[order], X[:, order]
    grid = np.linspace(nm[0], nm[-1], nm.size)
    left = np.clip(np.searchsorted(nm, grid, side="right") - 1, 0, nm.size - 2)
    share = (grid - nm[left]) / (nm[left + 1] - nm[left])
    return X[:, left] * (1.0 - share) + X[:, left + 1] * share, grid


def check_window(window: int, degree: int, n_wavelengths: int) -> None:
    """Check a smoothing window against its polynomial and the points that are left after cropping."""
    longest = n_wavelengths if n_wavelengths % 2 else n_wavelengths - 1
    shortest = degree + 1 if degree % 2 == 0 else degree + 2
    if degree < 0 or window % 2 == 0 or not shortest <= window <= longest:
        raise OptionError(
            f"window of {window} points with degree {degree} on {n_wavelengths} wavelengths; an odd window from "
            f"{shortest} to {longest} points is allowed"
        )


def fitting_window(n_wavelengths: int, longest: int) -> int:
    """Return the longest odd window up to `longest` that a spectrum of so many wavelengths holds."""
    window = min(n_wavelengths, longest)
    return window if window % 2 else window - 1


def smooth(spectra: ArrayLike, *, window: int, degree: int = 2) -> Floats:
    """Smooth spectra on an even grid by a local polynomial (Savitzky-Golay), with polynomial ends."""
    # spectra (n, p) -> (n, p)
    X = np.asarray(spectra, np.float64)
    check_window(window, degree, X.shape[1])
    from scipy.signal import savgol_filter  # here, because it takes longer to import than a reading does

    return savgol_filter(X, window, degree, axis=1, mode="interp")


def derivative(
    spectra: ArrayLike, wavelength_nm: ArrayLike, *, order: int = 1, window: int = 7, degree: int = 2
) -> Floats:
    """Differentiate spectra along the wavelength, per nm, by a local polynomial with polynomial ends."""
    # spectra (n, p), wavelength_nm (p,) -> (n, p)
    # wavelength_nm: an even grid, ascending or descending; the sign follows the wavelength, not the order of the
    # columns
    if order not in (1, 2) or degree < order:
        raise OptionError(f"derivative of order {order} with degree {degree}; order 1 or 2 and a degree not below it")
    X = np.asarray(spectra, np.float64)
    check_window(window, degree, X.shape[1])
    step = even_step(wavelength_nm)
    # SciPy takes a positive step; the sign of a descending grid enters odd orders only
    from scipy.signal import savgol_filter  # here, because it takes longer to import than a reading does

    slope = savgol_filter(X, window, degree, deriv=order, delta=abs(step), axis=1, mode="interp")
    return slope * np.sign(step) ** order


def unit_variance(spectra: ArrayLike) -> Floats:
    """Bring each spectrum to mean 0 and standard deviation 1 (standard normal variate), with n - 1 in the variance."""
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
    """Bring each spectrum to the slope of a reference spectrum and to its baseline, a polynomial in wavelength."""
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
