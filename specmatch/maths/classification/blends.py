"""Two liquids in one cup: how much of another beer, or of water, is in a beer, and how little could be seen at all."""

# In the metric of identity a blend lies on the path from one beer to the other. Readings of it scatter as the batches
# of both beers do, each by its share of the absorbance there, and as pours do; beside that the law of the cup may be
# wrong. Blends of batches that were held out say how far all of this falls short.
# Samples over a changeover are read together. All packages after it are of one batch, so the scatter between batches,
# which rules what one sample can show, is common to them: the last ones stand for the new batch, only pours tell the
# others from them, and the part of the old beer only falls.

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc, ndtri, stdtrit

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.classification.beer_scatter import Beers, BeerScatter, fit_beers, own_covariances
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.classification.discriminant_space import DiscriminantSpace, LabelledSamples, SpaceSettings
from specmatch.maths.optics.cup import relative_absorbance
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import mean_by, place_within


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
) -> tuple[Ints, Mask]:
    """Blend samples with the neighbour of their beer and hold the blends against the claim."""
    # reflectance (n, p), n_pours, beer (n,) -> the neighbour of each, (n,); whether the blends are refused as the
    # sample's own beer, (n, len(fractions))
    neighbour = neighbours(fit)[beer]
    other = mean_spectra(fit.samples)[neighbour]
    blends, rows = (mixed_reflectance(reflectance, other, fraction) for fraction in fractions), np.arange(len(beer))
    held = [fit.match(blend, n_pours).p_value[rows, beer] <= rate for blend in blends]
    return neighbour, np.stack(held, axis=1)


# fractions at which scatter is worked out, and at which path and scatter are asked: closer where little is in
KNOTS, FRACTIONS = np.linspace(0.0, 1.0, 61) ** 2, np.linspace(0.0, 1.0, 301) ** 2
# of the limits, and how often a part as large as the smallest visible one is told from none
LEVEL, SEEN = 0.95, 0.98
# ratio of one misfit to the next of those at which it is worked out how little can be seen (cost against roundness)
MISFIT_STEP = 1.2
# readings drawn to find limits: at none, where they decide whether any is seen, and at every so-manieth of the
# fractions; smoothed over so many of those, limits along the path rest on four times as many (cost against certainty)
AT_NONE, DRAWN, EVERY, SMOOTHED = 2000, 100, 5, np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0
# weight of none's scatter over a blend's where the line that tells them apart is sought: doubts of a law are `FORM` of
# its standard deviations, at equal weight parts were stated a fifth larger than they need be (tuning)
NONE_WEIGHS = 10.0
# held-out blends, in folds of batches and of so many pairs of beers (cost against certainty), at
# fractions of 0.05, 0.1, 0.2, 0.35, 0.6 and 0.8 by their place among those asked; and how many readings of each are
# drawn to say what is usual
TRIED, MOST_FOLDS, MOST_PAIRS, USUAL = np.array([67, 95, 134, 177, 232, 268]), 8, 12, 16
# of the fractions, every so-manieth is asked whether it is visible
ASKED = 2
# light below which a dark beer's absorbance might as well be taken from its lighter channels
DIM = 0.1
# standard deviations of a law's numbers that stand for what no number of it says: a cup is of no law's form (tuning);
# and of what a beer without light is carried on by
FORM = 3.0
# light over the reference that may be none of a beer's at the most, and the share of channels with no more, from which
# on blends of it are drawn by the law alone (tuning)
LITTLE, WITHOUT_LIGHT = 0.03, 0.4
# absorbance of one crossing that is too weak to show how it falls with wavelength
WEAK = 0.05
# a channel that hardly answers to strength says little of the scatter there: it is taken as this part of the best
LEAST_ANSWER = 0.3


@dataclass(frozen=True)
class Blend:
    """The other liquid in a beer."""

    fraction: float  # fraction, low, high: most likely part of the other liquid by volume, and its interval, in [0, 1]
    low: float
    high: float
    smallest_visible: float  # part told from none in 98 of 100 readings; 1 where not even the pure other liquid is
    # how often a true blend lies as far from every blend as this sample: if small, it is no blend of these two
    p_value: float


@dataclass(frozen=True)
class BlendSpace:
    """Beers in a metric, and the law by which their light mixes."""

    metric: DiscriminantSpace
    beer_means: Floats  # (n_beers, a)
    scatter: BeerScatter
    own: Floats  # (n_beers, a, a): scatter of a sample of each beer, its direction too
    own_dof: Floats  # (n_beers,): degrees of freedom behind it, those borrowed from the other beers included
    shared: Floats  # (a, a): what batches of one session share, which moves the mean of their beer; 0 where they mix
    per_beer: Ints  # (n_beers,): batches
    spectra: Floats  # (n_beers, p): mean reflectance
    bend: float  # by how much beers' absorbance falls with wavelength unlike the average's; see `_bend_sd`
    wavelength_nm: Floats  # (p,)
    law: PathLaw


@dataclass(frozen=True)
class BlendPath:
    """Where blends lie and how readings of them scatter, at each of `FRACTIONS`."""

    scores: Floats  # (k, a)
    batches: Floats  # (k, a, a): covariance from batches and means
    doubts: Floats  # (k, a, a): covariance of what the law may be off by, alike for all readings
    pours: Floats  # (k, a): variance of one pour
    dof: float  # behind the scatter of batches, of the beer that is known least

    def scatter(self, n_pours: float) -> "Scatter":
        """Return the scatter of a reading of so many pours."""
        own = self.pours[:, :, None] * np.eye(self.pours.shape[1]) / n_pours
        # a trace keeps the covariance of a liquid without scatter (water) invertible
        return Scatter.of(self.batches + own + 1e-9 * np.eye(own.shape[1]), self.doubts)

    def wider(self, scale: float, dof: float = np.inf) -> "BlendPath":
        """Return the path with so many times the variance of readings, a number of so many degrees of freedom."""
        # relative variances of what a variance is made of add up; what is known of the law stays
        dof = 1.0 / (1.0 / self.dof + 1.0 / dof)
        return replace(self, batches=scale * self.batches, pours=scale * self.pours, dof=dof)


@dataclass(frozen=True)
class Scatter:
    """How readings scatter about a path."""

    half: Floats  # (k, a, a): Cholesky factor of the covariance, doubts of the law included
    inverse: Floats  # (k, a, a): of it
    # (k,): half the logarithm of the determinant of what differs from reading to reading. Doubts of the law are numbers
    # of which each fraction takes those that suit it best (a profile likelihood): no part is less likely for them
    log_size: Floats

    @classmethod
    def of(cls, covariance: Floats, doubts: Floats | float = 0.0) -> "Scatter":
        """Return the scatter of a covariance, (k, a, a), and doubts of the law beside it."""
        half = np.asarray(np.linalg.cholesky(covariance + doubts), float)
        return cls(half, np.linalg.inv(half), np.asarray(np.linalg.slogdet(covariance)[1] / 2.0, float))


def space_of(fit: ClassModel, law: PathLaw, wavelength_nm: Floats) -> BlendSpace:
    """Return the metric of a model with the law of its cup."""
    return _space(fit, fit.samples, fit.choice, law, wavelength_nm)


def _space(
    beers: Beers | ClassModel, samples: LabelledSamples, choice: SpaceSettings, law: PathLaw, nm: Floats
) -> BlendSpace:
    metric, per_beer, spectra = beers.metric, samples.batches_per_beer, mean_spectra(samples)
    own, dof = _own_scatter(metric, beers.scatter, samples)
    shared, bend = choice.session_scatter(metric.axes), _bend_sd(spectra, law, nm)
    return BlendSpace(metric, beers.beer_means, beers.scatter, own, dof, shared, per_beer, spectra, bend, nm, law)


def _own_scatter(metric: DiscriminantSpace, scatter: BeerScatter, samples: LabelledSamples) -> tuple[Floats, Floats]:
    """Return the scatter of each beer along the axes, (n_beers, a, a), in units of the pooled one, and its dof."""
    # two beers of one strength may wander in directions of their own, each with its malts
    a, dof = metric.axes.shape[1], np.asarray(samples.batches_per_beer - 1.0, float)
    if dof.sum() <= a:
        return scatter.scale[:, None, None] * np.eye(a), np.full(dof.size, max(dof.sum(), 1.0))
    of_batch = mean_by(metric.scores(samples.reflectance), samples.batch)[0]
    away = of_batch - mean_by(of_batch, samples.beer)[0][samples.beer]
    # what batch means lack of the scatter of a sample (mates, sessions) is taken as spread like what they show
    shrunk, prior = own_covariances(away, samples.beer, dof)
    return float(dof @ scatter.scale / dof.sum()) * shrunk, np.minimum(dof + prior, dof.sum())


@dataclass(frozen=True)
class DrawnByLaw:
    """What the law says of blends of two beers, on the scale of the metric: the same for all that fits axes to it."""

    path: Floats  # (k, p_used): at `FRACTIONS`
    moved: tuple[Floats, ...]  # (knots, p_used) for each beer: how a blend moves with what moves that beer alone
    doubts: Floats  # (d, knots, p_used): how the path would move, were the law otherwise


def draw_by_law(space: BlendSpace, base: int, other: int | None) -> DrawnByLaw:
    """Draw the path from a beer to another, or to water where `other` is None."""
    f, x, k = KNOTS[:, None], FRACTIONS[:, None], _ends(space, space.law, base, other)
    strength = np.maximum((1.0 - f) * k[0] + f * k[1], 1e-9)
    answer = np.abs(_answer(space, strength))

    def moved(share: Floats, end: int) -> Floats:
        # a relative change of the absorbance of one liquid moves the blend by its share of the absorbance there
        own = np.maximum(answer[end], LEAST_ANSWER * answer[end].max())
        return np.asarray((share * k[end] / strength)[:, space.metric.channels] * answer / own, float)

    # a path bends too much towards its far end to be drawn straight between knots; what scatters about it may be
    path = _on_scale(space, space.law.seen((1.0 - x) * k[0] + x * k[1]))
    both = (moved(1.0 - f, 0),) if other is None else (moved(1.0 - f, 0), moved(f, -1))
    return DrawnByLaw(path, both, _doubts_of_law(space, base, other))


def blend_path(space: BlendSpace, base: int, other: int | None, drawn: DrawnByLaw | None = None) -> BlendPath:
    """Return where blends of two beers, or of a beer and water, lie and how readings of them scatter."""
    metric, scale, drawn = space.metric, space.scatter.scale, drawn or draw_by_law(space, base, other)
    between = np.sqrt(1.0 - metric.per_pour * metric.pour_part)
    # the spectra, (p_used, a), that one unit of each score stands for
    counted = metric.plane.T @ (metric.noise[:, None] * metric.axes)
    lift = metric.noise[:, None] * metric.plane @ np.linalg.inv(counted).T
    batches, spread = np.zeros((KNOTS.size, len(between), len(between))), np.full(KNOTS.size, scale[base])
    if other is not None:
        spread = (1.0 - KNOTS) * scale[base] + KNOTS * scale[other]
    for moved, beer in zip(drawn.moved, (base, other), strict=False):
        J = (moved[:, None, :] * metric.axes.T) @ lift
        scatter = space.own[beer] * (np.outer(between, between) + 1.0 / space.per_beer[beer]) + space.shared
        batches = batches + J @ scatter @ J.transpose(0, 2, 1)
    x, scores = FRACTIONS[:, None], (drawn.path - metric.centre) @ metric.axes
    # the path starts and ends at the means of scores, from which mean spectra are a hair away
    scores = scores + (1.0 - x) * (space.beer_means[base] - scores[0])
    if other is not None:
        scores = scores + x * (space.beer_means[other] - scores[-1])
    dof = float(space.own_dof[[base] if other is None else [base, other]].min())
    wrong = drawn.doubts @ metric.axes
    doubts = np.einsum("dka,dkb->kab", wrong, wrong)
    batches, doubts, pours = (_between_knots(one) for one in (batches, doubts, spread[:, None] * metric.pour_part))
    return BlendPath(scores, batches, doubts, pours, dof)


def _on_scale(space: BlendSpace, reflectance: Floats) -> Floats:
    return np.asarray(space.metric.scale.apply(reflectance[:, space.metric.channels]), float)


def _between_knots(values: Floats) -> Floats:
    """Return values at `FRACTIONS`, straight between those at `KNOTS`."""
    at = np.clip(np.searchsorted(KNOTS, FRACTIONS) - 1, 0, KNOTS.size - 2)
    t = ((FRACTIONS - KNOTS[at]) / (KNOTS[at + 1] - KNOTS[at])).reshape(-1, *(1,) * (values.ndim - 1))
    return np.asarray((1.0 - t) * values[at] + t * values[at + 1], float)


def _ends(space: BlendSpace, law: PathLaw, base: int, other: int | None) -> Floats:
    """Return what one crossing of the pure liquids takes, shape (2, p)."""
    k = law.absorbed(space.spectra[[base, base if other is None else other]], space.wavelength_nm)
    if other is None:
        k[1] = 0.0
    return k


def _answer(space: BlendSpace, absorbed: Floats) -> Floats:
    """Return by how much the scale of the metric moves per relative change of absorbance, (k, p_used)."""
    step = 1e-3
    up, down = (_on_scale(space, space.law.seen(absorbed * np.exp(side))) for side in (step, -step))
    return np.asarray((up - down) / (2.0 * step), float)


def _doubts_of_law(space: BlendSpace, base: int, other: int | None) -> Floats:
    """Return how a path would move, (d, knots, p_used), if law, dark channels or light beside it were otherwise."""
    f, law = KNOTS[:, None], space.law

    def drawn(by: PathLaw, k: Floats) -> Floats:
        return _on_scale(space, by.seen((1.0 - f) * k[0] + f * k[1]))

    pure = _ends(space, law, base, other)
    moved, here = [], drawn(law, pure)
    for low, high in law.unlike():
        apart = drawn(high, _ends(space, high, base, other)) - drawn(low, _ends(space, low, base, other))
        moved.append(FORM * apart)
    # what each end may be off by on its own; water has nothing to be off by
    rows = space.spectra[[base, base if other is None else other]]
    span = np.linspace(-1.0, 1.0, rows.shape[1])
    doubt = np.where(without_light(law, rows) < WITHOUT_LIGHT, 1.0, FORM)
    for end in (0,) if other is None else (0, 1):
        row = rows[end : end + 1]
        taken = [law.absorbed(row + law.unsure * tilt, space.wavelength_nm) for tilt in (np.ones(span.size), span)]
        taken.append(law.absorbed(row, space.wavelength_nm, least=DIM))
        taken.append(law.absorbed(row, space.wavelength_nm, bend=space.bend))
        for one in taken:
            k = pure.copy()
            k[end] = one[0]
            moved.append(doubt[end] * (drawn(law, k) - here))
    # both ends were measured: only what lies between them is drawn by the law
    return np.array([one - (1.0 - f) * one[0] - f * one[-1] for one in moved])


def without_light(law: PathLaw, spectra: Floats) -> Floats:
    """Return the share of channels in which beers leave next to no light of their own, (n,)."""
    # spectra (n, p)
    through = law.through(spectra)
    # what comes back alike of all channels in which a beer is darkest never passed it
    rest = np.clip(2.0 * np.quantile(through, 0.1, axis=1, keepdims=True), 2.0 * law.unsure, LITTLE)
    return np.asarray((through < rest).mean(axis=1), float)


def _bend_sd(spectra: Floats, law: PathLaw, nm: Floats) -> float:
    """Return by how much beers' absorbance falls with wavelength unlike the average's, in its logarithm per 100 nm."""
    bright = law.through(spectra) >= DIM
    bend = []
    for k, light in zip(law.absorbed(spectra, nm), bright, strict=True):
        used = light & (k > WEAK)
        if used.sum() >= 3:
            bend.append(np.polyfit(nm[used] / 100.0, np.log(k[used] / relative_absorbance(nm[used])), 1)[0])
    return float(np.sqrt(np.mean(np.square(bend)))) if bend else 0.0


def likelihood(path: BlendPath, scores: Floats, scatter: Scatter) -> tuple[Floats, Floats]:
    """Return log likelihoods of readings at every fraction of a path, and squared distances in units of scatter."""
    # scores (n, a) -> (n, k), (n, k)
    # (k, a, a) @ (k, a, n): small products of matrices, many times faster than one sum over four indices
    squared = ((scatter.inverse @ (scores.T - path.scores[:, :, None])) ** 2).sum(axis=1).T
    return -scatter.log_size - 0.5 * squared, squared


def limits(path: BlendPath, scatter: Scatter) -> Floats:
    """Return how far twice the log likelihood of each fraction may lie below the largest, (k,), at `LEVEL`."""
    # Readings are drawn at fractions along the path, as a multivariate t about it, and what holds the stated part of
    # them is the limit there: G. J. Feldman, R. D. Cousins, Physical Review D 57:3873-3889, 1998 (from memory). A
    # reading that scatters beyond an end is likeliest at that end, where less would do: Student's t squared is allowed
    # at the least, as few batches tell scatter too small. Doubts that one fraction has and another has not suit more
    # readings.
    rng, places = np.random.default_rng(0), np.arange(0, FRACTIONS.size, EVERY)
    found = []
    for place in places.tolist():
        drawn = _drawn(path, scatter, place, DRAWN if place else AT_NONE, rng)
        found.append(np.quantile(_ratio(path, scatter, drawn, place), LEVEL))
    beyond = np.pad(found, SMOOTHED.size // 2, mode="edge")
    smooth = np.append(found[0], np.convolve(beyond, SMOOTHED, "valid")[1:])
    at_least = float(stdtrit(path.dof, (1.0 + LEVEL) / 2.0)) ** 2
    return np.maximum(np.interp(np.arange(FRACTIONS.size), places, smooth), at_least)


def _drawn(path: BlendPath, scatter: Scatter, place: int, n: int, rng: np.random.Generator) -> Floats:
    """Draw readings of one fraction, (n, a)."""
    z = rng.standard_normal((n, path.scores.shape[1])) * np.sqrt(path.dof / rng.chisquare(path.dof, n))[:, None]
    return np.asarray(path.scores[place] + z @ scatter.half[place].T, float)


def _ratio(path: BlendPath, scatter: Scatter, scores: Floats, place: Ints | int) -> Floats:
    """Return twice the log likelihood ratio of readings at the truth over their misfit, (n,)."""
    # scores (n, a), place (n,) or one for all
    (log, squared), each = likelihood(path, scores, scatter), np.arange(len(scores))
    best = log.argmax(axis=1)
    off = misfit(squared[each, best], path.dof, max(1, scores.shape[1] - 1))
    return np.asarray(2.0 * (log[each, best] - log[each, place]) / off, float)


def smallest_visible(path: BlendPath, scatter: Scatter, limit: float, wider: float = 1.0) -> float:
    """Return the fraction from which on a reading is told from none, as `SEEN` says; 1 where there is none."""
    # limit: of none, of twice the log likelihood ratio over the misfit; wider: that of the reading
    # along the line that tells a blend from none best where their scatter differs (T. W. Anderson, R. R. Bahadur,
    # Annals of Mathematical Statistics 33:420-431, 1962, from memory): the law's doubts make no reading unlike none
    moved_on = (path.scores - path.scores[0])[:, :, None]
    covariance = scatter.half @ scatter.half.transpose(0, 2, 1)
    away = np.linalg.solve(NONE_WEIGHS * covariance[0] + covariance, moved_on)[:, :, 0]
    moved = np.einsum("kab,kb->ka", covariance, away)
    sd = np.sqrt(np.maximum((away * moved).sum(axis=1), 1e-18))
    asked = FRACTIONS[::ASKED]
    seen = np.ones(asked.size, bool)
    for z in np.sqrt(wider) * np.linspace(-float(stdtrit(path.dof, SEEN)), 0.0, 7):
        log, _ = likelihood(path, (path.scores + z * moved / sd[:, None])[::ASKED], scatter)
        seen &= 2.0 * (log.max(axis=1) - log[:, 0]) > wider * limit
    last = int(np.flatnonzero(~seen).max(initial=0))
    return float(asked[last + 1]) if last + 1 < asked.size else 1.0


def misfit(least_squared: Floats, dof: float, n_free: int) -> Floats:
    """Return by how much the variance along a path exceeds what is said, where readings lie far off it; 1 or more."""
    # Scatter whose size so few batches tell is a multivariate t: it has this variance along the path where the `n_free`
    # directions off it are known to hold so much (P. Ding, The American Statistician 70:293-295, 2016; from memory). A
    # reading that lies near the path by luck says nothing against the limits.
    return np.maximum(1.0, (dof + least_squared) / (dof + n_free))


def estimate_blends(path: BlendPath, scores: Floats, n_pours: Ints) -> list[Blend]:
    """Estimate the part of the other liquid in readings."""
    # the interval holds the fractions whose twice log likelihood lies within the misfit times `limits` of the largest
    # scores (n, a), n_pours (n,)
    found: dict[int, Blend] = {}
    free = max(1, scores.shape[1] - 1)
    for m in np.unique(n_pours):
        scatter, rows = path.scatter(float(m)), np.flatnonzero(n_pours == m)
        limit = limits(path, scatter)
        logs, squared = likelihood(path, scores[rows], scatter)
        least = squared[np.arange(rows.size), logs.argmax(axis=1)]
        off = misfit(least, path.dof, free)
        # what a reading can show is worked out for the next larger of few misfits
        near = MISFIT_STEP ** np.ceil(np.log(off) / np.log(MISFIT_STEP) - 1e-9)
        seen = {over: smallest_visible(path, scatter, float(limit[0]), over) for over in set(near)}
        for row, log, closest, over, step in zip(rows.tolist(), logs, least, off, near, strict=True):
            best, visible = int(log.argmax()), seen[step]
            within = FRACTIONS[2.0 * (log[best] - log) <= limit * over]
            p = float(fdtrc(free, path.dof, closest / free))
            found[row] = Blend(float(FRACTIONS[best]), float(within[0]), float(within[-1]), visible, p)
    return [found[row] for row in range(len(scores))]


def held_out_scale(fit: ClassModel, space: BlendSpace, base: int, other: int | None) -> tuple[float, float]:
    """Return the scatter of blends of batches held out, as a variance, over what the path says; and its dof."""
    # Batches of every beer, or sessions, are held out in folds, metric and means learnt from the rest, for the pairs of
    # beers that lie most like the asked one. Their mean is taken: a high quantile of so few batches is that of the one
    # that lies farthest out.
    samples, ratios = fit.samples, np.zeros((fit.samples.beer.size, 2))
    rng = np.random.default_rng(0)
    # batches that share their session with those that they are held against lie too near
    shared = np.unique(samples.session).size < samples.session.size
    # sessions of which none holds two beers of a pair leave no blend: batches are held out one by one then
    for folds in (*([samples.session] if shared else []), place_within(samples.beer)):
        parts = _held_out_parts(fit, space, folds)
        for one, two in _pairs_like(space, base, other) if parts else ():
            # the law's own work is the same in each fold: what a batch does to the mean spectrum bends no path
            drawn = draw_by_law(space, one, two)
            for held_out, part in parts:
                ratios += _held_out_ratios(part, samples, held_out, (one, two), drawn, rng)
        if ratios[:, 0].any():
            break
    seen, usual = ratios.sum(axis=0)
    if seen <= 0.0:
        return 1.0, np.inf
    # all blends of a batch are one fact, and one batch alone does not tell how far such facts scatter
    alone = np.count_nonzero(ratios[:, 1]) == 1
    dof = 1.0 if alone else 2.0 * seen**2 / ((ratios[:, 0] - seen / usual * ratios[:, 1]) ** 2).sum()
    # what few batches teach fits them too well: those held out lie nearer by chance, or where they share a session
    return max(1.0, float(seen / usual)), float(dof)


def _held_out_parts(fit: ClassModel, space: BlendSpace, fold: Ints) -> list[tuple[Mask, BlendSpace]]:
    """Return what is held out, (n_batches,), and what the rest teaches, where that still holds every beer."""
    samples, parts = fit.samples, []
    fold = fold % min(samples.batches_per_beer.max(), MOST_FOLDS)
    for out in np.unique(fold):
        kept = np.flatnonzero(fold[samples.batch] != out)
        if np.unique(samples.beer[samples.batch[kept]]).size == samples.batches_per_beer.size:
            rest = samples.part(kept)
            beers = fit_beers(rest, fit.choice)
            parts.append((fold == out, _space(beers, rest, fit.choice, space.law, space.wavelength_nm)))
    return parts


def _pairs_like(space: BlendSpace, base: int, other: int | None) -> list[tuple[int, int | None]]:
    n = len(space.beer_means)
    if other is None:
        return [(beer, None) for beer in range(n)]
    apart = np.log(np.linalg.norm(space.beer_means[:, None] - space.beer_means, axis=2) + 1e-9)
    pairs = [(i, j) for i in range(n) for j in range(n) if i != j]
    pairs.sort(key=lambda pair: abs(apart[pair] - apart[base, other]))
    return list(pairs[:MOST_PAIRS])


def _through_law(space: BlendSpace, reflectance: Floats) -> tuple[Floats, Floats]:
    """Return what one crossing takes of spectra, and the scores that the law leaves out of them."""
    k = space.law.absorbed(reflectance, space.wavelength_nm)
    return k, space.metric.scores(reflectance) - space.metric.scores(space.law.seen(k))


def _held_out_ratios(
    space: BlendSpace,
    samples: LabelledSamples,
    out: Mask,
    pair: tuple[int, int | None],
    drawn: DrawnByLaw,
    rng: np.random.Generator,
) -> Floats:
    """Return sums of twice the log likelihood ratio at the truth of blends of held-out batches; and the usual ones."""
    # -> (n_batches, 2)
    base, other = pair
    bases = np.flatnonzero(out & (samples.beer == base))
    others = bases if other is None else np.flatnonzero(out & (samples.beer == other))
    sums = np.zeros((samples.beer.size, 2))
    if not bases.size or not others.size:
        return sums
    path, law, x = blend_path(space, base, other, drawn), space.law, FRACTIONS[TRIED][:, None]
    first = np.array([np.flatnonzero(samples.batch == batch)[0] for batch in range(samples.beer.size)])
    rows = samples.reflectance[first[bases]]
    mates = np.ones_like(rows) if other is None else samples.reflectance[first[np.resize(others, bases.size)]]
    k, kept = _through_law(space, rows)
    mate, kept_of_mate = _through_law(space, mates)
    if other is None:
        mate, kept_of_mate = np.zeros_like(k), np.zeros_like(kept)
    m = float(np.mean(samples.n_pours[first[bases]]))
    blends = law.seen((1.0 - x) * k[:, None, :] + x * mate[:, None, :])
    scores = space.metric.scores(blends.reshape(-1, k.shape[1])).reshape(bases.size, TRIED.size, -1)
    # as the path does, blends keep what their parts have beside the law
    scores = scores + (1.0 - x) * kept[:, None, :] + x * kept_of_mate[:, None, :]
    # a blend of two means has less of the scatter of pours than a blend that was poured: the rest is drawn
    held = (1.0 - x) ** 2 + (0.0 if other is None else x**2)
    missing = np.sqrt((1.0 - held) * space.metric.pour_part / m * space.scatter.scale[base])
    scores = (scores + missing * rng.standard_normal(scores.shape)).reshape(bases.size * TRIED.size, -1)
    scatter = path.scatter(m)
    sums[bases, 0] = _ratio(path, scatter, scores, np.tile(TRIED, bases.size)).reshape(bases.size, -1).sum(axis=1)
    # the law mixes the blends: they do not scatter as it may be off
    sure = replace(path, doubts=np.zeros_like(path.doubts)).scatter(m)
    usual = np.vstack([_drawn(path, sure, place, USUAL, rng) for place in TRIED.tolist()])
    sums[bases, 1] = TRIED.size * _ratio(path, scatter, usual, np.repeat(TRIED, USUAL)).mean()
    return sums


# samples at the end that must stand for the new beer, and the fewest that make a series
FEWEST_LAST, FEWEST = 3, 5
# what the last samples hold is no new batch only where one in a hundred of those would lie as far out, not one in 20
SURE = float(ndtri(0.99) / ndtri(LEVEL)) ** 2
# least variance of a pour in units of the scatter of batches: an axis without any would own the answer
LEAST_POURS = 0.01


@dataclass(frozen=True)
class SeriesReading:
    """A series of samples over a changeover."""

    fractions: Floats  # (n,): part of the other liquid, never rising, over what the last samples hold
    first: int | None  # from which sample on no more than the smallest visible part is in; None where none is found
    smallest_visible: float
    left: float  # least part of the other liquid that the last samples hold by the set's own batches; 0 where none
    settled: bool  # whether enough samples stand at the end that no longer fall


def falling(values: Floats) -> Floats:
    """Return the least-squares fit that never rises, by pooling neighbours that do."""
    # M. Ayer et al., Annals of Mathematical Statistics 26:641-647, 1955
    blocks: list[tuple[float, int]] = []
    for value in values.tolist():
        mean, size = value, 1
        while blocks and blocks[-1][0] < mean:
            before, n = blocks.pop()
            mean, size = (mean * size + before * n) / (size + n), size + n
        blocks.append((mean, size))
    return np.repeat([mean for mean, _ in blocks], [size for _, size in blocks])


def read_series(path: BlendPath, scores: Floats, n_pours: Ints, *, pours_known: bool) -> SeriesReading:
    """Read samples in the order taken."""
    # scores (n, a), n_pours (n,); pours_known: whether the set has several pours of a sample to learn their scatter
    n, m = len(scores), float(np.median(n_pours))
    start = n - max(FEWEST_LAST, n // 4)
    fractions, visible, first = np.empty(0), 1.0, None
    for _ in range(2):
        moved, scatter = _from_last(path, scores[start:], m, pours_known)
        best = FRACTIONS[likelihood(moved, scores, scatter)[0].argmax(axis=1)]
        visible = smallest_visible(moved, scatter, float(ndtri((1.0 + LEVEL) / 2.0) ** 2))
        fractions = falling(best)
        under = np.flatnonzero(fractions <= visible)
        first = int(under[0]) if under.size else None
        if first is None or n - first - 1 < FEWEST_LAST:
            break
        start = first + 1
    settled = first is not None and n - first >= FEWEST_LAST
    last, of = scores[start:].mean(axis=0)[None, :], np.array([int(m * (n - start))])
    whole = estimate_blends(path.wider(SURE), last, of)[0]
    return SeriesReading(fractions, first if settled and whole.low <= 0.0 else None, visible, whole.low, settled)


def _from_last(path: BlendPath, last: Floats, m: float, pours_known: bool) -> tuple[BlendPath, Scatter]:
    """Return the path from the mean of the last samples on, and the scatter of a sample about it."""
    base = (1.0 - FRACTIONS)[:, None]
    moved = replace(path, scores=path.scores + base * (last.mean(axis=0) - path.scores[0]))
    if not pours_known:
        return moved, path.scatter(m)
    pour = np.maximum(path.pours, LEAST_POURS) / m
    return moved, Scatter.of((pour * (1.0 + base**2 / len(last)))[:, :, None] * np.eye(pour.shape[1]))
