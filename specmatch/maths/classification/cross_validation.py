"""Means and scatter of the beers in their metric, fitted on all batches, and on all but some to judge those."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.classification.covariance import UNALIKE, BeerScatter, shrink_class_variances
from specmatch.maths.classification.subspace import (
    DiscriminantSpace,
    LabelledSamples,
    SpaceSettings,
    metric_and_scores,
    project,
)
from specmatch.maths.statistics.levels import mean_by, place_within

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
    n_beers = samples.batches_per_beer.size
    common = np.ones(n_beers)
    for turn in range(N_ROUNDS):
        last = turn == N_ROUNDS - 1
        beers = _in_metric(*metric_and_scores(choice, samples, projection, common), samples, UNALIKE if last else 1.0)
        if np.isinf(beers.scatter.prior_dof):
            break
        common = beers.scatter.scale
    if np.isinf(beers.scatter.prior_dof) and np.ptp(common) > 0.0:
        # a wide beer hides behind the pooled scatter that it has widened itself: alike is judged without that, and
        # where it holds the scatter is pooled plainly
        return _in_metric(*metric_and_scores(choice, samples, projection), samples, 0.0)
    return beers


def _in_metric(metric: DiscriminantSpace, scores: Floats, samples: LabelledSamples, unalike: float) -> Beers:
    """Means and scatter in a metric; beers are told apart below this p-value of "all alike"."""
    # scores (n_samples, a)
    batch_means, _ = mean_by(scores, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    if metric.dof:
        scatter = shrink_class_variances(
            batch_means - beer_means[samples.beer], samples.beer, unalike=unalike, carried=metric.carried
        )
    else:
        alike = np.ones(per_beer.size)
        scatter = BeerScatter(alike, np.inf * alike, np.inf, 1.0, metric.axes.shape[1] * alike)
    return Beers(metric, beer_means, batch_means, scatter)


def f_statistics(squared: Floats, n_axes: int, dof: int, scatter: BeerScatter, beer: Ints) -> FStatistics:
    """Return squared distances as F statistics: (nu - a + 1)/(nu a) T2 ~ F(a, nu - a + 1)."""
    # squared (..., n), beer (n,)
    second = dof - n_axes + 1
    statistic = squared * (second / (dof * n_axes))
    return FStatistics(statistic, scatter.axes_worth[beer], np.minimum(second, scatter.dof[beer]))


@dataclass(frozen=True)
class HeldOut:
    """Samples against their own beer, their batch left out; entries are NaN where it was not."""

    distance: FStatistics  # an entry a sample
    residual: Floats  # (n_samples,): what is left outside the axes, squared in units of noise


def held_out_statistics(samples: LabelledSamples, choice: SpaceSettings) -> HeldOut:
    """Hold each sample against its own beer, its session left out of axes, means and scatter; else its batch."""
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
        departures = scores - beers.beer_means[own]
        squared = (departures**2 / (scatter + 1.0 / rest.batches_per_beer[own][:, None])).sum(axis=1)
        found = f_statistics(
            squared / beers.scatter.scale[own], departures.shape[1], beers.metric.dof, beers.scatter, own
        )
        statistic[out], n_axes[out], dof[out] = found.statistic, found.n_axes, found.dof
    return HeldOut(FStatistics(statistic, n_axes, dof), left)


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
