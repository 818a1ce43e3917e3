"""A mistake that a line can make, tried on batches that took no part: a blend with the neighbour.

Two liquids in one cup: how much of another beer, or of water, is in a beer, and how little could be seen at all.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, chdtri, ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import mean_by

# fractions tried: 0.1 % apart, finer than any cup could be filled
FRACTIONS = np.linspace(0.0, 1.0, 1001)


@dataclass(frozen=True)
class Blend:
    """The other liquid in a beer."""

    fraction: float  # fraction, low, high: most likely part of the other liquid by volume, and its interval, in [0, 1]
    low: float
    high: float
    # the part that would be told from none in 95 of 100 readings; 1 where not even the pure other liquid would
    smallest_visible: float
    # how often a true blend lies as far from every blend as this sample: if small, it is no blend of these two
    p_value: float


def mixed_reflectance(base: Floats, other: Floats, fraction: Floats | float) -> Floats:
    """Return the reflectance of a blend: absorbances add by volume (Beer-Lambert), reflectances multiply."""
    # base, other (..., p), fraction (..., 1) -> (..., p)
    floor = LEAST_REFLECTANCE
    return np.asarray(np.maximum(base, floor) ** (1.0 - fraction) * np.maximum(other, floor) ** fraction, float)


def mean_spectra(fit: ClassModel) -> Floats:
    """Return the reflectance of each beer, from the mean absorbance of its batches."""
    # -> (n_beers, p)
    of_batch = mean_by(np.log(np.maximum(fit.samples.reflectance, LEAST_REFLECTANCE)), fit.samples.batch)[0]
    return np.asarray(np.exp(mean_by(of_batch, fit.samples.beer)[0]), float)


def estimate_blend(
    fit: ClassModel, reflectance: Floats, n_pours: int, *, base: int, other: int | None, level: float = 0.95
) -> Blend:
    """Estimate how much of another liquid is in a beer.

    The fraction minimises the squared distance from the path that the mean of one beer takes to the other; the
    interval holds the fractions whose squared distance is above the least by no more than the chi-squared quantile
    (1 degree of freedom). Batches differ, so a beer that is brewed a little paler looks like one with water in it:
    the interval carries that, and it is why small parts cannot be seen.
    """
    # reflectance (p,)
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


BLEND_SHARES = (0.10, 0.20, 0.30)


@dataclass(frozen=True)
class BlendsHeld:
    """Blends of samples with the neighbour of their beer."""

    neighbour: Ints  # (n,): the other beer in each
    held: Mask  # (n, len(fractions): whether the blend, claimed to be the sample's own beer, is refused


def neighbours(fit: ClassModel) -> Ints:
    """Find the beer nearest to each beer."""
    # -> (n_beers,)
    if len(fit.beer_means) < 2:
        return np.full(len(fit.beer_means), -1)
    apart = ((fit.beer_means[:, None, :] - fit.beer_means) ** 2).sum(axis=2)
    np.fill_diagonal(apart, np.inf)
    return apart.argmin(axis=1)


def hold_blends(
    fit: ClassModel,
    reflectance: Floats,
    n_pours: Ints,
    beer: Ints,
    *,
    rate: float,
    fractions: tuple[float, ...] = BLEND_SHARES,
) -> BlendsHeld:
    """Blend samples with the neighbour of their beer and hold the blends against the claim."""
    # reflectance (n, p), n_pours, beer (n,)
    neighbour = neighbours(fit)[beer]
    other = mean_spectra(fit)[neighbour]
    held = np.empty((len(reflectance), len(fractions)), bool)
    for column, fraction in enumerate(fractions):
        blend = mixed_reflectance(reflectance, other, fraction)
        held[:, column] = fit.match(blend, n_pours).p_value[np.arange(len(blend)), beer] <= rate
    return BlendsHeld(neighbour, held)
