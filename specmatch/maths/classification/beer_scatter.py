"""Means and scatter of the beers in their metric, fitted on all batches, and on all but some to judge those."""

# Scatter of single beers is told apart only as far as data allow: one beer that wanders more than the rest must neither
# be held for it nor blamed on the rest.

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import chdtrc, gammaln, polygamma, psi

from specmatch.array_types import Floats, Ints
from specmatch.maths.classification.discriminant_space import (
    DiscriminantSpace,
    LabelledSamples,
    SpaceSettings,
    metric_and_scores,
    project,
)
from specmatch.maths.statistics.levels import mean_by, place_within

# fewer batches than this and the scatter of a beer is all but borrowed from the others
BATCHES_FOR_OWN_SCATTER = 4
# more prior degrees of freedom than this and the beers are alike for every purpose
MOST_PRIOR_DOF = 1e6
# own scatter is given up to this p-value of "all alike": an extra parameter a beer must be worth its uncertainty
_UNALIKE = 0.05


@dataclass(frozen=True)
class BeerScatter:
    """Variance of each beer over the pooled one."""

    scale: Floats  # (n_beers,): own variance drawn towards the common one
    dof: Floats  # (n_beers,): degrees of freedom behind `scale`, those borrowed from the other beers included
    prior_dof: float  # how much the beers vouch for one another: infinite where they are alike
    alike_p_value: float  # of the hypothesis that all beers scatter alike (1 where it cannot be tested)
    # (n_beers,): over how many axes the beer's scatter spreads evenly: all of them where beers are alike
    axes_worth: Floats
    # (n_beers, a, a): turns departures from each beer to axes along which it scatters evenly; empty where all are alike
    turn: Floats = field(default_factory=lambda: np.zeros((0, 0, 0)))

    def turned(self, departures: Floats, beer: Ints | slice | int = slice(None)) -> Floats:
        """Return departures, shape (..., a), from beers along axes of their own."""
        return np.einsum("...a,...ab->...b", departures, self.turn[beer]) if self.turn.size else departures

    def back(self, steps: Floats, beer: int) -> Floats:
        """Return steps along the axes of a beer, shape (..., a), as departures from it."""
        return steps @ np.linalg.inv(self.turn[beer]) if self.turn.size else steps

    @property
    def log_density(self) -> Floats | float:
        """Logarithm of how much denser each beer lies, (n_beers,), than one of the same variance along its axes."""
        return np.asarray(np.linalg.slogdet(self.turn)[1]) if self.turn.size else 0.0


def shrink_variances(variance: Floats, dof: Floats, *, unalike: float = _UNALIKE) -> tuple[Floats, float, float]:
    """Draw the variances of beers towards a common one, by as much as they resemble one another."""
    # variances drawn from a scaled inverse chi-squared distribution, its two parameters by mean and variance of their
    # logarithms: G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3(1):3, 2004, section 6.2
    # (formulas from memory); the test compares the logarithms with the spread they would have alone
    # variance (n_beers,), dof (n_beers,) -> (n_beers,)
    known = (dof > 0) & (variance > 0)
    if known.sum() < 2:
        centre = float(variance[known][0]) if known.any() else 1.0
        return np.full(dof.size, centre), np.inf, 1.0
    half = dof[known] / 2.0
    logs = np.log(variance[known]) - psi(half) + np.log(half)
    own_spread = polygamma(1, half)
    centre = np.average(logs, weights=1.0 / own_spread)
    departures = float(((logs - centre) ** 2 / own_spread).sum())
    alike = float(chdtrc(known.sum() - 1, departures))
    excess = float(logs.var(ddof=1) - own_spread.mean())
    prior = 2.0 * _inverse_trigamma(excess) if excess > 0 and alike < unalike else np.inf
    if prior > MOST_PRIOR_DOF:
        # alike: the plain pooled mean square is the best estimate of the one variance there is
        pooled = float((variance[known] * dof[known]).sum() / dof[known].sum())
        return np.full(dof.size, pooled), np.inf, alike
    common = float(np.exp(logs.mean() + psi(prior / 2.0) - np.log(prior / 2.0)))
    own = np.where(known, dof, 0.0)
    return (prior * common + own * np.where(known, variance, 0.0)) / (prior + own), prior, alike


def shrink_class_variances(
    departures: Floats, beer: Ints, *, unalike: float = _UNALIKE, carried: float = 0.0
) -> BeerScatter:
    """Learn the variance of each beer from the departures of its batches from its mean."""
    # One batch is worth all a axes to the variance of its beer if its departures are normal, and fewer where a few
    # batches lie far out. Where beers are not alike, a beer's sum over axes is taken as chi-squared on tr(C)^2 /
    # tr(C^2) axes (G. E. P. Box, Annals of Mathematical Statistics 25:290-302, 1954), with tr(C^2) freed of its bias at
    # few batches.
    # departures (n_batches, a), beer (n_batches,)
    # carried: variance, over all axes, that the departures of every beer lack
    n_axes, per_beer = departures.shape[1], np.bincount(beer).astype(float)
    within = (departures**2).sum(axis=1)
    own_dof = per_beer - 1.0
    seen = np.bincount(beer, within).astype(float)
    sums = seen + carried * own_dof
    variance = sums / (n_axes * np.maximum(own_dof, 1.0))
    worth = np.full(per_beer.size, _worth_of_a_batch(within, beer, per_beer, seen, n_axes))
    _, prior_dof, alike = shrink_variances(variance, worth * own_dof, unalike=unalike)
    as_one = _as_one(float(sums.sum() / (n_axes * own_dof.sum())) or 1.0, per_beer.size, n_axes, alike)
    if np.isinf(prior_dof):
        return as_one
    products = np.zeros((per_beer.size, n_axes, n_axes))
    np.add.at(products, beer, departures[:, :, None] * departures[:, None, :])
    squares = (products**2).sum(axis=(1, 2))
    told = (per_beer >= BATCHES_FOR_OWN_SCATTER) & (seen > 0)
    d = np.where(told, own_dof, 2.0)
    unbiased = (squares - seen**2 / d) / ((d - 1.0) * (d + 2.0))
    even = np.where(told, (seen / d) ** 2 / np.maximum(unbiased, np.finfo(float).tiny), n_axes)
    axes_worth = np.clip(even, 1.0, n_axes)
    worth = np.minimum(worth, axes_worth)
    scale, prior_dof, alike = shrink_variances(variance, worth * own_dof, unalike=unalike)
    if np.isinf(prior_dof):
        return as_one
    return BeerScatter(scale, prior_dof + worth * own_dof, prior_dof, alike, axes_worth)


def _as_one(scale: float, n_beers: int, n_axes: int, alike_p_value: float) -> BeerScatter:
    """Return the scatter of beers that are alike."""
    each = np.ones(n_beers)
    return BeerScatter(scale * each, np.inf * each, np.inf, alike_p_value, n_axes * each)


# beers this part of all beers' standard deviation apart in strength scatter much alike (tuning)
LIKE = 0.4
# prior degrees of freedom that are tried, beyond those an expected covariance asks for; at the last, beers are alike
PRIOR_DOFS = np.geomspace(1.0, 1024.0, 21)


def shrink_covariances(products: Floats, dof: Floats, near: Floats | None = None) -> tuple[Floats, float]:
    """Draw the covariances of beers towards the common one, and return them with the likeliest prior dof."""
    # near (b, b): what each beer counts in the covariance of another; itself alone unless given
    # drawn from an inverse Wishart distribution about the pooled one: C. F. Chen, Journal of the Royal Statistical
    # Society B 41:235-248, 1979 (from memory)
    # products (b, a, a): sums of squares and products about the mean of each beer, dof (b,) -> (b, a, a)
    b, a = products.shape[:2]
    pooled = products.sum(axis=0) / dof.sum()
    # determinants over that of the pooled one, by eigenvalues; multivariate gamma functions by their factors
    still = (1e-15 * np.trace(pooled) + np.finfo(float).tiny) * np.eye(a)  # where nothing scatters along an axis
    spread = np.maximum(np.linalg.eigvals(np.linalg.solve(pooled + still, products)).real, 0.0)
    more = PRIOR_DOFS[:, None]
    prior, halves = more + a + 1.0, np.arange(a) / 2.0
    whole = np.log(more[:, :, None] + spread).sum(axis=2)
    log = b * prior[:, 0] * a * np.log(PRIOR_DOFS) / 2.0 - ((prior + dof) * whole).sum(axis=1) / 2.0
    log += gammaln((prior + dof)[:, :, None] / 2.0 - halves).sum(axis=(1, 2)) - b * gammaln(prior / 2.0 - halves).sum(
        axis=1
    )
    best = float(PRIOR_DOFS[log.argmax()])
    if best >= PRIOR_DOFS[-1]:
        return np.broadcast_to(pooled, products.shape).copy(), np.inf
    if near is not None:
        products, dof = np.einsum("kj,jab->kab", near, products), near @ dof
    return (best * pooled + products) / (best + dof)[:, None, None], best


def own_covariances(departures: Floats, beer: Ints, dof: Floats, near: Floats | None = None) -> tuple[Floats, float]:
    """Return the covariance of each beer in units of the pooled one, (n_beers, a, a), and the prior dof behind them."""
    # departures (n_batches, a), beer (n_batches,), dof (n_beers,)
    a = departures.shape[1]
    pooled = departures.T @ departures / dof.sum()
    root = np.linalg.cholesky(pooled + 1e-9 * (np.trace(pooled) or 1.0) * np.eye(a))
    alike = np.linalg.solve(root, departures.T).T
    products = np.zeros((dof.size, a, a))
    np.add.at(products, beer, alike[:, :, None] * alike[:, None, :])
    return shrink_covariances(products, dof, near)


def _with_shapes(scatter: BeerScatter, departures: Floats, beer: Ints, place: Floats) -> BeerScatter:
    """Let the scatter of each beer run along axes of its own, learnt from beers of like strength too."""
    # a covariance that changes with where a beer lies, by kernel weights: J. Yin, Z. Geng, R. Li, H. Wang, Statistica
    # Sinica 20:469, 2010 (from memory)
    # departures (n_batches, a), place (n_beers,): along the axis in which beers differ most
    dof = np.asarray(np.bincount(beer) - 1.0, float)
    if dof.sum() <= departures.shape[1] or not departures.any():
        return scatter
    near = np.exp(-0.5 * ((place[:, None] - place) / (LIKE * place.std() or 1.0)) ** 2)
    covariance, prior = own_covariances(departures / np.sqrt(scatter.scale)[beer][:, None], beer, dof, near)
    if np.isinf(prior):
        return scatter
    # laid out as a loaded model has it, so that both add up in one order
    turn = np.ascontiguousarray(np.linalg.inv(np.linalg.cholesky(covariance)).transpose(0, 2, 1))
    known = np.minimum(scatter.dof, prior + near @ dof)
    return replace(scatter, dof=known, axes_worth=np.full(dof.size, float(departures.shape[1])), turn=turn)


def _worth_of_a_batch(within: Floats, beer: Ints, per_beer: Floats, sums: Floats, n_axes: int) -> float:
    n = per_beer[beer]
    # two or three batches share their mean so closely that their distances hardly differ, whatever the tails
    told = (n >= BATCHES_FOR_OWN_SCATTER) & (sums[beer] > 0)
    if not told.any():
        return float(n_axes)
    relative = within[told] * n[told] / sums[beer][told] - 1.0
    spread = float((relative**2).sum() / (1.0 - 1.0 / n[told]).sum())
    return float(min(n_axes, 2.0 / max(spread, 2.0 / n_axes)))


def _inverse_trigamma(value: float) -> float:
    """Solve trigamma(x) = value by Newton's method on 1/trigamma, which is convex and nearly straight."""
    x = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(polygamma(1, x))
        step = trigamma * (1.0 - trigamma / value) / float(polygamma(2, x))
        x += step
        # a relative step below 1e-10 changes no degree of freedom that anyone could see
        if abs(step) < 1e-10 * x:
            break
    return x


# parts in which batches are held out; ten leave nine tenths of the batches to judge by
N_FOLDS = 10
# rounds of "scale the beers, pool, scale again"; the scales are settled to a per mille after three
N_ROUNDS = 4


@dataclass(frozen=True)
class Beers:
    """Beers and batches in one metric."""

    metric: DiscriminantSpace
    beer_means: Floats  # (n_beers, a)
    batch_means: Floats  # (n_batches, a)
    scatter: BeerScatter  # of each beer


@dataclass(frozen=True)
class FStatistics:
    """Distances as statistics that follow F(`n_axes`, `dof`) if scatter is normal."""

    statistic: Floats  # (..., n): naN where there is none
    n_axes: Floats  # n_axes, dof: (n,): degrees of freedom
    dof: Floats


def fit_beers(samples: LabelledSamples, choice: SpaceSettings) -> Beers:
    """Fit metric, means and scatter in turns until the scales of the beers have settled."""
    projection = project(choice, samples)
    common = np.ones(samples.batches_per_beer.size)
    for turn in range(N_ROUNDS):
        last = turn == N_ROUNDS - 1
        beers = _in_metric(*metric_and_scores(choice, samples, projection, common), samples, _UNALIKE if last else 1.0)
        if np.isinf(beers.scatter.prior_dof):
            break
        common = beers.scatter.scale
    if np.isinf(beers.scatter.prior_dof) and np.ptp(common) > 0.0:
        # a wide beer hides behind the pooled scatter that it has widened itself: alike is judged without that, and
        # where it holds the scatter is pooled plainly
        beers = _in_metric(*metric_and_scores(choice, samples, projection), samples, 0.0)
    if beers.metric.carried:
        return beers  # batches of one session do not show how their own beer scatters
    place = mean_by(projection.scores[:, 0], samples.beer[samples.batch])[0]
    away = beers.batch_means - beers.beer_means[samples.beer]
    return replace(beers, scatter=_with_shapes(beers.scatter, away, samples.beer, place))


def _in_metric(metric: DiscriminantSpace, scores: Floats, samples: LabelledSamples, unalike: float) -> Beers:
    """Means and scatter in a metric; beers are told apart below this p-value of "all alike"."""
    # scores (n_samples, a)
    batch_means, _ = mean_by(scores, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    if metric.dof:
        apart = batch_means - beer_means[samples.beer]
        scatter = shrink_class_variances(apart, samples.beer, unalike=unalike, carried=metric.carried)
    else:
        scatter = _as_one(1.0, per_beer.size, metric.axes.shape[1], 1.0)
    return Beers(metric, beer_means, batch_means, scatter)


def f_statistics(squared: Floats, n_axes: int, dof: int, scatter: BeerScatter, beer: Ints) -> FStatistics:
    """Return squared distances as F statistics: (nu - a + 1)/(nu a) T2 ~ F(a, nu - a + 1)."""
    # squared (..., n), beer (n,)
    second = dof - n_axes + 1
    statistic = squared * (second / (dof * n_axes))
    return FStatistics(statistic, scatter.axes_worth[beer], np.minimum(second, scatter.dof[beer]))


def held_out_statistics(samples: LabelledSamples, choice: SpaceSettings) -> tuple[FStatistics, Floats]:
    """Hold each sample against its own beer, its session left out of axes, means and scatter; else its batch."""
    # -> distance of each sample, and (n_samples,) what is left outside the axes, squared in units of noise; NaN where
    # nothing could be left out
    n = samples.batch.size
    statistic, n_axes, dof, left = (np.full(n, value) for value in (np.nan, 1.0, np.inf, np.nan))
    for fold, held_out in _folds(samples):
        whole = fold[samples.batch] == held_out
        out = np.flatnonzero(whole & np.isnan(statistic))
        if not out.size:
            continue
        rest = samples.part(np.flatnonzero(~whole))
        known, beer = np.unique(rest.beer, return_inverse=True)
        out = out[np.isin(samples.beer[samples.batch[out]], known)]
        if not out.size or rest.beer.size <= known.size + choice.n_components:
            continue
        rest, own = replace(rest, beer=beer), np.searchsorted(known, samples.beer[samples.batch[out]])
        beers = fit_beers(rest, choice)
        scatter = np.array([beers.metric.scatter(pours) for pours in samples.n_pours[out]])
        scores, left[out] = beers.metric.scores_and_residual(samples.reflectance[out])
        departures = beers.scatter.turned(scores - beers.beer_means[own], own)
        squared = (departures**2 / (scatter + 1.0 / rest.batches_per_beer[own][:, None])).sum(axis=1)
        squared /= beers.scatter.scale[own]
        found = f_statistics(squared, departures.shape[1], beers.metric.dof, beers.scatter, own)
        statistic[out], n_axes[out], dof[out] = found.statistic, found.n_axes, found.dof
    return FStatistics(statistic, n_axes, dof), left


def _folds(samples: LabelledSamples) -> Iterator[tuple[Ints, int]]:
    """Yield parts to hold out, fold of each batch and which of them: sessions, then batches of beers of one session."""
    sessions, session = np.unique(samples.session, return_inverse=True)
    if sessions.size < session.size:
        fold = session % N_FOLDS
        yield from ((fold, k) for k in range(int(fold.max()) + 1))
    per_beer = samples.batches_per_beer
    n_folds = int(min(N_FOLDS, per_beer.max()))
    fold = np.where(per_beer[samples.beer] > 1, (place_within(samples.beer) + samples.beer) % n_folds, -1)
    yield from ((fold, k) for k in range(n_folds))
