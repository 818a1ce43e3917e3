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

TRANSFORMS = ("reflectance", "absorbance", "log_absorbance")
# reflectance below this is noise of a dead channel; the floor keeps its logarithm finite
REFLECTANCE_FLOOR = 1e-4
# scatter below this part of the spread of all batches is taken as this part: identical batches keep distances finite
SCATTER_FLOOR = 1e-9
# ... and where all batches are one spectrum, their scatter is taken as that of rounding in single-precision files
LEAST_VARIANCE = 1e-14
# the most that pours may explain of the scatter of a sample: more would leave none for the batch itself
LARGEST_POUR_PART = 0.9


def transformed(reflectance: Floats, transform: str, offset: float) -> Floats:
    """Return spectra on the scale on which distance is taken.

    Parameters
    ----------
    reflectance : ndarray, shape (n, p)
        Fractions.
    transform : {"reflectance", "absorbance", "log_absorbance"}
        `log_absorbance` is `asinh(A / (2 offset))`: the logarithm of absorbance above the offset, a straight line
        below it, where noise would own a logarithm.
    offset : float
        Absorbance at which the logarithm gives way; about the noise of the lightest channels.

    Returns
    -------
    ndarray, shape (n, p)

    Examples
    --------
    >>> transformed(np.array([[0.1]]), "absorbance", 0.05).tolist()
    [[1.0]]
    """
    if transform == "reflectance":
        return np.array(reflectance, float)
    absorbance = -np.log10(np.maximum(reflectance, REFLECTANCE_FLOOR))
    return absorbance if transform == "absorbance" else np.arcsinh(absorbance / (2.0 * offset))


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
    transform, offset
        See `transformed`.
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

    transform: str
    offset: float
    channels: Ints
    centre: Floats
    axes: Floats
    pour_part: Floats
    per_pour: float
    dof: int

    def scores(self, reflectance: Floats) -> Floats:
        """Return scores, shape (n, a), of reflectance rows, shape (n, p)."""
        return (transformed(reflectance[:, self.channels], self.transform, self.offset) - self.centre) @ self.axes

    def scatter(self, n_pours: float) -> Floats:
        """Return the variance along each axis, shape (a,), of a sample of `n_pours` pours (1 at the fitted number)."""
        return 1.0 + (1.0 / n_pours - self.per_pour) * self.pour_part


@dataclass(frozen=True)
class Projection:
    """Transformed sample and pour spectra on principal axes, before any scatter is taken.

    Attributes
    ----------
    centre, loadings
        Mean and principal axes, shapes (p_used,) and (p_used, r).
    samples : ndarray, shape (n_samples, r)
    pour_scatter : ndarray, shape (r, r)
        Covariance of pours about their own sample; zeros where every sample has one pour.
    """

    centre: Floats
    loadings: Floats
    samples: Floats
    pour_scatter: Floats


def project(samples: Samples, spectra: Floats, pour_deviations: Floats, pour_dof: int, n_axes: int) -> Projection:
    """Take principal axes of the batch means of transformed spectra.

    Parameters
    ----------
    samples : Samples
    spectra : ndarray, shape (n_samples, p_used)
        Transformed sample means.
    pour_deviations : ndarray, shape (n_pours, p_used)
        Transformed pours less the mean of their sample.
    pour_dof : int
        Pours less samples.
    n_axes : int
        The most axes to keep; fewer where the batches span fewer.

    Returns
    -------
    Projection
    """
    batch_spectra, _ = mean_by(spectra, samples.batch)
    centre = batch_spectra.mean(axis=0)
    _, spread, axes = np.linalg.svd(batch_spectra - centre, full_matrices=False)
    # axes beyond the rank are rounding; one axis always stays, so that identical spectra still have a distance (0)
    rank = max(1, int((spread > 1e-10 * spread[0]).sum()))
    loadings = axes[: min(n_axes, rank)].T
    pours = pour_deviations @ loadings
    pour_scatter = pours.T @ pours / pour_dof if pour_dof else np.zeros((loadings.shape[1],) * 2)
    return Projection(centre, loadings, (spectra - centre) @ loadings, pour_scatter)


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


def scatter_metric(
    projection: Projection, samples: Samples, channels: Ints, transform: str, offset: float, n_components: int
) -> Metric:
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
    axes = projection.loadings[:, :n_components] @ solve_triangular(half, turn, lower=True, trans="T")
    pour_part = np.clip(pour_part, 0.0, LARGEST_POUR_PART / per_pour)
    return Metric(transform, offset, channels, projection.centre, axes, pour_part, per_pour, dof)


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
