"""The beers of a house in their metric, and samples held against them: distances, p-values, nearest batches."""

# The batch is the unit: degrees of freedom count batches, and a sample of m pours is held against scatter at m pours.

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc, fdtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.classification.beer_scatter import (
    BATCHES_FOR_OWN_SCATTER,
    BeerScatter,
    f_statistics,
    fit_beers,
    held_out_statistics,
)
from specmatch.maths.classification.discriminant_space import (
    DiscriminantSpace,
    LabelledSamples,
    SpaceSettings,
    on_channels,
    select_space,
    session_residual,
)
from specmatch.maths.classification.sessions import SharedNoise, lacks_sessions
from specmatch.maths.classification.t2_and_q import (
    SHARE,
    QResidual,
    TailCorrection,
    combine_p_values,
    fit_residual,
    fit_tail,
)
from specmatch.maths.statistics.levels import Levels

F_TAIL, RANKS, NOT_AVAILABLE = "f_tail", "ranks", "none"

# numbers that one block of rows may fill: they stay in the processor's cache
BLOCK = 2**17

# pairs of samples and batches from which a search tree is quicker than looking at all of them
MANY_PAIRS = 10**7

# channels that must be left, as a part of those fitted and for each component, to answer on them
LEAST_CHANNELS, LEAST_CHANNELS_PER_COMPONENT = 0.5, 2


@dataclass(frozen=True)
class Match:
    """Samples against beers."""

    # p_value, distance: (n, n_beers): how often a true sample of the beer lies as far out, and its distance as a root
    # mean square over the axes in units of the beer's scatter (about 1 for a typical sample)
    p_value: Floats
    distance: Floats
    # nearest_batch, nearest_distance: (n,): code of the nearest fitted batch and its distance in the same units
    nearest_batch: Ints
    nearest_distance: Floats
    # `ranks` (among the beer's own batches, each held out; the F tail beyond all of them), `f_tail`, or `none` where
    # the set has no scatter to judge by (p-value 1: nothing can be refused)
    p_method: tuple[str, ...]


@dataclass(frozen=True)
class Doubts:
    """Samples that may be wrong along known directions, beside what scatters in every sample."""

    rows: Ints  # (k,)
    directions: Floats  # (k, r, p): changes of reflectance, each a standard deviation long
    gain: Floats  # (k, p): how many times the usual the noise of each channel is

    def part(self, kept: Ints) -> "Doubts":
        """Return those of some of the samples, whose rows are counted anew."""
        place = np.full(int(max(kept.max(initial=0), self.rows.max(initial=0))) + 1, -1)
        place[kept] = np.arange(kept.size)
        there = place[self.rows] >= 0
        return Doubts(place[self.rows[there]], self.directions[there], self.gain[there])


@dataclass(frozen=True)
class ClassModel:
    """What `specmatch.maths.classification.class_model.fit_class_model` learnt."""

    samples: LabelledSamples  # what was fitted; upkeep and scans with missing channels start from it
    choice: SpaceSettings
    false_reject_rate: float  # the rate for which ranks are used where a beer has batches enough
    metric: DiscriminantSpace
    beer_means: Floats  # beer_means, batch_means: in scores of the metric
    batch_means: Floats
    scatter: BeerScatter  # variance of each beer over the pooled one
    tail: TailCorrection  # what batches held out say of the F tail
    residual: QResidual  # what batches held out leave outside the axes
    # (n_samples,): tail p-value of each sample for its own beer with its batch left out; 1 for the only batch of a beer
    held_out_p: Floats

    @cached_property
    def batches_per_beer(self) -> Ints:
        """Batches of each beer, shape (n_beers,)."""
        return self.samples.batches_per_beer

    @property
    def too_few_batches(self) -> Mask:
        """Beers, shape (n_beers,), whose scatter is borrowed from the others."""
        return self.batches_per_beer < BATCHES_FOR_OWN_SCATTER

    @property
    def judges(self) -> bool:
        """Whether anything can be refused: there must be more degrees of freedom than axes."""
        return self.metric.dof > self.beer_means.shape[1]

    @cached_property
    def by_ranks(self) -> Mask:
        """Beers, shape (n_beers,), with batches enough for p-values by ranks at the stated rate."""
        # the tolerance keeps 1/0.05 - 1 = 19 from being pushed to 20 by rounding
        fewest = np.ceil(1.0 / self.false_reject_rate - 1.0 - 1e-9)
        # batches that share their session do not show how far out a new one may lie
        return (self.batches_per_beer >= fewest) & self.judges & (self.choice.session_noise.size == 0)

    @cached_property
    def p_method(self) -> tuple[str, ...]:
        """Kind of p-value of each beer."""
        if not self.judges:
            return (NOT_AVAILABLE,) * len(self.beer_means)
        return tuple(RANKS if ranked else F_TAIL for ranked in self.by_ranks)

    def match(
        self, reflectance: Floats, n_pours: Ints, *, missing: Mask | None = None, doubts: Doubts | None = None
    ) -> Match:
        """Hold samples against every beer."""
        # reflectance (n, p), n_pours (n,), missing (n, p)
        lacking = np.zeros(len(reflectance), bool) if missing is None else missing[:, self.metric.channels].any(axis=1)
        if missing is None or not lacking.any():
            return self._match(reflectance, n_pours, doubts)
        patterns, of_row = np.unique(missing[:, self.metric.channels], axis=0, return_inverse=True)
        of_row, parts = of_row.ravel(), []
        for i, pattern in enumerate(patterns):
            own = np.flatnonzero(of_row == i)
            its = None if doubts is None else doubts.part(own)
            parts.append(self._on_channels(~pattern)._match(reflectance[own], n_pours[own], its))
        order = np.argsort(np.argsort(of_row, kind="stable"), kind="stable")

        def joined(name: str) -> NDArray[Any]:
            return np.concatenate([getattr(part, name) for part in parts])[order]

        nearest, distance = joined("nearest_batch"), joined("nearest_distance")
        return Match(joined("p_value"), joined("distance"), nearest, distance, self.p_method)

    def _match(self, reflectance: Floats, n_pours: Ints, doubts: Doubts | None = None) -> Match:
        n_axes, n_beers = self.beer_means.shape[1], len(self.beer_means)
        scores, left = self.metric.scores_and_residual(reflectance)
        squared = np.empty((len(scores), n_beers))
        nearest, to_batch = np.empty(len(scores), np.int64), np.empty(len(scores))
        step = max(1, BLOCK // (n_beers * n_axes))
        for pours in np.flatnonzero(np.bincount(n_pours)).tolist():
            rows = np.flatnonzero(n_pours == pours)
            weight = self._at_pours(float(pours))[0]
            for start in range(0, rows.size, step):
                block = rows[start : start + step]
                departures = self.scatter.turned(scores[block][:, None, :] - self.beer_means)
                squared[block] = np.einsum("nka,ka->nk", departures**2, weight)
            nearest[rows], to_batch[rows] = self.nearest_batch(scores[rows], float(pours))
        if doubts is not None:
            for k, row in enumerate(doubts.rows.tolist()):
                squared[row], left[row] = self._in_doubt(reflectance[row], float(n_pours[row]), doubts, k)
        distance = np.sqrt(squared / n_axes)
        outside = self.residual.p_value(left, np.asarray(n_pours, float))
        p_value = self.p_values(squared, np.arange(n_beers), outside[:, None])
        return Match(p_value, distance, nearest, to_batch, self.p_method)

    def _in_doubt(self, reflectance: Floats, n_pours: float, doubts: Doubts, k: int) -> tuple[Floats, float]:
        """Return squared distances, (n_beers,), and residual of a sample with the doubts about it in the scatter."""
        # the noise of its pours counts by its gain; the inverse of S + U U' is that of the scatter S of a beer less a
        # part of rank r (M. A. Woodbury, Inverting Modified Matrices, Princeton 1950)
        # reflectance (p,) -> (n_beers,)
        metric, gain = self.metric, doubts.gain[k, self.metric.channels]
        here, outside = metric.split(reflectance[None, :])
        along, V = metric.split(reflectance + doubts.directions[k])
        share = (metric.axes * metric.noise[:, None]) ** 2
        grown = (gain**2 - 1.0) @ share / np.maximum(share.sum(axis=0), np.finfo(float).tiny)
        weight = self.weights(n_pours, grown * metric.pour_part / n_pours)
        U = along - here  # (r, a)
        departure = self.scatter.turned(here[0] - self.beer_means)
        U = self.scatter.turned(np.broadcast_to(U[:, None], (len(U), *departure.shape)))  # (r, n_beers, a)
        inner = np.eye(len(U)) + np.einsum("rka,ka,ska->krs", U, weight, U)
        across = np.einsum("rka,ka->kr", U, weight * departure)
        squared = np.einsum("ka,ka->k", departure**2, weight)
        squared = squared - np.einsum("kr,kr->k", across, np.linalg.solve(inner, across[:, :, None])[:, :, 0])
        outside, V = outside[0] / gain, (V - outside) / gain  # (p_used,), (r, p_used)
        left = float(outside @ outside)
        if self.residual.mean > 0.0:
            # the residual's own scatter, alike in all channels in units of their noise
            own = self.residual.mean / max(1, V.shape[1] - U.shape[1])
            left -= float((V @ outside) @ np.linalg.solve(own * np.eye(len(V)) + V @ V.T, V @ outside))
        return np.maximum(squared, 0.0), max(left, 0.0)

    def p_of(self, reflectance: Floats, n_pours: Ints, beer: Ints) -> Floats:
        """Return how typical each sample is of one beer, shape (n,), as `match` says it of all."""
        # reflectance (n, p), n_pours, beer (n,)
        scores, left = self.metric.scores_and_residual(reflectance)
        squared = np.empty(len(scores))
        for pours in np.flatnonzero(np.bincount(n_pours)).tolist():
            rows = np.flatnonzero(n_pours == pours)
            squared[rows] = self.squared_to(scores[rows], beer[rows], float(pours))
        return self.p_values(squared, beer, self.residual.p_value(left, np.asarray(n_pours, float)))

    def squared_to(self, scores: Floats, beer: Ints, n_pours: float) -> Floats:
        """Return the squared distance of each row of scores from one beer, shape (n,)."""
        squared, weight = np.empty(len(scores)), self.weights(n_pours)
        step = max(1, BLOCK // scores.shape[1] ** 2)
        for start in range(0, len(scores), step):
            part = slice(start, start + step)
            away = self.scatter.turned(scores[part] - self.beer_means[beer[part]], beer[part])
            squared[part] = np.einsum("na,na->n", away**2, weight[beer[part]])
        return squared

    def weights(self, n_pours: float, more: Floats | float = 0.0) -> Floats:
        """Return what a squared departure from each beer counts along each of its axes, (n_beers, a)."""
        # more: scatter added along each axis
        scatter = self.metric.scatter(n_pours) + more + 1.0 / self.batches_per_beer[:, None]
        return 1.0 / (scatter * self.scatter.scale[:, None])

    def _at_pours(self, n_pours: float) -> tuple[Floats, ...]:
        """Return the weights at so many pours, the root by which scores count beside batches, and these by it."""
        if n_pours not in self._of_pours:
            root = np.sqrt(self.metric.scatter(n_pours) + 1.0)
            batches = self.batch_means / root
            squares = (batches**2).sum(axis=1)
            self._of_pours[n_pours] = self.weights(n_pours), root, batches, 2.0 * batches.T, squares
        return self._of_pours[n_pours]

    @cached_property
    def _of_pours(self) -> dict[float, tuple[Floats, ...]]:
        return {}

    def nearest_batch(self, scores: Floats, n_pours: float) -> tuple[Ints, Floats]:
        """Return the nearest batch of each row of scores, shape (n, a), and its root mean square distance, (n,)."""
        _, root, batches, twice, squares = self._at_pours(n_pours)
        rows = scores / root
        if len(rows) * len(batches) > MANY_PAIRS:
            from scipy.spatial import cKDTree  # here, because reading one sample must not wait for its import

            nearest = cKDTree(batches).query(rows)[1]
        else:
            nearest = np.empty(len(rows), np.int64)
            step = max(1, BLOCK // len(batches))
            for start in range(0, len(rows), step):
                nearest[start : start + step] = (squares - rows[start : start + step] @ twice).argmin(axis=1)
        return nearest, np.sqrt(((rows - batches[nearest]) ** 2).sum(axis=1) / root.size)

    def nearest_beer(self, reflectance: Floats) -> Ints:
        """Return the beer at the smallest distance, shape (n,), of samples of one pour each, shape (n, p)."""
        blocks = self.squared_distances(self.metric.scores(reflectance), 1.0)
        return np.concatenate([squared.argmin(axis=1) for _, squared in blocks])

    def squared_distances(self, scores: Floats, n_pours: float) -> Iterator[tuple[int, Floats]]:
        """Yield squared distances of scores from every beer, to rounding, in blocks, with the first row of each."""
        # as a quadratic form of scores: products of two axes, then the axes themselves
        weight, a = self.weights(n_pours), self.beer_means.shape[1]
        left, right = np.triu_indices(a) if self.scatter.turn.size else (np.arange(a), np.arange(a))
        half = self.scatter.turned(np.broadcast_to(np.eye(a)[:, None], (a, *self.beer_means.shape)))
        form = np.einsum("akb,kb,ckb->kac", half, weight, half)
        pulled = np.einsum("kab,kb->ka", form, self.beer_means)
        products = np.where(left == right, 1.0, 2.0) * form[:, left, right]
        kernel, offset = np.concatenate([products.T, -2.0 * pulled.T]), (pulled * self.beer_means).sum(axis=1)
        step = max(1, 4 * BLOCK // len(offset))
        for start in range(0, max(1, len(scores)), step):
            block = scores[start : start + step]
            squared = np.concatenate([block[:, left] * block[:, right], block], axis=1) @ kernel
            squared += offset
            yield start, squared

    def p_values(self, squared: Floats, beer: Ints, outside: Floats) -> Floats:
        """Return p-values of squared distances, each in the scatter of its beer."""
        # squared (..., n), beer (n,)
        if not self.judges:
            return np.ones_like(squared)
        found = f_statistics(squared, self.beer_means.shape[1], self.metric.dof, self.scatter, beer)
        p_value = combine_p_values(self.tail.p_value(found.statistic, found.n_axes, found.dof), outside)
        by_ranks = self.by_ranks[beer]
        for ranked in np.unique(beer[by_ranks]) if by_ranks.any() else ():
            p_value[..., beer == ranked] = self._rank(p_value[..., beer == ranked], int(ranked))
        return p_value

    def _rank(self, p_value: Floats, beer: int) -> Floats:
        """Part of the beer's batches, the new one counted in, whose held-out samples lie as far out as each value."""
        rows = np.flatnonzero(self.samples.beer[self.samples.batch] == beer)
        order = np.argsort(self.held_out_p[rows], kind="stable")
        past = self.held_out_p[rows][order]
        # a batch of s samples counts once: each of them for 1/s (Lee, Barber, Willett, arXiv 2306.06342)
        share = 1.0 / np.bincount(self.samples.batch)[self.samples.batch[rows]][order]
        weight = np.concatenate([[0.0], np.cumsum(share)])
        below = weight[np.searchsorted(past, p_value, side="right")]
        n_batches = self.batches_per_beer[beer]
        # farther out than every past batch the ranks only know "at most 1/(n+1)": there the tail grades
        return np.where(below > 0, (1.0 + below) / (n_batches + 1), np.minimum(p_value, 1.0 / (n_batches + 1)))

    def _on_channels(self, kept: Mask) -> "ClassModel":
        n_axes = self.choice.n_components
        if kept.all():
            return self
        if kept.sum() < max(LEAST_CHANNELS * kept.size, LEAST_CHANNELS_PER_COMPONENT * n_axes):
            raise WavelengthMismatchError(
                f"a sample has {kept.sum()} of the {kept.size} channels that tell the beers apart; "
                f"at least half of them are needed: measure again, or export the full range"
            )
        return build_class_model(self.samples, on_channels(self.choice, np.flatnonzero(kept)), self.false_reject_rate)


def build_class_model(samples: LabelledSamples, choice: SpaceSettings, false_reject_rate: float) -> ClassModel:
    """Fit on samples with the choice of the metric made: exact, quick, and the same whatever led to the samples."""
    beers = fit_beers(samples, choice)
    far, left = held_out_statistics(samples, choice)
    tail = fit_tail(far.statistic, far.n_axes, far.dof, 1.0 / np.bincount(samples.batch)[samples.batch])
    if choice.session_noise.size or (samples.session.size and lacks_sessions(samples.session, samples.beer)):
        # held-out batches share their session with those that they are held against and lie too near, or are held out
        # with it, and so few sessions say less than so many batches
        tail = replace(tail, inflation=max(1.0, tail.inflation))
    weighted = choice.pour_covariance / np.outer(choice.noise, choice.noise)
    plane = beers.metric.plane
    pour_left = float(max(0.0, np.trace(weighted) - np.einsum("ij,ik,kj->", plane, weighted, plane)))
    residual = fit_residual(left, pour_left, beers.metric.per_pour)
    if choice.session_noise.size and residual.mean > 0.0:
        residual = replace(residual, mean=residual.mean + session_residual(choice, plane))
    outside = residual.p_value(left, samples.n_pours.astype(float))
    p_value = combine_p_values(tail.p_value(far.statistic, far.n_axes, far.dof), outside)
    held_out_p = np.where(np.isnan(p_value), 1.0, p_value)
    return ClassModel(
        samples,
        choice,
        false_reject_rate,
        beers.metric,
        beers.beer_means,
        beers.batch_means,
        beers.scatter,
        tail,
        residual,
        held_out_p,
    )


# distances found as products of scores are off by rounding: candidates are taken this much wider, then counted exactly
SLACK = 1e-6


@dataclass(frozen=True)
class Identification:
    """The open answer of each sample."""

    nearest_beer: Ints  # (n,)
    distance: Floats  # distance, p_value: (n,): to the nearest beer, and how typical of it
    p_value: Floats
    nearest_batch: Ints  # nearest_batch, nearest_distance: (n,)
    nearest_distance: Floats
    plausible: Ints  # (m,): beers not rejected, sample after sample, in order of code
    first: Ints  # (n + 1,): the beers of sample i are `plausible[first[i]:first[i + 1]]`


def identify(fit: ClassModel, reflectance: Floats, n_pours: int, *, false_reject_rate: float) -> Identification:
    """Find nearest beer, plausible beers and nearest batch of samples."""
    # reflectance (n, p)
    scores, left = fit.metric.scores_and_residual(reflectance)
    outside = fit.residual.p_value(left, float(n_pours))
    return identify_scores(fit, scores, outside, n_pours, false_reject_rate=false_reject_rate)


def identify_scores(
    fit: ClassModel, scores: Floats, outside: Floats, n_pours: int, *, false_reject_rate: float
) -> Identification:
    """Do the work of `identify` on scores, without a table of all pairs of samples and beers."""
    # squared distances to all beers come block by block from products of matrices; only the nearest beer and those
    # within their limit are then counted exactly
    # scores (n, a), outside (n,)
    limit = distance_limits(fit, false_reject_rate) * (1.0 + SLACK) + SLACK
    parts = []
    for start, squared in fit.squared_distances(scores, float(n_pours)):
        flat = np.flatnonzero(squared <= limit)
        parts.append((flat // limit.size + start, flat % limit.size, squared.argmin(axis=1)))
    row, beer, nearest = map(np.concatenate, zip(*parts, strict=True))

    to_nearest = fit.squared_to(scores, nearest, float(n_pours))
    kept = fit.p_values(fit.squared_to(scores[row], beer, float(n_pours)), beer, outside[row]) > false_reject_rate
    row, beer = row[kept], beer[kept]
    batch, to_batch = fit.nearest_batch(scores, float(n_pours))
    p_value, first = fit.p_values(to_nearest, nearest, outside), np.searchsorted(row, np.arange(len(scores) + 1))
    return Identification(nearest, np.sqrt(to_nearest / scores.shape[1]), p_value, batch, to_batch, beer, first)


def distance_limits(fit: ClassModel, false_reject_rate: float) -> Floats:
    """Return the squared distance from each beer beyond which it cannot be plausible."""
    # -> (n_beers,)
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


# Where beers come from several sessions each, these are held out one after the other, and what they differ by shows in
# the tail. From this part of it on missing from the scatter (four sessions a beer leave half) it is carried instead.
HELD_OUT_WHOLE = 0.5
# a quarter more batches than the metric was chosen on may well choose another
GROWTH = 1.25


def fit_class_model(
    reflectance: Floats,
    levels: Levels,
    *,
    false_reject_rate: float = 0.05,
    transform: str = "auto",
    n_components: int | None = None,
    shared: SharedNoise | None = None,
    session: Ints | None = None,
) -> ClassModel:
    """Learn what is typical of each beer."""
    # T2 of beer k is n/(n+1) (z - m)' W^-1 (z - m) / v with m the mean of its n batches, v its own variance over the
    # pooled one, and W the pooled scatter of samples about their beers with nu = batches - beers degrees of freedom;
    # (nu - a + 1)/(nu a) T2 ~ F(a, nu - a + 1) for a axes (Hotelling; T. W. Anderson, An Introduction to Multivariate
    # Statistical Analysis, ch. 5; from memory)
    # reflectance (n_pours, p)
    # session (n_batches,): code of the session of each batch
    # shared: what batches measured in one session share, where their scatter lacks it
    if levels.beer.size < 2:
        raise TooFewBatchesError(
            f"identity cannot be learnt from {levels.beer.size} batch; give at least two batches of a beer, or two "
            "beers"
        )
    if shared is not None and shared.missing < HELD_OUT_WHOLE:
        shared = None
    samples = _labelled(reflectance, levels, session if shared is None else None)
    choice = select_space(samples, reflectance, levels, transform=transform, n_components=n_components, shared=shared)
    return build_class_model(samples, choice, false_reject_rate)


def _labelled(reflectance: Floats, levels: Levels, session: Ints | None) -> LabelledSamples:
    return LabelledSamples(
        levels.mean(reflectance, to="sample"), levels.counts("sample"), levels.batch, levels.beer,
        np.zeros(0, np.int64) if session is None else session,
    )  # fmt: skip


def add_batches(
    fit: ClassModel, reflectance: Floats, levels: Levels, session: Ints | None = None
) -> tuple[ClassModel, tuple[str, ...]]:
    """Add batches without choosing the metric again, and say why it should be fitted anew; nothing if it need not."""
    # reflectance (n_pours, p)
    # session (n_all,): of the fitted batches and the new ones; where none is told each new batch has its own
    # levels: of the new batches, which stand behind the fitted ones in the new fit; beers keep the codes of the fit
    old, choice, new = fit.samples, fit.choice, _labelled(reflectance, levels, None)
    if session is None:
        session = np.append(old.session, old.session.max(initial=-1) + 1 + np.arange(new.beer.size))
    samples = LabelledSamples(
        np.concatenate([old.reflectance, new.reflectance]),
        np.concatenate([old.n_pours, new.n_pours]),
        np.concatenate([old.batch, new.batch + old.beer.size]),
        np.concatenate([old.beer, new.beer]),
        session if old.session.size else old.session,
    )
    deviations = levels.about_sample(choice.scale.apply(reflectance[:, choice.channels]))
    pour_dof = choice.pour_dof + len(deviations) - new.n_pours.size
    squares = choice.pour_covariance * choice.pour_dof + deviations.T @ deviations
    choice = replace(choice, pour_covariance=squares / max(1, pour_dof), pour_dof=pour_dof)
    grown = build_class_model(samples, choice, fit.false_reject_rate)
    reasons = []
    n_known = len(fit.beer_means)
    if samples.beer.size > GROWTH * choice.n_batches:
        reasons.append(f"the set has grown from {choice.n_batches} to {samples.beer.size} batches since the last fit")
    if grown.batches_per_beer.size > n_known:
        reasons.append(f"{grown.batches_per_beer.size - n_known} beers are new, and the metric was chosen without them")
    own_beer = new.beer[new.batch]
    known = own_beer < n_known
    if known.any() and fit.judges:
        p_value = fit.match(new.reflectance[known], new.n_pours[known]).p_value[np.arange(known.sum()), own_beer[known]]
        refused = int((p_value <= fit.false_reject_rate).sum())
        # one chance in a hundred of so many if nothing had changed
        if bdtrc(refused - 1, int(known.sum()), fit.false_reject_rate) < 0.01:
            reasons.append(
                f"{refused} of {known.sum()} new samples are unlike their own beer: look at them before all else"
            )
    return grown, tuple(reasons)
