"""Colour straight from the optics of the cup: no regression, only a path length and a glare."""

# Light passes the beer twice: (R - glare)/(1 - glare) = 10^-(A per cm x path). At each wavelength an average beer says
# how much of its absorbance at 430 nm is left; pale beers are read in the blue, where that matters least, dark beers
# farther up, where light still comes back.

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.colour.transmission import EBC_PER_ABSORBANCE, MOST_SRM, SRM_PER_ABSORBANCE
from specmatch.errors import OptionError, TableError, TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.optics.cup import GLARE, relative_absorbance
from specmatch.maths.regression.conformal import Interval, check_coverage

FEWEST_POURS = 3
MOST_COLOUR = 2.0 * MOST_SRM  # in either unit
HIGHEST_MEDIAN = 1.5  # no pour sends back more than the reference over half of the channels; percent does
NORMAL = "double pass, normal"

# White light that foam and haze add from pour to pour, in reflectance.
ADDED_LIGHT_SD = 0.004

# How far a beer's absorbance leaves the average beer's, for each 100 nm away from 430 nm, in logarithms.
SHAPE_SD_PER_100_NM = 0.06

# Before any pour: glare of a liquid's surface over a base of a half, seen in part; relative error of a pour.
GLARE_SD = 0.007
POUR_SD, POUR_BELIEF = 0.02, 4.0

# Relative standard uncertainty up to which the route is worth a second opinion.
TRUSTED_SD = 0.10
_LN10 = np.log(10.0)
_GLARES = np.linspace(0.0, 0.05, 51)
_WINDOW_NM, _CENTRES = 15.0, np.arange(432.0, 640.0, 6.0)
_LEAST_THROUGH, _LEAST_DEPTH = 1e-4, 1e-3
BLOCK = 128  # rows at a time, which stay in the processor's cache


@dataclass(frozen=True)
class DoublePassFit:
    """Path and glare of a cup; see `fit_double_pass`.

    Attributes
    ----------
    wavelength_nm : ndarray, shape (p,)
    colour_unit : str
        `"EBC"` or `"SRM"`.
    path_cm : float
        Effective path: what slit and lamp do to it is in it too.
    log_path_sd : float
        Standard uncertainty of its logarithm.
    glare, glare_sd : float
        Share of the reference that never meets the beer, and its standard uncertainty.
    pour_sd : float
        Relative scatter of the pours about the route.
    trusted_to : float
        Colour of an average beer up to which the relative standard uncertainty stays below 10 %.
    n_pours : int
    """

    wavelength_nm: Floats
    colour_unit: str
    path_cm: float
    log_path_sd: float
    glare: float
    glare_sd: float
    pour_sd: float
    trusted_to: float
    n_pours: int

    def read(self, reflectance: ArrayLike, coverage: float = 0.90) -> Interval:
        """Return colours with limits that assume normal errors.

        Parameters
        ----------
        reflectance : array_like, shape (n, p)
            On `wavelength_nm`.
        coverage : float, default 0.90

        Returns
        -------
        Interval
            In `colour_unit`.

        Raises
        ------
        OptionError
            If the coverage is outside (0, 1).
        TableError
            If shapes do not fit, or a row is no reflectance.

        Examples
        --------
        >>> nm, ebc = np.linspace(430.0, 680.0, 60), np.array([5.0, 15.0, 32.0])
        >>> R = 0.02 + 0.98 * 10 ** -(np.outer(ebc / 25.0 * 1.6, relative_absorbance(nm)))
        >>> fit_double_pass(R, ebc, nm).read(R[1:2]).colour.round().tolist()
        [15.0]
        """
        middle, sd = self._log_colour(_fractions(reflectance, self.wavelength_nm.size))
        reach = float(ndtri(0.5 + check_coverage(coverage) / 2.0)) * sd
        return Interval(np.exp(middle), np.exp(middle - reach), np.exp(middle + reach), NORMAL, True)

    def trusts(self, colour: ArrayLike) -> Mask:
        """Return, for each colour, whether the route reaches so far.

        Parameters
        ----------
        colour : array_like, shape (n,)
            In `colour_unit`.

        Returns
        -------
        ndarray of bool, shape (n,)

        Examples
        --------
        >>> fit = DoublePassFit(np.array([430.0, 680.0]), "EBC", 1.6, 0.01, 0.02, 0.005, 0.02, 60.0, 5)
        >>> fit.trusts([10.0, 80.0]).tolist()
        [True, False]
        """
        return np.asarray(colour, np.float64) <= self.trusted_to

    def _log_colour(self, R: Floats) -> tuple[Floats, Floats]:
        strength, sd = _log_strength(R, self.wavelength_nm, self.glare)
        upper, _ = _log_strength(R, self.wavelength_nm, self.glare + self.glare_sd)
        return self._of_strength(strength, np.sqrt(sd**2 + (upper - strength) ** 2))

    def _of_strength(self, strength: Floats, sd: Floats) -> tuple[Floats, Floats]:
        spread = np.sqrt(sd**2 + self.log_path_sd**2 + self.pour_sd**2)
        return strength - np.log(self.path_cm) + np.log(_per_absorbance(self.colour_unit)), spread


def _fractions(reflectance: ArrayLike, n_wavelengths: int) -> Floats:
    """Return reflectance of pours as an array, refused where a row cannot be any."""
    R = np.asarray(reflectance, np.float64)
    if R.ndim != 2 or R.shape[1] != n_wavelengths:
        raise TableError(f"reflectance has shape {R.shape}; a row a pour on {n_wavelengths} wavelengths is expected")
    level = np.median(R, axis=1)
    if not np.all(level <= HIGHEST_MEDIAN):
        row = int(np.argmin(level <= HIGHEST_MEDIAN))
        raise TableError(
            f"row {row} of reflectance has a median of {level[row]:.3g}; a fraction in every cell is needed, 1.0 = the "
            "reference: divide percent by 100"
        )
    return R


def fit_double_pass(
    reflectance: ArrayLike, colour: ArrayLike, wavelength_nm: ArrayLike, *, colour_unit: str = "EBC"
) -> DoublePassFit:
    """Set path and glare of a cup from pours of known colour.

    For each glare of a grid the path is the mean of what the pours ask for; the glare is averaged over the grid, each
    weighed by the scatter of the pours under it and by what glare a cup may have. No spectrum tells path and strength
    apart: a pour that is 3 % too deep reads 3 % too dark.

    Parameters
    ----------
    reflectance : array_like, shape (n, p)
        A row a pour, three or more; five over the range that is to be read serve well.
    colour : array_like, shape (n,)
        Known colour of each, above 0.
    wavelength_nm : array_like, shape (p,)
        Ascending, from 440 nm or below.
    colour_unit : {"EBC", "SRM"}, default "EBC"

    Returns
    -------
    DoublePassFit

    Raises
    ------
    TooFewBatchesError
        With fewer than three pours.
    TableError
        If a colour is not above 0, or that of no liquid, shapes do not fit, or a row is no reflectance.
    OptionError
        For another unit.
    WavelengthMismatchError
        If the wavelengths begin above 440 nm or end below 460 nm.

    Examples
    --------
    >>> nm = np.linspace(430.0, 680.0, 60)
    >>> colour = np.array([5.0, 9.0, 15.0, 22.0, 32.0])
    >>> R = 0.02 + 0.98 * 10 ** -(np.outer(colour / 25.0 * 1.6, relative_absorbance(nm)))
    >>> fit = fit_double_pass(R, colour, nm)
    >>> round(fit.path_cm, 2), np.abs(fit.read(R).colour / colour - 1.0).max().round(2).item() <= 0.02
    (1.59, True)
    """
    y, nm = (np.asarray(x, np.float64) for x in (colour, wavelength_nm))
    R = _fractions(reflectance, nm.size)
    if len(R) != y.size:
        raise TableError(f"reflectance has shape {R.shape}; {y.size} pours on {nm.size} wavelengths are expected")
    if y.size < FEWEST_POURS:
        raise TooFewBatchesError(f"{y.size} pours of known colour; path and glare need {FEWEST_POURS}, better five")
    if not np.all((y > 0) & (y <= MOST_COLOUR)):
        raise TableError(
            f"known colours run from {y.min():g} to {y.max():g}; colours are above 0, {MOST_COLOUR:g} at most"
        )
    if not nm[0] <= 440.0 < 460.0 <= nm[-1] or np.any(np.diff(nm) <= 0):
        raise WavelengthMismatchError(
            f"the spectra cover {nm[0]:g}-{nm[-1]:g} nm; the route reads ascending, from 440 nm or below"
        )
    known = np.log(y / _per_absorbance(colour_unit))
    strength, sd = np.array([_log_strength(R, nm, glare) for glare in _GLARES]).swapaxes(0, 1)
    rest, w = strength - known, 1.0 / (sd**2 + POUR_SD**2)
    path = (w * rest).sum(axis=1) / w.sum(axis=1)
    misfit = (w * (rest - path[:, None]) ** 2).sum(axis=1) - np.log(w).sum(axis=1) + ((_GLARES - GLARE) / GLARE_SD) ** 2
    belief = np.exp(-0.5 * (misfit - misfit.min()))
    belief /= belief.sum()
    glare = float(belief @ _GLARES)
    strength, sd = _log_strength(R, nm, glare)
    w_best = 1.0 / (sd**2 + POUR_SD**2)
    log_path = float(w_best @ (strength - known) / w_best.sum())
    scatter = float(np.sum((strength - known - log_path) ** 2 * w_best * POUR_SD**2))
    pour_sd = float(np.sqrt((scatter + POUR_BELIEF * POUR_SD**2) / (y.size - 1 + POUR_BELIEF)))
    glare_sd, log_path_sd = float(np.sqrt(belief @ (_GLARES - glare) ** 2)), pour_sd / float(np.sqrt(y.size))
    path_cm = float(np.exp(log_path))
    fit = DoublePassFit(nm, colour_unit, path_cm, log_path_sd, glare, glare_sd, pour_sd, np.inf, y.size)
    return replace(fit, trusted_to=_reach(fit))


def routes_disagree(one: Interval, other: Interval) -> Mask:
    """Tell where the limits of two routes have nothing in common.

    Parameters
    ----------
    one, other : Interval
        Of the same samples, in the same unit.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> low, high = np.array([9.0, 9.0]), np.array([11.0, 11.0])
    >>> one = Interval(np.array([10.0, 10.0]), low, high, "a", True)
    >>> other = Interval(np.array([10.5, 12.5]), low + np.array([0.5, 2.5]), high + 2.5, "b", True)
    >>> routes_disagree(one, other).tolist()
    [False, True]
    """
    return (one.high < other.low) | (other.high < one.low)


def rows_that_disagree(fit: DoublePassFit, one: Interval, reflectance: Floats, rows: Ints, coverage: float) -> Ints:
    """Return the rows at which the route's limits have nothing in common with others, given of these rows."""
    # glare widens limits: what it does is worked out only where they lie apart without
    # reflectance (n, p), rows (k,)
    middle, sd = fit._of_strength(*_log_strength(reflectance, fit.wavelength_nm, fit.glare, rows))
    reach = float(ndtri(0.5 + check_coverage(coverage) / 2.0)) * sd
    apart = np.flatnonzero((one.high < np.exp(middle - reach)) | (np.exp(middle + reach) < one.low))
    if not apart.size:
        return apart
    nearer = Interval(one.colour[apart], one.low[apart], one.high[apart], one.method, one.normal_errors_assumed)
    return rows[apart[routes_disagree(nearer, fit.read(reflectance[rows[apart]], coverage))]]


def _reach(fit: DoublePassFit) -> float:
    """Return how dark an average beer may be before glare, foam and haze drown it."""
    colour = _per_absorbance(fit.colour_unit) * np.geomspace(0.04, 8.0, 120)
    depth = np.outer(colour / _per_absorbance(fit.colour_unit) * fit.path_cm, relative_absorbance(fit.wavelength_nm))
    _, sd = fit._log_colour(fit.glare + (1.0 - fit.glare) * 10.0**-depth)
    return float(colour[sd <= TRUSTED_SD].max(initial=0.0))


def _log_strength(R: Floats, nm: Floats, glare: float, rows: Ints | None = None) -> tuple[Floats, Floats]:
    """Return log of absorbance at 430 nm times path, and its uncertainty, each of some spectra in its best window."""
    mean, average, away = _windows(nm.tobytes())
    n = len(R) if rows is None else len(rows)
    strength, sd = np.empty(n), np.empty(n)
    for start in range(0, n, BLOCK):
        block = slice(start, start + BLOCK)
        through = (R[block] if rows is None else R[rows[block]]) @ mean
        through -= glare
        through /= 1.0 - glare
        np.maximum(through, _LEAST_THROUGH, out=through)
        depth = np.log10(through)
        np.maximum(np.negative(depth, out=depth), _LEAST_DEPTH, out=depth)
        through *= depth
        variance = np.divide(ADDED_LIGHT_SD / _LN10, through, out=through)
        variance *= variance
        variance += away
        best = variance.argmin(axis=1)
        here = np.arange(len(best))
        strength[block] = np.log(depth[here, best] / average[best])
        sd[block] = np.sqrt(variance[here, best])
    return strength, sd


@lru_cache(maxsize=8)
def _windows(wavelength_nm: bytes) -> tuple[Floats, Floats, Floats]:
    """Return the means over each window, shape (p, q), and there the average beer and the variance of its shape."""
    nm = np.frombuffer(wavelength_nm)
    windows = np.abs(nm - _CENTRES[:, None]) <= _WINDOW_NM / 2.0
    windows = windows[windows.any(axis=1)]
    # spectra are straight enough over a slit width to be averaged before the logarithm, which is what takes the time
    mean = (windows / windows.sum(axis=1, keepdims=True)).T
    away = (SHAPE_SD_PER_100_NM * (nm - 430.0) / 100.0) ** 2 @ mean
    return mean, relative_absorbance(nm) @ mean, away


def _per_absorbance(colour_unit: str) -> float:
    if colour_unit not in ("EBC", "SRM"):
        raise OptionError(f"colour_unit is {colour_unit!r}; EBC or SRM is offered")
    return EBC_PER_ABSORBANCE if colour_unit == "EBC" else SRM_PER_ABSORBANCE


# 10 mL graduated cylinders, in mL: class A 0.10, class B 0.20 (ASTM E1272; ISO 4788 from memory). The worse one is
# assumed, because few breweries certify a cylinder.
FILL_TOLERANCE_ML = 0.20

# Inner diameter of a plain cup from one to the next, in mm: common practice, no source.
CUP_TOLERANCE_MM = 0.2
USUAL_FILL_ML, USUAL_CUP_MM = 10.0, 40.0
# mL, mm: beyond any cup (physics)
LEAST_SIZE, MOST_SIZE = 1e-3, 1e6


def path_sd(
    fill_ml: float = USUAL_FILL_ML,
    cup_mm: float = USUAL_CUP_MM,
    *,
    fill_tolerance_ml: float = FILL_TOLERANCE_ML,
    cup_tolerance_mm: float = CUP_TOLERANCE_MM,
) -> float:
    """Return the relative standard uncertainty of the path, and so of a colour, that pouring leaves.

    Depth goes with volume and with the inverse square of the diameter; a tolerance is taken as a rectangle, so its
    standard uncertainty is its half width over the root of 3 (JCGM 100:2008, 4.3.7).

    Parameters
    ----------
    fill_ml, cup_mm : float
        Volume poured and inner diameter of the cup, above 0.
    fill_tolerance_ml, cup_tolerance_mm : float
        Half widths of what they may be, 0 or more.

    Returns
    -------
    float

    Raises
    ------
    OptionError
        If a size is not above 0 or a tolerance below 0, or one is beyond any cup.

    Examples
    --------
    >>> round(path_sd(10.0, 40.0), 4), round(path_sd(10.0, 40.0, fill_tolerance_ml=0.10, cup_tolerance_mm=0.0), 4)
    (0.0129, 0.0058)
    """
    tolerances = (fill_tolerance_ml, cup_tolerance_mm)
    if not (all(LEAST_SIZE <= size <= MOST_SIZE for size in (fill_ml, cup_mm))
            and all(0 <= tolerance <= MOST_SIZE for tolerance in tolerances)):  # fmt: skip
        raise OptionError(
            f"fill {fill_ml} +- {fill_tolerance_ml} mL, cup {cup_mm} +- {cup_tolerance_mm} mm; sizes above 0 and "
            f"tolerances of 0 or more are needed ({LEAST_SIZE:g} to {MOST_SIZE:g})"
        )
    return float(np.hypot(fill_tolerance_ml / fill_ml, 2.0 * cup_tolerance_mm / cup_mm) / np.sqrt(3.0))
