"""The metric of identity: spectra as scores in which the scatter between batches of one beer is the unit.

A beer differs from itself, batch by batch, along a few directions (strength, shape, fill, glare). Distance is
counted in that scatter, so that a departure along a direction in which batches never wander weighs most.
"""

from dataclasses import dataclass, replace

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.sample_scatter import Samples, half_of, principal_axes, sample_scatter
from specmatch.maths.spectral_scale import Scale
from specmatch.maths.statistics import mean_by

# rows that are scored at a time: their spectra stay in the processor's cache
ROWS = 256
# the most that pours may explain of the scatter of a sample: more would leave none for the batch itself
LARGEST_POUR_PART = 0.9


@dataclass(frozen=True)
class MetricChoice:
    """What a metric is built on: a scale, the channels in use, how noisy each is, how pours scatter, how many axes.

    Attributes
    ----------
    scale : Scale
    channels : ndarray of int, shape (p_used,)
        Columns of the wavelengths used.
    noise : ndarray, shape (p_used,)
        Standard deviation of the noise of each channel, on the scale.
    pour_covariance : ndarray, shape (p_used, p_used)
        Of pours about their sample; zeros where every sample has one pour.
    pour_dof : int
        Degrees of freedom behind that covariance: pours less samples.
    n_batches : int
        Batches that the choice rests on.
    n_components : int
    merit : float
        Held-out batches given to their own beer plus held-out beers refused; 0 where nothing could be held out.
    """

    scale: Scale
    channels: Ints
    noise: Floats
    pour_covariance: Floats
    pour_dof: int
    n_batches: int
    n_components: int
    merit: float


def on_channels(choice: MetricChoice, kept: Ints) -> MetricChoice:
    """Keep a choice on some of its channels.

    Parameters
    ----------
    choice : MetricChoice
    kept : ndarray of int, shape (k,)
        Positions among its channels.

    Returns
    -------
    MetricChoice

    Examples
    --------
    >>> choice = MetricChoice(Scale("absorbance"), np.arange(3), np.array([1.0, 2.0, 3.0]), np.eye(3), 9, 9, 1, 0.0)
    >>> fewer = on_channels(choice, np.array([0, 2]))
    >>> fewer.channels.tolist(), fewer.noise.tolist()
    ([0, 2], [1.0, 3.0])
    """
    return replace(
        choice,
        channels=choice.channels[kept],
        noise=choice.noise[kept],
        pour_covariance=choice.pour_covariance[np.ix_(kept, kept)],
    )


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
    noise : ndarray, shape (p_used,)
    plane : ndarray, shape (p_used, a)
        Orthonormal directions that span the axes where channels count in units of their noise.
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
    noise: Floats
    plane: Floats
    pour_part: Floats
    per_pour: float
    dof: int

    def scores(self, reflectance: Floats) -> Floats:
        """Return scores, shape (n, a), of reflectance rows, shape (n, p)."""
        return self.scores_and_residual(reflectance)[0]

    def scores_and_residual(self, reflectance: Floats) -> tuple[Floats, Floats]:
        """Return scores, shape (n, a), and what is left outside the axes, squared in units of noise, shape (n,)."""
        scores, left = np.empty((len(reflectance), self.axes.shape[1])), np.empty(len(reflectance))
        for start in range(0, len(reflectance), ROWS):
            block = slice(start, start + ROWS)
            departures = self.scale.apply(reflectance[block, self.channels]) - self.centre
            scores[block] = departures @ self.axes
            departures /= self.noise
            inside = departures @ self.plane
            left[block] = (departures * departures).sum(axis=1) - (inside * inside).sum(axis=1)
        return scores, np.maximum(left, 0.0)

    def scatter(self, n_pours: float) -> Floats:
        """Return the variance along each axis, shape (a,), of a sample of `n_pours` pours (1 at the fitted number)."""
        return 1.0 + (1.0 / n_pours - self.per_pour) * self.pour_part


@dataclass(frozen=True)
class Projection:
    """Samples on the principal axes of their batches.

    Attributes
    ----------
    centre : ndarray, shape (p_used,)
    axes : ndarray, shape (p_used, a)
    scores : ndarray, shape (n_samples, a)
    """

    centre: Floats
    axes: Floats
    scores: Floats


def project(choice: MetricChoice, samples: Samples) -> Projection:
    """Take the principal axes of the batch means on the scale and channels of a choice.

    Parameters
    ----------
    choice : MetricChoice
    samples : Samples

    Returns
    -------
    Projection

    Examples
    --------
    >>> reflectance = np.array([[0.2, 0.5], [0.2, 0.7]])
    >>> samples = Samples(reflectance, np.ones(2, np.int64), np.arange(2), np.zeros(2, np.int64))
    >>> choice = MetricChoice(Scale("reflectance"), np.arange(2), np.ones(2), np.zeros((2, 2)), 0, 2, 1, 0.0)
    >>> project(choice, samples).scores.round(6).tolist()
    [[-0.1], [0.1]]
    """
    spectra = choice.scale.apply(samples.reflectance[:, choice.channels])
    centre, axes = principal_axes(mean_by(spectra, samples.batch)[0], choice.noise, choice.n_components)
    return Projection(centre, axes, (spectra - centre) @ axes)


def build_metric(
    choice: MetricChoice, samples: Samples, projection: Projection, beer_scale: Floats | None = None
) -> Metric:
    """Build the metric of a choice on samples.

    Parameters
    ----------
    choice : MetricChoice
    samples : Samples
    projection : Projection
        Of these samples by this choice.
    beer_scale : ndarray, shape (n_beers,), optional
        Variance of each beer over the common one.

    Returns
    -------
    Metric

    Notes
    -----
    Principal axes are turned and scaled so that the scatter of samples is the identity: with W = L L' that scatter
    and S that of pours, axes are L^-T V, where V diagonalises L^-1 S L^-T. In them W and S are both diagonal, and a
    sample of any number of pours has its scatter in one line.

    Examples
    --------
    >>> reflectance = np.array([[0.2, 0.4], [0.3, 0.6], [0.8, 0.4], [0.7, 0.6]])  # two beers of two batches
    >>> samples = Samples(reflectance, np.ones(4, np.int64), np.arange(4), np.arange(4) // 2)
    >>> choice = MetricChoice(Scale("reflectance"), np.arange(2), np.ones(2), np.zeros((2, 2)), 0, 4, 2, 0.0)
    >>> metric = build_metric(choice, samples, project(choice, samples))
    >>> np.abs(sample_scatter(metric.scores(reflectance), samples).round(3)).tolist()
    [[1.0, 0.0], [0.0, 1.0]]
    """
    from scipy.linalg import eigh, solve_triangular  # here: a fitted model is read without SciPy's linear algebra

    axes, scores = projection.axes, projection.scores
    dof = samples.beer.size - samples.batches_per_beer.size
    # with one batch a beer nothing is known of scatter: plain distance, and `dof` 0 tells the caller
    scatter = sample_scatter(scores, samples, beer_scale) if dof else np.eye(scores.shape[1])
    half = half_of(scatter, scores)
    pours = solve_triangular(half, axes.T @ choice.pour_covariance @ axes, lower=True)
    pour_part, turn = eigh(solve_triangular(half, pours.T, lower=True))
    per_pour = float(np.mean(mean_by(1.0 / samples.n_pours, samples.batch)[0]))
    axes = axes @ solve_triangular(half, turn, lower=True, trans="T")
    pour_part = np.clip(pour_part, 0.0, LARGEST_POUR_PART / per_pour)
    plane = projection.axes * choice.noise[:, None]
    return Metric(choice.scale, choice.channels, projection.centre, axes, choice.noise, plane, pour_part, per_pour, dof)


def squared_distances(rows: Floats, centres: Floats) -> Floats:
    """Return squared Euclidean distances.

    Taken as differences axis by axis, so that a centre lies at distance 0 from itself and not at rounding.

    Parameters
    ----------
    rows : ndarray, shape (n, a)
    centres : ndarray, shape (m, a)

    Returns
    -------
    ndarray, shape (n, m)

    Examples
    --------
    >>> squared_distances(np.array([[0.0, 3.0]]), np.array([[4.0, 0.0]])).tolist()
    [[25.0]]
    """
    squared = np.zeros((len(rows), len(centres)))
    for axis in range(rows.shape[1]):
        squared += (rows[:, [axis]] - centres[:, axis]) ** 2
    return squared
