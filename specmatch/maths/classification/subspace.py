"""The metric of identity: spectra as scores in which the scatter between batches of one beer is the unit.

A beer differs from itself, batch by batch, along a few directions (strength, shape, fill, glare). Distance is
counted in that scatter, so that a departure along a direction in which batches never wander weighs most.

Samples of a set: to which batch and beer they belong, how noisy channels are, their main axes, how they scatter.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.leading_axes import all_axes, leading_axes_of, solve_lower
from specmatch.maths.statistics.levels import mean_by

# scatter below this part of the spread of all batches is taken as this part: identical batches keep distances finite
SCATTER_FLOOR = 1e-9

# ... and where all batches are one spectrum, their scatter is taken as that of rounding in single-precision files
LEAST_VARIANCE = 1e-14


@dataclass(frozen=True)
class LabelledSamples:
    """What the fit rests on."""

    reflectance: Floats  # (n_samples, p): mean of the pours of each sample
    n_pours: Ints  # (n_samples,)
    batch: Ints  # (n_samples,): batch of each sample, 0 .. n_batches-1
    beer: Ints  # (n_batches,): beer of each batch, 0 .. n_beers-1
    # (n_batches,): code of the session of each batch, by which batches are held out; empty: each by itself
    session: Ints = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def batches_per_beer(self) -> Ints:
        """Batches that each beer has, shape (n_beers,)."""
        return np.bincount(self.beer)

    def part(self, kept: Ints) -> "LabelledSamples":
        """Return some of the samples, batches coded anew; every beer must keep a batch."""
        batches, batch = np.unique(self.batch[kept], return_inverse=True)
        session = self.session[batches] if self.session.size else self.session
        return LabelledSamples(self.reflectance[kept], self.n_pours[kept], batch, self.beer[batches], session)


def principal_axes(spectra: Floats, noise: Floats, n_axes: int) -> tuple[Floats, Floats]:
    """Return centre and principal axes of spectra, each channel in units of its noise."""
    # spectra (n, p), noise (p,) -> (p,), (p, r)
    centre = spectra.mean(axis=0)
    spread, directions = leading_axes_of((spectra - centre) / noise, n_axes)
    # axes beyond the rank are rounding; one axis always stays, so that identical spectra still have a distance (0)
    rank = max(1, int((spread > 1e-12 * spread[0]).sum()))
    directions = directions[:, :rank]
    # eigenvectors are free in sign; fixed here, so that every machine names the same direction positive
    largest = directions[np.abs(directions).argmax(axis=0), np.arange(rank)]
    return centre, directions * np.where(largest < 0, -1.0, 1.0) / noise[:, None]


def within_class_covariance(scores: Floats, samples: LabelledSamples, beer_scale: Floats | None = None) -> Floats:
    """Return the covariance of one sample about its beer, from batches about their beer and samples about their batch.

    Between batches: sum of squares of batch means about their beer over (batches - beers). Where a batch has s
    samples its mean holds only 1/s of the variance between samples; the rest is added from samples about their batch.
    """
    # scores (n_samples, a), beer_scale (n_beers,) -> (a, a)
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


def cholesky_factor(scatter: Floats, scores: Floats) -> Floats:
    """Return L, lower triangular, with L L' the scatter, lifted off zero by a part of the spread of all scores."""
    # scatter (a, a), scores (n, a) -> (a, a)
    floor = max(SCATTER_FLOOR * float(np.var(scores, axis=0).sum()), LEAST_VARIANCE)
    return np.asarray(np.linalg.cholesky(scatter + floor * np.eye(len(scatter))), float)


# rows that are scored at a time: their spectra stay in the processor's cache
ROWS = 128

# the most that pours may explain of the scatter of a sample: more would leave none for the batch itself
LARGEST_POUR_PART = 0.9


@dataclass(frozen=True)
class SpaceSettings:
    """What a metric is built on: a scale, the channels in use, how noisy each is, how pours scatter, how many axes."""

    scale: LogAbsorbance
    channels: Ints  # (p_used,): columns of the wavelengths used
    noise: Floats  # (p_used,): standard deviation of the noise of each channel, on the scale
    pour_covariance: Floats  # (p_used, p_used): of pours about their sample; zeros where every sample has one pour
    pour_dof: int  # degrees of freedom behind that covariance: pours less samples
    n_batches: int  # batches that the choice rests on
    n_components: int
    # held-out batches given to their own beer plus held-out beers refused; 0 where nothing could be held out
    merit: float
    # session, session_noise: (r, p_used), (p_used,): loadings and variances of what sessions add to the scatter of
    # samples and is not in it; empty where nothing is missing
    session: Floats
    session_noise: Floats

    def session_scatter(self, axes: Floats) -> Floats:
        """Return what sessions add to the scatter along axes, shape (a, a)."""
        # axes (p_used, a)
        if not self.session_noise.size:
            return np.zeros((axes.shape[1], axes.shape[1]))
        along = self.session @ axes
        return np.asarray(along.T @ along + (axes * self.session_noise[:, None]).T @ axes)


def session_residual(choice: SpaceSettings, plane: Floats) -> float:
    """Return what sessions add outside the axes on average, squared in units of noise."""
    # plane (p_used, a)
    loading, variance = choice.session / choice.noise, choice.session_noise / choice.noise**2
    along = loading @ plane
    inside = (along**2).sum() + (plane**2 * variance[:, None]).sum()
    return float(max(0.0, (loading**2).sum() + variance.sum() - inside))


def on_channels(choice: SpaceSettings, kept: Ints) -> SpaceSettings:
    """Keep a choice on some of its channels."""
    # kept (k,)
    return replace(
        choice,
        channels=choice.channels[kept],
        noise=choice.noise[kept],
        pour_covariance=choice.pour_covariance[np.ix_(kept, kept)],
        session=choice.session[:, kept] if choice.session_noise.size else choice.session,
        session_noise=choice.session_noise[kept] if choice.session_noise.size else choice.session_noise,
    )


@dataclass(frozen=True)
class Split:
    """Spectra in the metric and beside it."""

    scores: Floats  # (n, a)
    outside: Floats  # (n, p_used): in units of the noise of each channel


@dataclass(frozen=True)
class DiscriminantSpace:
    """A map from reflectance to scores in which the scatter of samples of one beer is the identity matrix."""

    scale: LogAbsorbance
    channels: Ints  # columns of the wavelengths used
    centre: Floats  # (p_used,)
    axes: Floats  # (p_used, a)
    noise: Floats  # (p_used,)
    plane: Floats  # (p_used, a): orthonormal directions that span the axes where channels count in units of their noise
    # (a,): variance between pours of one sample along each axis, in units of the scatter between samples
    pour_part: Floats
    # mean of 1/m over the fitted samples of m pours: the share of pour variance that the unit already holds
    per_pour: float
    dof: int  # degrees of freedom of the scatter: batches less beers
    carried: float  # trace of what sessions add to the scatter, which the fitted batches do not show

    def scores(self, reflectance: Floats) -> Floats:
        """Return scores, shape (n, a), of reflectance rows, shape (n, p)."""
        return self.scores_and_residual(reflectance)[0]

    def scores_and_residual(self, reflectance: Floats) -> tuple[Floats, Floats]:
        """Return scores, shape (n, a), and what is left outside the axes, squared in units of noise, shape (n,)."""
        n_axes = self.axes.shape[1]
        both, left = np.empty((len(reflectance), 2 * n_axes)), np.empty(len(reflectance))
        # in units of the noise only where squares are taken: the plane is counted in them beforehand
        onto, per_square = self._onto
        channels = slice(None) if self.channels.size == reflectance.shape[1] else self.channels
        for start in range(0, len(reflectance), ROWS):
            block = slice(start, start + ROWS)
            departures = self.scale.apply(reflectance[block, channels])
            departures -= self.centre
            np.matmul(departures, onto, out=both[block])
            departures *= departures
            left[block] = departures @ per_square
        left -= (both[:, n_axes:] ** 2).sum(axis=1)
        return both[:, :n_axes], np.maximum(left, 0.0)

    @cached_property
    def _onto(self) -> tuple[Floats, Floats]:
        return np.hstack([self.axes, self.plane / self.noise[:, None]]), self.noise**-2.0

    def split(self, reflectance: Floats) -> "Split":
        """Return scores and what is left outside the axes, channel by channel."""
        departures = self.scale.apply(reflectance[:, self.channels]) - self.centre
        counted = departures / self.noise
        return Split(departures @ self.axes, counted - (counted @ self.plane) @ self.plane.T)

    def scatter(self, n_pours: float) -> Floats:
        """Return the variance along each axis, shape (a,), of a sample of `n_pours` pours (1 at the fitted number)."""
        return 1.0 + (1.0 / n_pours - self.per_pour) * self.pour_part


@dataclass(frozen=True)
class Projection:
    """Samples on the principal axes of their batches."""

    centre: Floats  # (p_used,)
    axes: Floats  # (p_used, a)
    scores: Floats  # (n_samples, a)
    pours: Floats  # (a, a): covariance of pours along the axes
    session: Floats  # (a, a): what sessions add to the scatter along the axes


def project(choice: SpaceSettings, samples: LabelledSamples) -> Projection:
    """Take the principal axes of the batch means on the scale and channels of a choice."""
    spectra = choice.scale.apply(samples.reflectance[:, choice.channels])
    centre, axes = principal_axes(mean_by(spectra, samples.batch)[0], choice.noise, choice.n_components)
    pours = axes.T @ choice.pour_covariance @ axes
    return Projection(centre, axes, (spectra - centre) @ axes, pours, choice.session_scatter(axes))


def build_metric(choice: SpaceSettings, samples: LabelledSamples, projection: Projection) -> DiscriminantSpace:
    """Build the metric of a choice on samples; see `metric_and_scores`."""
    return metric_and_scores(choice, samples, projection)[0]


def metric_and_scores(
    choice: SpaceSettings, samples: LabelledSamples, projection: Projection, beer_scale: Floats | None = None
) -> tuple[DiscriminantSpace, Floats]:
    """Build the metric of a choice on samples, and return it with their scores, (n_samples, a).

    Principal axes are turned and scaled so that the scatter of samples is the identity: with W = L L' that scatter
    and S that of pours, axes are L^-T V, where V diagonalises L^-1 S L^-T. In them W and S are both diagonal, and a
    sample of any number of pours has its scatter in one line.
    """
    # beer_scale (n_beers,)
    axes, scores = projection.axes, projection.scores
    dof = samples.beer.size - samples.batches_per_beer.size
    # with one batch a beer nothing is known of scatter: plain distance, and `dof` 0 tells the caller
    scatter = within_class_covariance(scores, samples, beer_scale) if dof else np.eye(scores.shape[1])
    if dof:
        scatter = scatter + projection.session
    half = cholesky_factor(scatter, scores)
    pour_part, turn = all_axes(solve_lower(half, solve_lower(half, projection.pours).T))
    per_pour = float(np.mean(mean_by(1.0 / samples.n_pours, samples.batch)[0]))
    turn = solve_lower(half, turn, transposed=True)
    axes = axes @ turn
    carried = float(((projection.session @ turn) * turn).sum()) if dof else 0.0
    pour_part = np.clip(pour_part, 0.0, LARGEST_POUR_PART / per_pour)
    plane = projection.axes * choice.noise[:, None]
    metric = DiscriminantSpace(
        choice.scale, choice.channels, projection.centre, axes, choice.noise, plane, pour_part, per_pour, dof,
        carried,
    )  # fmt: skip
    return metric, scores @ turn
