"""The metric of identity: spectra as scores in which the scatter between batches of one beer is the unit.

A beer differs from itself, batch by batch, along a few directions (strength, shape, fill, glare). Distance is
counted in that scatter, so that a departure along a direction in which batches never wander weighs most.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh, solve_triangular

from specmatch.maths.statistics import mean_by

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# reflectance below this is noise of a dead channel; the floor keeps its logarithm finite
REFLECTANCE_FLOOR = 1e-4
# scatter below this part of the spread of all batches is taken as this part: identical batches keep distances finite
SCATTER_FLOOR = 1e-9
# ... and where all batches are one spectrum, their scatter is taken as that of rounding in single-precision files
LEAST_VARIANCE = 1e-14
# the most that pours may explain of the scatter of a sample: more would leave none for the batch itself
LARGEST_POUR_PART = 0.9
# directions in which pours differ smoothly (fill, foam, lamp, glare, ...): what is left beside them is channel noise
SMOOTH_DIRECTIONS = 6
# a channel quieter than this part of the median is counted as that quiet: a few values may agree by chance
QUIETEST = 0.2


@dataclass(frozen=True)
class Scale:
    """The scale on which spectra are compared.

    Attributes
    ----------
    transform : {"reflectance", "absorbance", "log_absorbance"}
        `log_absorbance` is `asinh(A / (2 offset))`: the logarithm of absorbance above the offset, so that a batch
        stronger by a tenth moves alike in every beer, and a straight line below it, where noise would own a logarithm.
    offset : float
        Absorbance at which the logarithm gives way: about the noise of the lightest channels.
    dark : float
        Reflectance at which the logarithm that makes absorbance gives way: about the glare of the darkest channels.
        Only for `log_absorbance`.
    """

    transform: str
    offset: float = 1.0
    dark: float = 0.0

    def apply(self, reflectance: Floats) -> Floats:
        """Return spectra, shape (n, p), on this scale.

        Examples
        --------
        >>> Scale("absorbance").apply(np.array([[0.1]])).tolist()
        [[1.0]]
        """
        if self.transform == "reflectance":
            return np.array(reflectance, float)
        lifted = self.dark + (1.0 - self.dark) * np.maximum(reflectance, REFLECTANCE_FLOOR)
        absorbance = -np.log10(lifted)
        return absorbance if self.transform == "absorbance" else np.arcsinh(absorbance / (2.0 * self.offset))


@dataclass(frozen=True)
class Samples:
    """What the fit rests on: mean reflectance per sample, and to which batch and beer it belongs."""

    reflectance: Floats  # (n_samples, p)
    n_pours: Ints  # (n_samples,)
    batch: Ints  # (n_samples,) 0 .. n_batches-1
    beer: Ints  # (n_batches,) 0 .. n_beers-1

    @property
    def batches_per_beer(self) -> Ints:
        """Batches that each beer has, shape (n_beers,)."""
        return np.bincount(self.beer)


@dataclass(frozen=True)
class Metric:
    """A map from reflectance to scores in which the scatter of samples of one beer is the identity matrix.

    Attributes
    ----------
    scale : Scale
    channels : ndarray of int
        Columns of the wavelengths used.
    centre : ndarray, shape (p_used,)
    axes : ndarray, shape (p_used, a)
    pour_part : ndarray, shape (a,)
        Variance between pours of one sample along each axis, in units of the scatter between samples.
    per_pour : float
        Mean of 1/m over the fitted samples of m pours: the share of pour variance that the unit already holds.
    dof : int
        Degrees of freedom of the scatter: batches less beers.
    """

    scale: Scale
    channels: Ints
    centre: Floats
    axes: Floats
    pour_part: Floats
    per_pour: float
    dof: int

    def scores(self, reflectance: Floats) -> Floats:
        """Return scores, shape (n, a), of reflectance rows, shape (n, p)."""
        return (self.scale.apply(reflectance[:, self.channels]) - self.centre) @ self.axes

    def scatter(self, n_pours: float) -> Floats:
        """Return the variance along each axis, shape (a,), of a sample of `n_pours` pours (1 at the fitted number)."""
        return 1.0 + (1.0 / n_pours - self.per_pour) * self.pour_part


@dataclass(frozen=True)
class Projection:
    """Sample and pour spectra on principal axes, before any scatter is taken.

    Attributes
    ----------
    centre : ndarray, shape (p_used,)
    axes : ndarray, shape (p_used, r)
        Principal axes, each channel weighted by one over its noise.
    samples : ndarray, shape (n_samples, r)
    pour_scatter : ndarray, shape (r, r)
        Covariance of pours about their own sample; zeros where every sample has one pour.
    """

    centre: Floats
    axes: Floats
    samples: Floats
    pour_scatter: Floats


def channel_noise(deviations: Floats, dof: int) -> Floats:
    """Return the standard deviation, shape (p,), of what smooth directions leave of deviations, shape (n, p).

    Parameters
    ----------
    deviations : ndarray, shape (n, p)
        Pours about their sample, or samples about their beer.
    dof : int
        Degrees of freedom of the deviations.

    Returns
    -------
    ndarray, shape (p,)
        All ones where there are too few deviations or channels to tell.
    """
    smooth = SMOOTH_DIRECTIONS
    if dof < 3 * smooth or deviations.shape[1] < 3 * smooth:
        return np.ones(deviations.shape[1])
    _, directions = eigh(
        deviations.T @ deviations, subset_by_index=(deviations.shape[1] - smooth, deviations.shape[1] - 1)
    )
    left = deviations - deviations @ directions @ directions.T
    noise = np.sqrt((left**2).sum(axis=0) / (dof - smooth))
    return np.maximum(noise, QUIETEST * np.median(noise)) if np.median(noise) > 0 else np.ones(noise.size)


def project(samples: Samples, spectra: Floats, pour_deviations: Floats, noise: Floats, n_axes: int) -> Projection:
    """Take principal axes of the batch means of spectra, each channel in units of its noise.

    Parameters
    ----------
    samples : Samples
    spectra : ndarray, shape (n_samples, p_used)
        Sample means on their scale.
    pour_deviations : ndarray, shape (n_pours, p_used)
        Pours less the mean of their sample, on that scale.
    noise : ndarray, shape (p_used,)
    n_axes : int
        The most axes to keep; fewer where the batches span fewer.

    Returns
    -------
    Projection
    """
    batch_spectra, _ = mean_by(spectra, samples.batch)
    centre = batch_spectra.mean(axis=0)
    _, spread, directions = np.linalg.svd((batch_spectra - centre) / noise, full_matrices=False)
    # axes beyond the rank are rounding; one axis always stays, so that identical spectra still have a distance (0)
    rank = max(1, int((spread > 1e-10 * spread[0]).sum()))
    axes = directions[: min(n_axes, rank)].T / noise[:, None]
    pours = pour_deviations @ axes
    pour_dof = len(pours) - len(spectra)
    pour_scatter = pours.T @ pours / pour_dof if pour_dof else np.zeros((axes.shape[1],) * 2)
    return Projection(centre, axes, (spectra - centre) @ axes, pour_scatter)


def sample_scatter(scores: Floats, samples: Samples) -> Floats:
    """Return the covariance of one sample about its beer, from batches about their beer and samples about their batch.

    Parameters
    ----------
    scores : ndarray, shape (n_samples, a)
    samples : Samples

    Returns
    -------
    ndarray, shape (a, a)

    Notes
    -----
    Between batches: sum of squares of batch means about their beer over (batches - beers). Where a batch has s
    samples its mean holds only 1/s of the variance between samples; the rest is added from samples about their batch.
    """
    batch_means, per_batch = mean_by(scores, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    between = batch_means - beer_means[samples.beer]
    scatter = between.T @ between / (per_batch.size - per_beer.size)
    sample_dof = len(scores) - per_batch.size
    if sample_dof:
        within = scores - batch_means[samples.batch]
        scatter = scatter + np.mean(1.0 - 1.0 / per_batch) * (within.T @ within) / sample_dof
    return scatter


def scatter_metric(projection: Projection, samples: Samples, channels: Ints, scale: Scale, n_components: int) -> Metric:
    """Turn and scale the first principal axes so that the scatter of samples of one beer is the identity.

    Notes
    -----
    With W = L L' the scatter of samples and S that of pours, axes are L^-T V, where V diagonalises L^-1 S L^-T:
    in them both W and S are diagonal, and a sample of any number of pours has its scatter in one line.
    """
    scores = projection.samples[:, :n_components]
    dof = samples.beer.size - samples.batches_per_beer.size
    # with one batch a beer nothing is known of scatter: plain distance, and `dof` 0 tells the caller
    scatter = sample_scatter(scores, samples) if dof else np.eye(scores.shape[1])
    floor = max(SCATTER_FLOOR * float(np.var(scores, axis=0).sum()), LEAST_VARIANCE)
    half = np.linalg.cholesky(scatter + floor * np.eye(len(scatter)))
    pours = solve_triangular(half, projection.pour_scatter[:n_components, :n_components], lower=True)
    pour_part, turn = eigh(solve_triangular(half, pours.T, lower=True))
    per_pour = float(np.mean(mean_by(1.0 / samples.n_pours, samples.batch)[0]))
    axes = projection.axes[:, :n_components] @ solve_triangular(half, turn, lower=True, trans="T")
    pour_part = np.clip(pour_part, 0.0, LARGEST_POUR_PART / per_pour)
    return Metric(scale, channels, projection.centre, axes, pour_part, per_pour, dof)


def squared_distances(rows: Floats, centres: Floats) -> Floats:
    """Return squared Euclidean distances, shape (n, m), between rows (n, a) and centres (m, a).

    Taken as differences axis by axis, so that a centre lies at distance 0 from itself and not at rounding.

    Examples
    --------
    >>> squared_distances(np.array([[0.0, 3.0]]), np.array([[4.0, 0.0]])).tolist()
    [[25.0]]
    """
    squared = np.zeros((len(rows), len(centres)))
    for axis in range(rows.shape[1]):
        squared += (rows[:, [axis]] - centres[:, axis]) ** 2
    return squared
