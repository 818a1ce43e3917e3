"""How good a metric of identity is: held-out batches given to their own beer, and held-out beers refused.

A beer that the house does not make is one of its own, held out and brewed over the colours of the house.
"""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.sample_scatter import Samples, half_of, sample_scatter
from specmatch.maths.spectral_scale import LEAST_REFLECTANCE
from specmatch.maths.statistics import mean_by

N_STRENGTHS = 7
# false reject rates over which refusal is averaged: the rates at which houses work, and a smoother figure than one
FALSE_REJECT_RATES = np.array([0.02, 0.05, 0.10])
# more brewed batches than this add time to the choice and nothing to its outcome
MOST_BREWED = 1000


@dataclass(frozen=True)
class Brewed:
    """Batches of every beer brewed over the colours of the house.

    Attributes
    ----------
    reflectance : ndarray, shape (n, p)
    beer : ndarray of int, shape (n,)
        The beer that each is.
    """

    reflectance: Floats
    beer: Ints


def held_out_distance(within: Floats, per_beer: Floats, dof: float) -> Floats:
    """Return squared distance of each batch from its beer when the batch took no part in mean or scatter.

    Parameters
    ----------
    within : ndarray, shape (n_batches, ...)
        Squared distance of each batch from the mean of its beer, in the scatter of all batches.
    per_beer : ndarray, shape (n_batches, ...)
        Number of batches of its beer, broadcast against `within`.
    dof : float
        Degrees of freedom of that scatter.

    Returns
    -------
    ndarray, shape of `within`
        n/(n+1) (z - m)' W^-1 (z - m) with n, m and W of the other batches; infinite where the batch alone makes the
        scatter along its direction, NaN for the only batch of a beer.

    Notes
    -----
    Leaving out one of n batches moves their mean by -dev/(n-1) and takes n/(n-1) dev dev' from the sum of squares;
    the Sherman-Morrison formula then gives the distance without another fit.

    Examples
    --------
    >>> held_out_distance(np.array([0.5]), np.array([2.0]), 3.0).round(3).tolist()
    [1.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = per_beer / (per_beer - 1.0)
        left = 1.0 - ratio * within / dof
        # below this part the rest is rounding of a batch that has its direction to itself
        alone = left <= 1e-12
        distance = ratio * (dof - 1.0) / dof * within / np.where(alone, 1.0, left)
    return np.where(per_beer > 1, np.where(alone, np.inf, distance), np.nan)


def brewed_over_the_colours(samples: Samples) -> Brewed:
    """Return each batch at strengths that carry it over the colours of the house, or as it is where that means nothing.

    Parameters
    ----------
    samples : Samples

    Returns
    -------
    Brewed

    Notes
    -----
    Strength scales absorbance (Beer-Lambert), so a batch of strength s has reflectance R^s.

    Examples
    --------
    >>> two = Samples(np.array([[0.1, 0.1], [0.01, 0.01]]), np.array([1, 1]), np.array([0, 1]), np.array([0, 1]))
    >>> brewed = brewed_over_the_colours(two)
    >>> brewed.reflectance[brewed.beer == 0, 0].round(3).tolist()
    [0.1, 0.075, 0.055, 0.039, 0.026, 0.017, 0.01]
    """
    batch_spectra, _ = mean_by(samples.reflectance, samples.batch)
    spectra = np.maximum(batch_spectra, LEAST_REFLECTANCE)
    depth = -np.log10(spectra).mean(axis=1)
    # rows that are no fractions (a pipeline may hand over anything) or let through all light cannot be brewed stronger
    if batch_spectra.min() < -0.5 or batch_spectra.max() > 1.5 or depth.min() <= 0:
        return Brewed(batch_spectra, samples.beer)
    strengths = np.geomspace(depth.min(), depth.max(), N_STRENGTHS) / depth[:, None]
    thinned = slice(None, None, -(-strengths.size // MOST_BREWED))
    row, column = (index[thinned] for index in np.divmod(np.arange(strengths.size), N_STRENGTHS))
    return Brewed(spectra[row] ** strengths[row, column][:, None], samples.beer[row])


def merits(scores: Floats, samples: Samples, brewed: Floats, brewed_beer: Ints) -> Floats:
    """Return the merit of the first 1, 2, ... axes: held-out batches right plus held-out beers refused, as parts.

    Parameters
    ----------
    scores : ndarray, shape (n_samples, a)
        On principal axes.
    samples : Samples
    brewed : ndarray, shape (n, a)
        The same scores of beers brewed over the colours.
    brewed_beer : ndarray of int, shape (n,)

    Returns
    -------
    ndarray, shape (a,)

    Examples
    --------
    >>> known = house.fitted.identity
    >>> far = known.batch_means[:3] + 50.0  # like no beer of the house
    >>> float(merits(known.metric.scores(known.samples.reflectance), known.samples, far, np.array([0, 0, 0]))[-1])
    2.0
    """
    from scipy.linalg import solve_triangular  # here: a fitted model is read without SciPy's linear algebra

    n_axes = scores.shape[1]
    dof = samples.beer.size - samples.batches_per_beer.size
    # a lower triangle whitens the first axes without the later ones, so one serves every number of axes
    half = half_of(sample_scatter(scores, samples), scores)
    batch_means, _ = mean_by(solve_triangular(half, scores.T, lower=True).T, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    shrink = per_beer / (per_beer + 1.0)
    within = np.cumsum((batch_means - beer_means[samples.beer]) ** 2, axis=1)
    own = held_out_distance(within, per_beer[samples.beer].astype(float)[:, None], dof)
    judged = per_beer[samples.beer] > 1
    others = _to_other_beers(batch_means, beer_means, shrink, samples.beer)
    right = (own[judged] < others[judged]).mean(axis=0)
    whitened = solve_triangular(half, brewed.T, lower=True).T
    nearest = _to_other_beers(whitened, beer_means, shrink, brewed_beer)
    limits = np.quantile(own[judged], 1.0 - FALSE_REJECT_RATES, axis=0)
    refused = np.array([(nearest[:, a] > limits[:, [a]]).mean() for a in range(n_axes)])
    return right + refused


def _to_other_beers(rows: Floats, beer_means: Floats, shrink: Floats, own_beer: Ints) -> Floats:
    """Squared distance to the nearest beer but the own one in the first 1, 2, ... axes, shape (n, a)."""
    distance = np.empty_like(rows)
    running = np.zeros((len(rows), len(beer_means)))
    running[np.arange(len(rows)), own_beer] = np.inf
    for axis in range(rows.shape[1]):
        running += shrink * (rows[:, [axis]] - beer_means[:, axis]) ** 2
        distance[:, axis] = running.min(axis=1)
    return distance
