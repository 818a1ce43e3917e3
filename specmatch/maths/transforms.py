"""Transforms of spectra, row by row: absorbance, smoothing and derivatives.

Every transform takes arrays of shape (n, p), treats each row by itself and returns float64; what has to be learnt from
a set is an argument, so that a scan's result never depends on its company.
"""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError, TableError

# Absorbance 3 over the double path: an instrument of this class has 0.1-1 % stray light, so nothing deeper is measured,
# and a logarithm let loose below that would hand the fit to a few dead channels.
REFLECTANCE_FLOOR = 1e-3

# Grids written with three decimals are even to half a thousandth of a step or so; a real change of step is far larger.
EVEN_STEP_TOLERANCE = 1e-2


def absorbance(reflectance: ArrayLike, *, floor: float = REFLECTANCE_FLOOR) -> Floats:
    """Return the apparent absorbance -log10 R, with values below a floor raised to it.

    Parameters
    ----------
    reflectance : array_like
        Fractions; any shape.
    floor : float, default 0.001
        Smallest reflectance that is believed, above 0.

    Returns
    -------
    ndarray
        Same shape.

    Raises
    ------
    OptionError
        If the floor is not above 0.

    Examples
    --------
    >>> absorbance([1.0, 0.1, 0.0]).tolist()
    [-0.0, 1.0, 3.0]
    """
    if not floor > 0:
        raise OptionError(f"floor is {floor}; a reflectance above 0 is needed, for the logarithm")
    return -np.log10(np.maximum(np.asarray(reflectance, np.float64), floor))


def even_step(wavelength_nm: ArrayLike) -> float:
    """Return the step of an even grid in nm, negative where it descends.

    Parameters
    ----------
    wavelength_nm : array_like, shape (p,)
        Two points or more.

    Returns
    -------
    float

    Raises
    ------
    TableError
        If the steps differ by more than 1 %: resample first (`to_even_grid`).

    Examples
    --------
    >>> even_step([700.0, 695.0, 690.0])
    -5.0
    """
    nm = np.asarray(wavelength_nm, np.float64)
    if nm.size < 2:
        raise TableError(f"{nm.size} wavelengths; a step needs two or more")
    steps = np.diff(nm)
    step = float((nm[-1] - nm[0]) / (nm.size - 1))
    if step == 0.0 or np.abs(steps - step).max() > EVEN_STEP_TOLERANCE * abs(step):
        raise TableError(
            f"the wavelength grid is uneven: steps from {steps.min():.4g} to {steps.max():.4g} nm; resample it to an "
            "even grid first (to_even_grid)"
        )
    return step


def to_even_grid(spectra: ArrayLike, wavelength_nm: ArrayLike) -> tuple[Floats, Floats]:
    """Resample spectra linearly to an even ascending grid of as many points over the same range.

    Parameters
    ----------
    spectra : array_like, shape (n, p)
    wavelength_nm : array_like, shape (p,)
        Distinct wavelengths in any order.

    Returns
    -------
    spectra : ndarray, shape (n, p)
    wavelength_nm : ndarray, shape (p,)
        Ascending and even.

    Examples
    --------
    >>> values, nm = to_even_grid([[6.0, 1.0, 0.0]], [406.0, 401.0, 400.0])
    >>> nm.tolist(), values.round(9).tolist()
    ([400.0, 403.0, 406.0], [[0.0, 3.0, 6.0]])
    """
    nm, X = np.asarray(wavelength_nm, np.float64), np.asarray(spectra, np.float64)
    order = np.argsort(nm)
    nm, X = nm[order], X[:, order]
    grid = np.linspace(nm[0], nm[-1], nm.size)
    left = np.clip(np.searchsorted(nm, grid, side="right") - 1, 0, nm.size - 2)
    share = (grid - nm[left]) / (nm[left + 1] - nm[left])
    return X[:, left] * (1.0 - share) + X[:, left + 1] * share, grid


def check_window(window: int, degree: int, n_wavelengths: int) -> None:
    """Check a smoothing window against its polynomial and the points that are left after cropping.

    Parameters
    ----------
    window, degree, n_wavelengths : int

    Raises
    ------
    OptionError
        Unless the window is odd, longer than the degree, and no longer than the spectrum.

    Examples
    --------
    >>> check_window(5, 2, 31)
    """
    longest = n_wavelengths if n_wavelengths % 2 else n_wavelengths - 1
    shortest = degree + 1 if degree % 2 == 0 else degree + 2
    if degree < 0 or window % 2 == 0 or not shortest <= window <= longest:
        raise OptionError(
            f"window of {window} points with degree {degree} on {n_wavelengths} wavelengths; an odd window from "
            f"{shortest} to {longest} points is allowed"
        )


def fitting_window(n_wavelengths: int, longest: int) -> int:
    """Return the longest odd window up to `longest` that a spectrum of so many wavelengths holds.

    Parameters
    ----------
    n_wavelengths, longest : int

    Returns
    -------
    int

    Examples
    --------
    >>> fitting_window(31, 7), fitting_window(4, 7)
    (7, 3)
    """
    window = min(n_wavelengths, longest)
    return window if window % 2 else window - 1


def smooth(spectra: ArrayLike, *, window: int, degree: int = 2) -> Floats:
    """Smooth spectra on an even grid by a local polynomial (Savitzky-Golay), with polynomial ends.

    Parameters
    ----------
    spectra : array_like, shape (n, p)
    window : int
        Odd number of points.
    degree : int, default 2

    Returns
    -------
    ndarray, shape (n, p)
        The first and last half window are read from the polynomial of the end window: a line stays a line.

    Raises
    ------
    OptionError
        If the window is even, too short for the degree or longer than the spectrum.

    Notes
    -----
    A. Savitzky, M. J. E. Golay, Anal. Chem. 36:1627-1639, 1964.

    Examples
    --------
    >>> smooth([[1.0, 2.0, 3.0, 4.0, 5.0]], window=3, degree=1).round(9).tolist()
    [[1.0, 2.0, 3.0, 4.0, 5.0]]
    """
    X = np.asarray(spectra, np.float64)
    check_window(window, degree, X.shape[1])
    from scipy.signal import savgol_filter  # here, because it takes longer to import than a reading does

    return savgol_filter(X, window, degree, axis=1, mode="interp")


def derivative(
    spectra: ArrayLike, wavelength_nm: ArrayLike, *, order: int = 1, window: int = 7, degree: int = 2
) -> Floats:
    """Differentiate spectra along the wavelength, per nm, by a local polynomial with polynomial ends.

    Parameters
    ----------
    spectra : array_like, shape (n, p)
    wavelength_nm : array_like, shape (p,)
        An even grid, ascending or descending; the sign follows the wavelength, not the order of the columns.
    order : int, default 1
        1 or 2.
    window : int, default 7
        Odd number of points.
    degree : int, default 2
        At least `order`.

    Returns
    -------
    ndarray, shape (n, p)
        Per nm (order 1) or per nm^2 (order 2).

    Raises
    ------
    OptionError
        If order, window or degree do not fit together or the spectrum.
    TableError
        If the grid is uneven.

    Notes
    -----
    A. Savitzky, M. J. E. Golay, Anal. Chem. 36:1627-1639, 1964.

    Examples
    --------
    >>> derivative([[0.0, 0.01, 0.02, 0.03, 0.04]], [400, 405, 410, 415, 420], window=3).round(9).tolist()
    [[0.002, 0.002, 0.002, 0.002, 0.002]]
    """
    if order not in (1, 2) or degree < order:
        raise OptionError(f"derivative of order {order} with degree {degree}; order 1 or 2 and a degree not below it")
    X = np.asarray(spectra, np.float64)
    check_window(window, degree, X.shape[1])
    step = even_step(wavelength_nm)
    # SciPy takes a positive step; the sign of a descending grid enters odd orders only
    from scipy.signal import savgol_filter  # here, because it takes longer to import than a reading does

    slope = savgol_filter(X, window, degree, deriv=order, delta=abs(step), axis=1, mode="interp")
    return slope * np.sign(step) ** order
