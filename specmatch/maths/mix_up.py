"""A mistake that a line can make, tried on batches that took no part: a blend with the neighbour."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.blend import mean_spectra, mixed_reflectance
from specmatch.maths.typical_beers import TypicalityFit

BLEND_SHARES = (0.10, 0.20, 0.30)


@dataclass(frozen=True)
class BlendsHeld:
    """Blends of samples with the neighbour of their beer.

    Attributes
    ----------
    neighbour : ndarray of int, shape (n,)
        The other beer in each.
    held : ndarray of bool, shape (n, len(fractions))
        Whether the blend, claimed to be the sample's own beer, is refused.
    """

    neighbour: Ints
    held: Mask


def neighbours(fit: TypicalityFit) -> Ints:
    """Find the beer nearest to each beer.

    Parameters
    ----------
    fit : TypicalityFit

    Returns
    -------
    ndarray of int, shape (n_beers,)
        -1 in a set of one.

    Examples
    --------
    >>> house.beers_
    ('Amber Lane', 'Meadow Pils', 'Night Porter')
    >>> neighbours(house.fitted.identity)[1:].tolist()  # to the pale and to the dark beer, the one between them
    [0, 0]
    """
    if len(fit.beer_means) < 2:
        return np.full(len(fit.beer_means), -1)
    apart = ((fit.beer_means[:, None, :] - fit.beer_means) ** 2).sum(axis=2)
    np.fill_diagonal(apart, np.inf)
    return apart.argmin(axis=1)


def hold_blends(
    fit: TypicalityFit,
    reflectance: Floats,
    n_pours: Ints,
    beer: Ints,
    *,
    rate: float,
    fractions: tuple[float, ...] = BLEND_SHARES,
) -> BlendsHeld:
    """Blend samples with the neighbour of their beer and hold the blends against the claim.

    Parameters
    ----------
    fit : TypicalityFit
        At least two beers.
    reflectance : ndarray, shape (n, p)
        Samples that took no part in the fit.
    n_pours, beer : ndarray of int, shape (n,)
    rate : float
        Stated false reject rate.
    fractions : tuple of float
        Parts of the neighbour by volume.

    Returns
    -------
    BlendsHeld

    Examples
    --------
    >>> from specmatch.maths.typicality import fit_typicality
    >>> rng, nm, each = np.random.default_rng(0), np.linspace(450.0, 650.0, 21), np.arange(16)
    >>> strength = np.repeat([1.0, 2.0], 8) * np.exp(rng.normal(0, 0.03, 16))
    >>> reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0))
    >>> fit = fit_typicality(reflectance, each // 8, each, each, wavelength_nm=nm)
    >>> hold_blends(fit, reflectance[:1], np.array([1]), np.array([0]), rate=0.05).neighbour.tolist()
    [1]
    """
    neighbour = neighbours(fit)[beer]
    other = mean_spectra(fit)[neighbour]
    held = np.empty((len(reflectance), len(fractions)), bool)
    for column, fraction in enumerate(fractions):
        blend = mixed_reflectance(reflectance, other, fraction)
        held[:, column] = fit.match(blend, n_pours).p_value[np.arange(len(blend)), beer] <= rate
    return BlendsHeld(neighbour, held)
