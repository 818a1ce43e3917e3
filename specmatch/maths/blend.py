"""Two liquids in one cup: how much of another beer, or of water, is in a beer, and how little could be seen at all."""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, chdtri, ndtri

from specmatch.array_types import Floats
from specmatch.maths.spectral_scale import LEAST_REFLECTANCE
from specmatch.maths.statistics import mean_by
from specmatch.maths.typical_beers import TypicalityFit

# fractions tried: 0.1 % apart, finer than any cup could be filled
FRACTIONS = np.linspace(0.0, 1.0, 1001)


@dataclass(frozen=True)
class Blend:
    """The other liquid in a beer.

    Attributes
    ----------
    fraction, low, high : float
        Most likely part of the other liquid by volume, and its interval, in [0, 1].
    smallest_visible : float
        The part that would be told from none in 95 of 100 readings; 1 where not even the pure other liquid would.
    p_value : float
        How often a true blend lies as far from every blend as this sample: if small, it is no blend of these two.
    """

    fraction: float
    low: float
    high: float
    smallest_visible: float
    p_value: float


def mixed_reflectance(base: Floats, other: Floats, fraction: Floats | float) -> Floats:
    """Return the reflectance of a blend: absorbances add by volume (Beer-Lambert), reflectances multiply.

    Parameters
    ----------
    base, other : ndarray, shape (..., p)
        Reflectance of the two, as fractions of the water reference; water itself is 1.
    fraction : float or ndarray, shape (..., 1)
        Part of `other` by volume, in [0, 1].

    Returns
    -------
    ndarray, shape (..., p)

    Examples
    --------
    >>> mixed_reflectance(np.array([0.25]), np.array([1.0]), 0.5).tolist()
    [0.5]
    """
    floor = LEAST_REFLECTANCE
    return np.asarray(np.maximum(base, floor) ** (1.0 - fraction) * np.maximum(other, floor) ** fraction, float)


def mean_spectra(fit: TypicalityFit) -> Floats:
    """Return the reflectance of each beer, from the mean absorbance of its batches.

    Parameters
    ----------
    fit : TypicalityFit

    Returns
    -------
    ndarray, shape (n_beers, p)

    Examples
    --------
    >>> mean_spectra(house.fitted.identity)[:, 0].round(2).tolist()  # amber, pils, porter at 423 nm
    [0.06, 0.4, 0.02]
    """
    of_batch = mean_by(np.log(np.maximum(fit.samples.reflectance, LEAST_REFLECTANCE)), fit.samples.batch)[0]
    return np.asarray(np.exp(mean_by(of_batch, fit.samples.beer)[0]), float)


def estimate_blend(
    fit: TypicalityFit, reflectance: Floats, n_pours: int, *, base: int, other: int | None, level: float = 0.95
) -> Blend:
    """Estimate how much of another liquid is in a beer.

    Parameters
    ----------
    fit : TypicalityFit
    reflectance : ndarray, shape (p,)
        Mean reflectance of the sample on the fitted wavelengths.
    n_pours : int
        Pours behind it.
    base : int
        The beer that it should be.
    other : int or None
        The beer that may be left in it; None is water.
    level : float, default 0.95
        Of the interval, in (0, 1).

    Returns
    -------
    Blend

    Notes
    -----
    The fraction minimises the squared distance from the path that the mean of one beer takes to the other; the
    interval holds the fractions whose squared distance is above the least by no more than the chi-squared quantile
    (1 degree of freedom). Batches differ, so a beer that is brewed a little paler looks like one with water in it:
    the interval carries that, and it is why small parts cannot be seen.

    Examples
    --------
    >>> from specmatch.maths.typicality import fit_typicality
    >>> rng, nm, each = np.random.default_rng(0), np.linspace(450.0, 650.0, 21), np.arange(16)
    >>> strength = np.repeat([1.0, 2.0], 8) * np.exp(rng.normal(0, 0.03, 16))
    >>> reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0))
    >>> fit = fit_typicality(reflectance, each // 8, each, each, wavelength_nm=nm)
    >>> half = mixed_reflectance(reflectance[0], reflectance[8], 0.5)
    >>> blend = estimate_blend(fit, half, 1, base=0, other=1)
    >>> blend.low < 0.5 < blend.high
    True
    """
    pure = mean_spectra(fit)
    to = np.ones(pure.shape[1]) if other is None else pure[other]
    path = fit.metric.scores(mixed_reflectance(pure[base], to, FRACTIONS[:, None]))
    # the path starts at the mean of the scores, from which the mean spectrum is a hair away
    path += fit.beer_means[base] - path[0]
    weight = fit.weights(float(n_pours))[base]
    squared = ((fit.metric.scores(reflectance[None, :]) - path) ** 2 * weight).sum(axis=1)
    squared = squared / fit.tail.inflation
    within = FRACTIONS[squared <= squared.min() + chdtri(1, 1.0 - level)]
    from_base = np.sqrt(((path - path[0]) ** 2 * weight).sum(axis=1))
    # seen in 95 of 100: beyond the upper end of what none gives, by as much again as readings scatter
    seen = from_base >= ndtri(level) + ndtri(0.95)
    return Blend(
        float(FRACTIONS[squared.argmin()]),
        float(within[0]),
        float(within[-1]),
        float(FRACTIONS[seen][0]) if seen.any() else 1.0,
        float(chdtrc(max(1, path.shape[1] - 1), squared.min())),
    )
