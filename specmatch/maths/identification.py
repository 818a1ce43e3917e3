"""Many samples against many beers: nearest beer and plausible set of each, without a table of all pairs."""

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.residual import SHARE
from specmatch.maths.typical_beers import BLOCK, TypicalityFit

# distances found as products of scores are off by rounding: candidates are taken this much wider, then counted exactly
SLACK = 1e-6


@dataclass(frozen=True)
class Identification:
    """The open answer of each sample.

    Attributes
    ----------
    nearest_beer : ndarray of int, shape (n,)
    distance, p_value : ndarray, shape (n,)
        To the nearest beer, and how typical of it.
    nearest_batch, nearest_distance : ndarray, shape (n,)
    plausible : ndarray of int, shape (m,)
        Beers not rejected, sample after sample, in order of code.
    first : ndarray of int, shape (n + 1,)
        The beers of sample i are `plausible[first[i]:first[i + 1]]`.
    """

    nearest_beer: Ints
    distance: Floats
    p_value: Floats
    nearest_batch: Ints
    nearest_distance: Floats
    plausible: Ints
    first: Ints


def identify(fit: TypicalityFit, reflectance: Floats, n_pours: int, *, false_reject_rate: float) -> Identification:
    """Find nearest beer, plausible beers and nearest batch of samples.

    Parameters
    ----------
    fit : TypicalityFit
    reflectance : ndarray, shape (n, p)
        Mean reflectance of each sample on the fitted wavelengths.
    n_pours : int
        Pours behind each row.
    false_reject_rate : float
        Beers whose p-value is above it are plausible.

    Returns
    -------
    Identification

    Examples
    --------
    >>> from specmatch.maths.typicality import fit_typicality
    >>> rng, nm, each = np.random.default_rng(0), np.linspace(450.0, 650.0, 21), np.arange(16)
    >>> strength = np.repeat([1.0, 2.0], 8) * np.exp(rng.normal(0, 0.03, 16))
    >>> reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0))
    >>> fit = fit_typicality(reflectance, each // 8, each, each, wavelength_nm=nm)
    >>> identify(fit, reflectance[[0, 15]], 1, false_reject_rate=0.05).nearest_beer.tolist()
    [0, 1]
    """
    scores, left = fit.metric.scores_and_residual(reflectance)
    outside = fit.residual.p_value(left, float(n_pours))
    return identify_scores(fit, scores, outside, n_pours, false_reject_rate=false_reject_rate)


def identify_scores(
    fit: TypicalityFit, scores: Floats, outside: Floats, n_pours: int, *, false_reject_rate: float
) -> Identification:
    """Do the work of `identify` on scores.

    Squared distances to all beers come block by block from products of matrices; only the nearest beer and those
    within their limit are then counted exactly.

    Parameters
    ----------
    fit : TypicalityFit
    scores : ndarray, shape (n, a)
    outside : ndarray, shape (n,)
        P-values of what lies outside the axes.
    n_pours : int
    false_reject_rate : float

    Returns
    -------
    Identification

    Examples
    --------
    >>> fit = house.fitted.identity
    >>> identify_scores(fit, fit.beer_means, np.ones(3), 3, false_reject_rate=0.05).nearest_beer.tolist()
    [0, 1, 2]
    """
    weight = fit.weights(float(n_pours))
    pulled = weight * fit.beer_means
    kernel = np.concatenate([weight.T, -2.0 * pulled.T])
    offset = (pulled * fit.beer_means).sum(axis=1)
    limit = distance_limits(fit, false_reject_rate) * (1.0 + SLACK) + SLACK - offset
    nearest, rows, beers = np.empty(len(scores), np.int64), [], []
    step = max(1, 4 * BLOCK // len(offset))
    for start in range(0, len(scores), step):
        block = scores[start : start + step]
        squared = np.concatenate([block * block, block], axis=1) @ kernel
        flat = np.flatnonzero(squared <= limit)
        rows.append(flat // offset.size + start)
        beers.append(flat % offset.size)
        squared += offset
        nearest[start : start + step] = squared.argmin(axis=1)
    row, beer = np.concatenate(rows), np.concatenate(beers)

    def exact(of: Ints, to: Ints) -> Floats:
        return np.asarray(np.einsum("na,na->n", (scores[of] - fit.beer_means[to]) ** 2, weight[to]))

    to_nearest = exact(np.arange(len(scores)), nearest)
    kept = fit.p_values(exact(row, beer), beer, outside[row]) > false_reject_rate
    row, beer = row[kept], beer[kept]
    batch, to_batch = fit.nearest_batch(scores, float(n_pours))
    return Identification(
        nearest,
        np.sqrt(to_nearest / scores.shape[1]),
        fit.p_values(to_nearest, nearest, outside),
        batch,
        to_batch,
        beer,
        np.searchsorted(row, np.arange(len(scores) + 1)),
    )


def distance_limits(fit: TypicalityFit, false_reject_rate: float) -> Floats:
    """Return the squared distance from each beer beyond which it cannot be plausible.

    Parameters
    ----------
    fit : TypicalityFit
    false_reject_rate : float

    Returns
    -------
    ndarray, shape (n_beers,)
        Infinite for a beer that always is.

    Examples
    --------
    >>> distance_limits(house.fitted.identity, 0.05).round(1).tolist()
    [14.3, 14.3, 14.3]
    """
    if not fit.judges:
        return np.full(len(fit.beer_means), np.inf)
    n_axes, dof = fit.beer_means.shape[1], fit.metric.dof
    second = dof - n_axes + 1
    rate = np.full(len(fit.beer_means), false_reject_rate)
    for beer in np.flatnonzero(fit.by_ranks):
        past = fit.held_out_p[fit.samples.beer[fit.samples.batch] == beer]
        # any tail p-value from the smallest past one up may pass by ranks
        rate[beer] = max(min(false_reject_rate, past.min()), np.finfo(float).tiny)
    rate *= 1.0 - SHARE
    last = np.minimum(np.minimum(second, fit.scatter.dof), fit.tail.dof)
    return fdtri(fit.scatter.axes_worth, last, 1.0 - rate) * fit.tail.inflation * dof * n_axes / second
