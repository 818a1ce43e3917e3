"""A mistake that a line can make, tried on batches that took no part: a blend with the neighbour."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.classification.subspace import LabelledSamples
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import mean_by


def mixed_reflectance(base: Floats, other: Floats, fraction: Floats | float) -> Floats:
    """Return the reflectance of a blend: absorbances add by volume (Beer-Lambert), reflectances multiply."""
    # base, other (..., p), fraction (..., 1) -> (..., p)
    floor = LEAST_REFLECTANCE
    return np.asarray(np.maximum(base, floor) ** (1.0 - fraction) * np.maximum(other, floor) ** fraction, float)


def mean_spectra(samples: LabelledSamples) -> Floats:
    """Return the reflectance of each beer, from the mean absorbance of its batches."""
    # -> (n_beers, p)
    of_batch = mean_by(np.log(np.maximum(samples.reflectance, LEAST_REFLECTANCE)), samples.batch)[0]
    return np.asarray(np.exp(mean_by(of_batch, samples.beer)[0]), float)


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
    other = mean_spectra(fit.samples)[neighbour]
    held = np.empty((len(reflectance), len(fractions)), bool)
    for column, fraction in enumerate(fractions):
        blend = mixed_reflectance(reflectance, other, fraction)
        held[:, column] = fit.match(blend, n_pours).p_value[np.arange(len(blend)), beer] <= rate
    return BlendsHeld(neighbour, held)
