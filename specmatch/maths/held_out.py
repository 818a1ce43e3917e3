"""Means and scatter of the beers in their metric, fitted on all batches, and on all but some to judge those."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.beer_scatter import UNALIKE, BeerScatter, own_scatter
from specmatch.maths.metric import Metric, MetricChoice, build_metric, project
from specmatch.maths.sample_scatter import Samples
from specmatch.maths.statistics import mean_by

# parts in which batches are held out; ten leave nine tenths of the batches to judge by
N_FOLDS = 10
# rounds of "scale the beers, pool, scale again"; the scales are settled to a per mille after three
N_ROUNDS = 4


@dataclass(frozen=True)
class Beers:
    """Beers and batches in one metric.

    Attributes
    ----------
    metric : Metric
    beer_means : ndarray, shape (n_beers, a)
    batch_means : ndarray, shape (n_batches, a)
    scatter : BeerScatter
        Of each beer.
    """

    metric: Metric
    beer_means: Floats
    batch_means: Floats
    scatter: BeerScatter


@dataclass(frozen=True)
class FStatistics:
    """Distances as statistics that follow F(`n_axes`, `dof`) if scatter is normal.

    Attributes
    ----------
    statistic : ndarray, shape (..., n)
        NaN where there is none.
    n_axes, dof : ndarray, shape (n,)
        Degrees of freedom.
    """

    statistic: Floats
    n_axes: Floats
    dof: Floats


def fit_beers(samples: Samples, choice: MetricChoice) -> Beers:
    """Fit metric, means and scatter in turns until the scales of the beers have settled.

    Parameters
    ----------
    samples : Samples
    choice : MetricChoice

    Returns
    -------
    Beers

    Examples
    --------
    >>> known = house.fitted.identity
    >>> beers = fit_beers(known.samples, known.choice)
    >>> beers.metric.dof, beers.batch_means.shape == (18, known.choice.n_components)  # 18 batches of 3 beers
    (15, True)
    """
    projection = project(choice, samples)
    n_beers = samples.batches_per_beer.size
    common = np.ones(n_beers)
    for turn in range(N_ROUNDS):
        last = turn == N_ROUNDS - 1
        beers = _in_metric(build_metric(choice, samples, projection, common), samples, UNALIKE if last else 1.0)
        if np.isinf(beers.scatter.prior_dof):
            break
        common = beers.scatter.scale
    if np.isinf(beers.scatter.prior_dof) and np.ptp(common) > 0.0:
        # a wide beer hides behind the pooled scatter that it has widened itself: alike is judged without that, and
        # where it holds the scatter is pooled plainly
        return _in_metric(build_metric(choice, samples, projection), samples, 0.0)
    return beers


def _in_metric(metric: Metric, samples: Samples, unalike: float) -> Beers:
    """Means and scatter in a metric; beers are told apart below this p-value of "all alike"."""
    batch_means, _ = mean_by(metric.scores(samples.reflectance), samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    if metric.dof:
        scatter = own_scatter(batch_means - beer_means[samples.beer], samples.beer, unalike=unalike)
    else:
        alike = np.ones(per_beer.size)
        scatter = BeerScatter(alike, np.inf * alike, np.inf, 1.0, metric.axes.shape[1] * alike)
    return Beers(metric, beer_means, batch_means, scatter)


def f_statistics(squared: Floats, n_axes: int, dof: int, scatter: BeerScatter, beer: Ints) -> FStatistics:
    """Return squared distances as F statistics: (nu - a + 1)/(nu a) T2 ~ F(a, nu - a + 1).

    Parameters
    ----------
    squared : ndarray, shape (..., n)
        T2 over the variance of the beer.
    n_axes, dof : int
        a and nu.
    scatter : BeerScatter
    beer : ndarray of int, shape (n,)
        The beer that each stands against.

    Returns
    -------
    FStatistics
        The degrees of freedom are the fewer of those of the pooled scatter and of the beer's own variance.

    Examples
    --------
    >>> pooled = BeerScatter(np.ones(1), np.full(1, np.inf), np.inf, 1.0, np.full(1, 2.0))
    >>> found = f_statistics(np.array([6.0]), 2, 10, pooled, np.array([0]))  # 9/(10 x 2) of T2
    >>> found.statistic.round(6).tolist(), found.dof.tolist()
    ([2.7], [9.0])
    """
    second = dof - n_axes + 1
    statistic = squared * (second / (dof * n_axes))
    return FStatistics(statistic, scatter.axes_worth[beer], np.minimum(second, scatter.dof[beer]))


@dataclass(frozen=True)
class HeldOut:
    """Samples against their own beer, their batch left out; entries are NaN where it was not.

    Attributes
    ----------
    distance : FStatistics
        An entry a sample.
    residual : ndarray, shape (n_samples,)
        What is left outside the axes, squared in units of noise.
    """

    distance: FStatistics
    residual: Floats


def held_out_statistics(samples: Samples, choice: MetricChoice) -> HeldOut:
    """Hold each sample against its own beer, its batch left out of axes, means and scatter.

    Parameters
    ----------
    samples : Samples
    choice : MetricChoice

    Returns
    -------
    HeldOut
        An entry a sample. Batches of one beer lie in different folds as far as there are folds; the only batch of a
        beer is never left out and has no statistic.

    Examples
    --------
    >>> known = house.fitted.identity  # three beers, six batches each
    >>> held_out = held_out_statistics(known.samples.part(np.arange(13)), known.choice)
    >>> np.flatnonzero(np.isnan(held_out.distance.statistic)).tolist()  # the only batch of the third
    [12]
    """
    per_beer = samples.batches_per_beer
    place = np.empty(samples.beer.size, np.int64)
    for beer in range(per_beer.size):
        place[samples.beer == beer] = np.arange(per_beer[beer])
    n_folds = int(min(N_FOLDS, per_beer.max()))
    fold = np.where(per_beer[samples.beer] > 1, (place + samples.beer) % n_folds, -1)[samples.batch]
    statistic, n_axes, dof, left = (np.full(fold.size, value) for value in (np.nan, 1.0, np.inf, np.nan))
    for held_out in range(n_folds):
        out, kept = np.flatnonzero(fold == held_out), np.flatnonzero(fold != held_out)
        rest = samples.part(kept)
        if not out.size or rest.beer.size <= per_beer.size + choice.n_components:
            continue
        beers = fit_beers(rest, choice)
        own = samples.beer[samples.batch[out]]
        scatter = np.array([beers.metric.scatter(pours) for pours in samples.n_pours[out]])
        scores, left[out] = beers.metric.scores_and_residual(samples.reflectance[out])
        departures = scores - beers.beer_means[own]
        squared = (departures**2 / (scatter + 1.0 / rest.batches_per_beer[own][:, None])).sum(axis=1)
        found = f_statistics(
            squared / beers.scatter.scale[own], departures.shape[1], beers.metric.dof, beers.scatter, own
        )
        statistic[out], n_axes[out], dof[out] = found.statistic, found.n_axes, found.dof
    return HeldOut(FStatistics(statistic, n_axes, dof), left)
