"""Samples of a set: to which batch and beer they belong, how noisy channels are, their main axes, how they scatter."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.statistics import mean_by

# scatter below this part of the spread of all batches is taken as this part: identical batches keep distances finite
SCATTER_FLOOR = 1e-9
# ... and where all batches are one spectrum, their scatter is taken as that of rounding in single-precision files
LEAST_VARIANCE = 1e-14
# directions in which pours differ smoothly (fill, foam, lamp, glare, ...): what is left beside them is channel noise
SMOOTH_DIRECTIONS = 6
# a channel quieter than this part of the median is counted as that quiet: a few values may agree by chance
QUIETEST = 0.2


@dataclass(frozen=True)
class Samples:
    """What the fit rests on.

    Attributes
    ----------
    reflectance : ndarray, shape (n_samples, p)
        Mean of the pours of each sample.
    n_pours : ndarray of int, shape (n_samples,)
    batch : ndarray of int, shape (n_samples,)
        Batch of each sample, 0 .. n_batches-1.
    beer : ndarray of int, shape (n_batches,)
        Beer of each batch, 0 .. n_beers-1.
    """

    reflectance: Floats
    n_pours: Ints
    batch: Ints
    beer: Ints

    @property
    def batches_per_beer(self) -> Ints:
        """Batches that each beer has, shape (n_beers,)."""
        return np.bincount(self.beer)

    def part(self, kept: Ints) -> "Samples":
        """Return some of the samples, batches coded anew; every beer must keep a batch."""
        batches, batch = np.unique(self.batch[kept], return_inverse=True)
        return Samples(self.reflectance[kept], self.n_pours[kept], batch, self.beer[batches])


def channel_noise(covariance: Floats, dof: int) -> Floats:
    """Return the standard deviation of what smooth directions leave of a covariance.

    Parameters
    ----------
    covariance : ndarray, shape (p, p)
        Of pours about their sample, or of samples about their beer.
    dof : int
        Degrees of freedom behind it.

    Returns
    -------
    ndarray, shape (p,)
        All ones where there are too few scans or channels to tell.

    Examples
    --------
    >>> channel_noise(np.diag(np.full(40, 4.0)), 100).round(1)[:2].tolist()
    [2.1, 2.1]
    """
    from scipy.linalg import eigh  # here: a fitted model is read without SciPy's linear algebra

    p, smooth = len(covariance), SMOOTH_DIRECTIONS
    if dof < 3 * smooth or p < 3 * smooth:
        return np.ones(p)
    spread, directions = eigh(covariance, subset_by_index=(p - smooth, p - 1))
    left = np.diag(covariance) - (directions**2 * spread).sum(axis=1)
    noise = np.sqrt(np.maximum(left, 0.0) * dof / (dof - smooth))
    return np.maximum(noise, QUIETEST * np.median(noise)) if np.median(noise) > 0 else np.ones(p)


def principal_axes(spectra: Floats, noise: Floats, n_axes: int) -> tuple[Floats, Floats]:
    """Return centre and principal axes of spectra, each channel in units of its noise.

    Parameters
    ----------
    spectra : ndarray, shape (n, p)
    noise : ndarray, shape (p,)
    n_axes : int
        The most axes to keep; fewer where the spectra span fewer, but never none.

    Returns
    -------
    centre : ndarray, shape (p,)
    axes : ndarray, shape (p, r)
        The largest entry of each is positive.

    Examples
    --------
    >>> centre, axes = principal_axes(np.array([[0.2, 0.5], [0.2, 0.7]]), np.array([1.0, 2.0]), 5)
    >>> centre.round(6).tolist(), axes.round(6).tolist()
    ([0.2, 0.6], [[0.0], [0.5]])
    """
    from scipy.linalg import eigh  # here: a fitted model is read without SciPy's linear algebra

    centre = spectra.mean(axis=0)
    weighted = (spectra - centre) / noise
    n, p = weighted.shape
    # the smaller of the two products has the same leading eigenvalues, and costs far less than all singular vectors
    product = weighted @ weighted.T if n < p else weighted.T @ weighted
    kept = min(n_axes, len(product))
    spread, vectors = eigh(product, subset_by_index=(len(product) - kept, len(product) - 1))
    spread, vectors = spread[::-1], vectors[:, ::-1]
    # axes beyond the rank are rounding; one axis always stays, so that identical spectra still have a distance (0)
    rank = max(1, int((spread > 1e-12 * spread[0]).sum()))
    directions = vectors[:, :rank]
    if n < p:
        directions = weighted.T @ directions
        directions /= np.maximum(np.linalg.norm(directions, axis=0), np.finfo(float).tiny)
    # eigenvectors are free in sign; fixed here, so that every machine names the same direction positive
    largest = directions[np.abs(directions).argmax(axis=0), np.arange(rank)]
    return centre, directions * np.where(largest < 0, -1.0, 1.0) / noise[:, None]


def sample_scatter(scores: Floats, samples: Samples, beer_scale: Floats | None = None) -> Floats:
    """Return the covariance of one sample about its beer, from batches about their beer and samples about their batch.

    Parameters
    ----------
    scores : ndarray, shape (n_samples, a)
    samples : Samples
    beer_scale : ndarray, shape (n_beers,), optional
        Variance of each beer over the common one, by which it is divided before pooling.

    Returns
    -------
    ndarray, shape (a, a)

    Notes
    -----
    Between batches: sum of squares of batch means about their beer over (batches - beers). Where a batch has s
    samples its mean holds only 1/s of the variance between samples; the rest is added from samples about their batch.

    Examples
    --------
    >>> scores = np.array([[1.0], [3.0], [8.0], [12.0]])  # two beers of two batches of one sample
    >>> samples = Samples(scores, np.ones(4, np.int64), np.arange(4), np.arange(4) // 2)
    >>> sample_scatter(scores, samples).tolist()  # (1 + 1 + 4 + 4) on 2 degrees of freedom
    [[5.0]]
    """
    batch_means, per_batch = mean_by(scores, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    root = np.ones(per_batch.size) if beer_scale is None else np.sqrt(beer_scale)[samples.beer]
    between = (batch_means - beer_means[samples.beer]) / root[:, None]
    scatter = between.T @ between / (per_batch.size - per_beer.size)
    sample_dof = len(scores) - per_batch.size
    if sample_dof:
        within = (scores - batch_means[samples.batch]) / root[samples.batch][:, None]
        scatter = scatter + np.mean(1.0 - 1.0 / per_batch) * (within.T @ within) / sample_dof
    return np.asarray(scatter, float)


def half_of(scatter: Floats, scores: Floats) -> Floats:
    """Return L, lower triangular, with L L' the scatter, lifted off zero by a part of the spread of all scores.

    Parameters
    ----------
    scatter : ndarray, shape (a, a)
    scores : ndarray, shape (n, a)

    Returns
    -------
    ndarray, shape (a, a)

    Examples
    --------
    >>> half_of(np.diag([4.0, 9.0]), np.ones((3, 2))).round(6).tolist()
    [[2.0, 0.0], [0.0, 3.0]]
    """
    floor = max(SCATTER_FLOOR * float(np.var(scores, axis=0).sum()), LEAST_VARIANCE)
    return np.asarray(np.linalg.cholesky(scatter + floor * np.eye(len(scatter))), float)
