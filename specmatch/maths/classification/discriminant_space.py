"""The metric of identity: scores in which scatter between batches of one beer is the unit; and how it is chosen."""

# A beer differs from itself, batch by batch, along a few directions (strength, shape, fill, glare): a departure along a
# direction in which batches never wander weighs most.
# A good metric keeps held-out batches with their beer and refuses beers that the house does not make. The second cannot
# be counted on the house's own beers as they stand, because they lie far apart in colour; so each beer is left out in
# turn, brewed stronger and weaker (Beer-Lambert) over the colours of the house, and must be refused by the others.

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.classification.sessions import SharedNoise
from specmatch.maths.spectra.noise import weighing_noise
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE, LogAbsorbance, on_scales
from specmatch.maths.statistics.levels import Levels, mean_by
from specmatch.maths.statistics.linear_algebra import all_axes, leading_axes_of, solve_lower
from specmatch.maths.statistics.robust import quantiles

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


def _within_class_covariance(scores: Floats, samples: LabelledSamples, beer_scale: Floats | None = None) -> Floats:
    """Return the covariance of a sample about its beer, from batches about their beer and samples about their batch."""
    # The mean of a batch of s samples holds only 1/s of the variance between samples; the rest is added from samples
    # about their batch.
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
    apart = scores - scores.sum(axis=0) / len(scores)
    floor = max(SCATTER_FLOOR * float((apart * apart).sum()) / len(scores), LEAST_VARIANCE)
    return np.asarray(np.linalg.cholesky(scatter + floor * np.eye(len(scatter))), float)


# rows that are scored at a time: their spectra stay in the processor's cache
BLOCK = 128

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
        for start in range(0, len(reflectance), BLOCK):
            block = slice(start, start + BLOCK)
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

    def split(self, reflectance: Floats) -> tuple[Floats, Floats]:
        """Return scores, (n, a), and what is left outside the axes in units of channels' noise, (n, p_used)."""
        departures = self.scale.apply(reflectance[:, self.channels]) - self.centre
        counted = departures / self.noise
        return departures @ self.axes, counted - (counted @ self.plane) @ self.plane.T

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


def metric_and_scores(
    choice: SpaceSettings, samples: LabelledSamples, projection: Projection, beer_scale: Floats | None = None
) -> tuple[DiscriminantSpace, Floats]:
    """Build the metric of a choice on samples, and return it with their scores, (n_samples, a)."""
    # With W = L L' the scatter of samples and S that of pours, axes are L^-T V, where V diagonalises L^-1 S L^-T. In
    # them W and S are both diagonal, and a sample of any number of pours has its scatter in one line.
    # beer_scale (n_beers,)
    axes, scores = projection.axes, projection.scores
    dof = samples.beer.size - samples.batches_per_beer.size
    # with one batch a beer nothing is known of scatter: plain distance, and `dof` 0 tells the caller
    scatter = _within_class_covariance(scores, samples, beer_scale) if dof else np.eye(scores.shape[1])
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


N_STRENGTHS = 7

# false reject rates over which refusal is averaged: the rates at which houses work, and a smoother figure than one
FALSE_REJECT_RATES = np.array([0.02, 0.05, 0.10])

# more brewed batches than this add time to the choice and nothing to its outcome
MOST_BREWED = 1000


def held_out_distance(within: Floats, per_beer: Floats, dof: Floats | float) -> Floats:
    """Return squared distance of each batch from its beer when the batch took no part in mean or scatter."""
    # Leaving out one of n batches moves their mean by -dev/(n-1) and takes n/(n-1) dev dev' from the sum of squares;
    # the Sherman-Morrison formula then gives the distance without another fit.
    # within (n_batches, ...), per_beer (n_batches, ...)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = per_beer / (per_beer - 1.0)
        left = 1.0 - ratio * within / dof
        # below this part the rest is rounding of a batch that has its direction to itself
        alone = left <= 1e-12
        distance = ratio * (dof - 1.0) / dof * within / np.where(alone, 1.0, left)
    return np.where(per_beer > 1, np.where(alone, np.inf, distance), np.nan)


def simulate_unknown_beers(samples: LabelledSamples) -> tuple[Floats, Ints]:
    """Return each batch at strengths over the colours of the house, or as it is where that means nothing; its beer."""
    # -> (n, p), (n,)
    # strength scales absorbance (Beer-Lambert), so a batch of strength s has reflectance R^s
    batch_spectra, _ = mean_by(samples.reflectance, samples.batch)
    spectra = np.maximum(batch_spectra, LEAST_REFLECTANCE)
    depth = -np.log10(spectra).mean(axis=1)
    # rows that are no fractions (a pipeline may hand over anything) or let through all light cannot be brewed stronger
    if batch_spectra.min() < -0.5 or batch_spectra.max() > 1.5 or depth.min() <= 0:
        return batch_spectra, samples.beer
    strengths = np.geomspace(depth.min(), depth.max(), N_STRENGTHS) / depth[:, None]
    thinned = slice(None, None, -(-strengths.size // MOST_BREWED))
    row, column = (index[thinned] for index in np.divmod(np.arange(strengths.size), N_STRENGTHS))
    return spectra[row] ** strengths[row, column][:, None], samples.beer[row]


def cross_validated_scores(
    scores: Floats, samples: LabelledSamples, brewed: Floats, brewed_beer: Ints, *, session: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return merit and margin of the first 1, 2, ... axes."""
    # Merit: held-out batches right plus held-out beers refused, as parts. Margin: mean logarithm of the squared
    # distance of held-out batches to the nearest other beer over that to their own; it still tells metrics apart that
    # make no mistake.
    # scores (n_samples, a), brewed (n, a), brewed_beer (n,), session (a, a) -> (a,), (a,)
    # session: what sessions add to the scatter of samples
    dof = samples.beer.size - samples.batches_per_beer.size
    # a lower triangle whitens the first axes without the later ones, so one serves every number of axes
    scatter = _within_class_covariance(scores, samples)
    half = cholesky_factor(scatter if session is None else scatter + session, scores)
    batch_means, _ = mean_by(solve_lower(half, scores.T).T, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    shrink = per_beer / (per_beer + 1.0)
    within = np.cumsum((batch_means - beer_means[samples.beer]) ** 2, axis=1)
    own = held_out_distance(within, per_beer[samples.beer].astype(float)[:, None], dof)
    judged = per_beer[samples.beer] > 1
    others = _to_other_beers(batch_means, beer_means, shrink, samples.beer)
    right = (own[judged] < others[judged]).mean(axis=0)
    nearest = _to_other_beers(solve_lower(half, brewed.T).T, beer_means, shrink, brewed_beer)
    limits = quantiles(own[judged].T, 1.0 - FALSE_REJECT_RATES)
    refused = (nearest.T[:, None] > limits.T[:, :, None]).mean(axis=(1, 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        margin = np.log(others[judged] / own[judged]).mean(axis=0)
    return right + refused, np.where(np.isnan(margin), -np.inf, margin)


def _to_other_beers(rows: Floats, beer_means: Floats, shrink: Floats, own_beer: Ints) -> Floats:
    """Squared distance to the nearest beer but the own one in the first 1, 2, ... axes, shape (n, a)."""
    # rows along the last axis, so that the least of a few beers is taken of long rows
    distance = np.empty(rows.shape[::-1])
    running = np.zeros((len(beer_means), len(rows)))
    running[own_beer, np.arange(len(rows))] = np.inf
    root = np.sqrt(shrink)[:, None]
    along, means, apart = rows.T.copy(), root * beer_means, np.empty_like(running)
    for axis, seen in enumerate(along):
        np.subtract(np.multiply(root, seen, out=apart), means[:, axis, None], out=apart)
        running += np.multiply(apart, apart, out=apart)
        np.min(running, axis=0, out=distance[axis])
    return distance.T


_OFFSETS, _DARKS = (0.03, 0.05, 0.08), (0.0, 0.03, 0.06, 0.10)
_LOGARITHMS = [LogAbsorbance("log_absorbance", offset, dark) for dark in _DARKS for offset in _OFFSETS]
SCALES = (LogAbsorbance("reflectance"), LogAbsorbance("absorbance"), *_LOGARITHMS)
# of rows of any liquid: as they are, or each freed of its own level and size
AS_GIVEN = (LogAbsorbance("reflectance"), LogAbsorbance("snv"))

# Axes that are tried freely, and at most: classes that lie close need many, beers need six.
MOST_COMPONENTS, MOST_AXES = 10, 30

# the name of the choice among those, and the channels that a row must have for its shape to mean anything
ROWS, FEWEST_FOR_SHAPE = "as_given", 8

# a set of one beer holds no other beer out; what served invented houses of twelve beers best then stands unchosen
ONE_BEER_SCALE, ONE_BEER_COMPONENTS = LogAbsorbance("log_absorbance", 0.03, 0.03), 6

# batches less beers behind each component, so that the F tail is short; and behind each axis at the least
DOF_PER_COMPONENT, DOF_PER_AXIS = 4, 1.6

# Axes beyond those must pay for themselves: by two standard errors of a share among so many batches.
STANDARD_ERRORS = 2.0

# ... and among many axes, merits that differ by less than one held-out batch are one merit: the wider margin decides.
TIE = 1.0

# more beers than this add time to the choice and nothing to its outcome
MOST_BEERS = 40


def select_space(
    samples: LabelledSamples,
    pours: Floats,
    levels: Levels,
    *,
    transform: str = "auto",
    n_components: int | None = None,
    shared: SharedNoise | None = None,
) -> SpaceSettings:
    """Try scales and numbers of components, and return the best."""
    # Among candidates of the same merit the first, which has the fewer components, is kept; many axes are taken only
    # where held-out batches and beers pay for them, as many as give the widest margin. Without any beer of two batches
    # nothing can be held out: all axes that the batches span are then kept, on the first scale.
    # pours (n_pours, p)
    scales = [scale for scale in SCALES if transform in ("auto", scale.transform)]
    if transform == ROWS:
        scales = list(AS_GIVEN[: 1 if samples.reflectance.shape[1] < FEWEST_FOR_SHAPE else None])
    dof = samples.beer.size - samples.batches_per_beer.size
    if not dof:
        n_all = n_components or len(samples.reflectance)
        return _with_pours(_on_scale(scales[0], samples, scales[0].apply(pours), levels, n_all, shared), pours, levels)
    most = n_components or int(np.clip(dof // DOF_PER_COMPONENT, 1, MOST_COMPONENTS))
    widest = most
    if transform == ROWS and n_components is None:
        # not of beers: many axes may follow the noise of a reference scan, which the batches of a session share
        widest = int(np.clip(dof / DOF_PER_AXIS, most, MOST_AXES))
    if samples.batches_per_beer.size == 1:
        scale = ONE_BEER_SCALE if transform == "auto" else scales[0]
        few_axes = int(np.clip(dof // 2, 1, ONE_BEER_COMPONENTS))
        choice = _on_scale(scale, samples, scale.apply(pours), levels, n_components or few_axes, shared)
        return _with_pours(choice, pours, levels)
    few = _manageable(samples)
    brewed, brewed_beer = simulate_unknown_beers(few)
    alike = TIE / few.beer.size
    tried: list[tuple[float, SpaceSettings]] = []
    of_each = (on_scales(scales, rows) for rows in (pours, few.reflectance, brewed))
    for scale, scaled_pours, spectra, unknown in zip(scales, *of_each, strict=True):
        choice = _on_scale(scale, samples, scaled_pours, levels, widest, shared)
        of_batches = mean_by(spectra, few.batch)[0]
        centre, axes = principal_axes(of_batches, choice.noise, widest)
        if shared is not None:
            beyond = shared.axes_beyond((of_batches - centre) @ axes, choice.noise, choice.session_noise)
            axes = axes[:, :beyond]
        known, foreign = (rows @ axes - centre @ axes for rows in (spectra, unknown))
        session = choice.session_scatter(axes)
        found, margin = cross_validated_scores(known, few, foreign, brewed_beer, session=session)
        n = found.size - 1 if n_components else int(found[:most].argmax())
        if n_components is None and found.max() > found[n] + STANDARD_ERRORS * np.sqrt(0.25 / few.beer.size):
            n = int(np.where(found >= found.max() - alike, margin, -np.inf).argmax())
        tried.append((float(margin[n]), replace(choice, n_components=n + 1, merit=float(found[n]))))
    best = max((choice for _, choice in tried), key=lambda choice: round(choice.merit, 9))
    if n_components is None and best.n_components > most:
        wide = [one for one in tried if one[1].n_components > most and one[1].merit >= best.merit - alike]
        best = max(wide, key=lambda one: one[0])[1]
    return _with_pours(best, pours, levels)


def _on_scale(
    scale: LogAbsorbance,
    samples: LabelledSamples,
    pours: Floats,
    levels: Levels,
    n_components: int,
    shared: SharedNoise | None,
) -> SpaceSettings:
    """All channels on one scale: noise from pours about their sample, else from samples about their beer."""
    # pours (n_pours, p), on the scale
    pour_dof = len(pours) - samples.n_pours.size
    noise = weighing_noise(pours, levels.sample if pour_dof else levels.codes("beer"))
    session, session_noise = np.zeros((0, 0)), np.zeros(0)
    if shared is not None:
        session, session_noise = shared.on_scale(scale)
        noise = np.sqrt(noise**2 + session_noise)
    channels, unknown = np.arange(noise.size), np.zeros((0, 0))
    return SpaceSettings(
        scale, channels, noise, unknown, pour_dof, samples.beer.size, n_components, 0.0, session, session_noise
    )


def _with_pours(choice: SpaceSettings, pours: Floats, levels: Levels) -> SpaceSettings:
    """Return the choice with the scatter of pours on its scale, which takes no part in choosing."""
    # pours (n_pours, p)
    deviations = levels.about_sample(choice.scale.apply(pours))
    return replace(choice, pour_covariance=deviations.T @ deviations / max(1, choice.pour_dof))


def _manageable(samples: LabelledSamples) -> LabelledSamples:
    """Return the samples of at most `MOST_BEERS` beers, spread evenly over those that have two batches or more."""
    per_beer = samples.batches_per_beer
    if per_beer.size <= MOST_BEERS:
        return samples
    depth = mean_by(samples.reflectance.mean(axis=1), samples.beer[samples.batch])[0]
    candidates = np.flatnonzero(per_beer > 1)
    ordered = candidates[np.argsort(depth[candidates], kind="stable")]
    beers = ordered[np.unique(np.linspace(0, ordered.size - 1, MOST_BEERS).round().astype(np.int64))]
    few = samples.part(np.flatnonzero(np.isin(samples.beer[samples.batch], beers)))
    return replace(few, beer=np.unique(few.beer, return_inverse=True)[1])
