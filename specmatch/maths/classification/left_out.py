"""Batches of a set, each held against all its beers by a class model that does not rest on the batch itself."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri, fdtrc

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.classification.beer_scatter import f_statistics
from specmatch.maths.classification.class_model import ClassModel, build_class_model
from specmatch.maths.classification.discriminant_space import (
    LabelledSamples,
    SpaceSettings,
    held_out_distance,
    metric_and_scores,
    project,
    select_space,
)
from specmatch.maths.classification.t2_and_q import fit_tail
from specmatch.maths.statistics.levels import Levels, mean_by

# A batch as far out as this once in so many batches of a clean set is kept out of what the others are judged by.
OUT_OF_THE_CORE = 1e-3
LARGEST_SHARE_OUT = 0.2
FEWEST_FOR_OWN_SCALE = 5
# a batch is of another beer that so many of its batches would lie as far out of
FITS = 0.01
# ... and is kept out of the core of its own where that other one is nearer by so much (difference of T2)
NEARER = 10.0
LEAST_SCATTER = 0.01
# An audit looks for one batch in hundreds, farther out than any set shows: there no tail is taken for shorter than that
# of t with so many degrees of freedom (tuning: half of the drawn houses have tails of 3 or 6).
SHORTEST_TAIL = 12.0
# no beer is judged by ranks: a finding needs a tail that reaches beyond one in so many batches
_NO_RANKS = 1e-9
_STEP = 0.01  # small enough to be straight, large enough for rounding not to matter


@dataclass(frozen=True)
class JudgedBatches:
    """Batches in the metric of the beers, and how far each lies from every beer."""

    model: ClassModel  # of the core, a row a batch
    scores: Floats  # (n_batches, a)
    beer: Ints  # (n_batches,)
    core: Mask  # (n_batches,): batches that means and scatter rest on
    # squared, p_value: (n_batches, n_beers): distance of each batch from each beer, and how often a batch of it lies as
    # far out, itself left out; NaN distance from a beer that has no other batch
    squared: Floats
    p_value: Floats

    @property
    def own_p_value(self) -> Floats:
        """How often a batch of its own beer lies as far out as each does, (n_batches,)."""
        return self.p_value[np.arange(self.beer.size), self.beer]

    def log_odds(self, row: int, other: int) -> float:
        """Return the logarithm of how many times likelier a batch is of another beer than of its own."""
        # under a multivariate t of the tail that batches show, and of no shorter one
        dof, n_axes = min(self.model.tail.dof, SHORTEST_TAIL), self.scores.shape[1]
        far = self.squared[row, [self.beer[row], other]] / self.model.tail.inflation
        return float((dof + n_axes) / 2.0 * np.subtract(*np.log1p(far / dof)))

    def among_others(self, beer: int) -> Floats:
        """Return the core batches of a beer, shape (m, a), in units of the scatter of the other beers about theirs."""
        own = (self.beer == beer) & self.core
        about = self.scores - self.model.beer_means[self.beer]
        others = about[self.core & ~own]
        scatter = others.T @ others / max(1, len(others) - len(self.model.beer_means) + 1)
        # scatter of all beers is the unit: a part of it keeps what the others do not span finite
        half = np.linalg.cholesky(scatter + LEAST_SCATTER * np.eye(len(scatter)))
        return np.linalg.solve(half, about[own].T).T

    def up(self, typical: Floats, *, strength: bool) -> Floats:
        """Return how far batches stand from their beer along a change of absorbance, or of light, as its logarithm."""
        # typical (n_beers, p): reflectance of each beer -> (n_batches,)
        above, below = (typical ** (1 + s) if strength else typical * (1 + s) for s in (_STEP, -_STEP))
        along = (self.model.metric.scores(above) - self.model.metric.scores(below)) / (2 * _STEP)
        along /= np.maximum((along**2).sum(axis=1), np.finfo(float).tiny)[:, None]
        # scatter is the unit along every axis: least squares is generalised least squares
        return np.einsum("na,na->n", self.scores - self.model.beer_means[self.beer], along[self.beer])


def one_sample_a_batch(reflectance: Floats, levels: Levels) -> tuple[LabelledSamples, Levels]:
    """Return batches by their means, each as one sample of all its pours."""
    # reflectance (n_pours, p)
    batch, each = levels.codes("batch"), np.arange(levels.beer.size)
    means = levels.mean(reflectance, to="batch")
    return LabelledSamples(means, np.bincount(batch), each, levels.beer), Levels(batch, each, levels.beer)


def judge_batches(reflectance: Floats, levels: Levels) -> JudgedBatches | None:
    """Judge each batch by the class model of the others; those far out take no part in it."""
    # reflectance (n_pours, p)
    n_batches, per_beer = levels.beer.size, levels.counts("beer")
    if n_batches - per_beer.size < 3:
        return None
    samples, one = one_sample_a_batch(reflectance, levels)
    choice = select_space(samples, reflectance, one)
    core, every, rows = _core(samples, choice), np.arange(per_beer.size), np.arange(n_batches)
    while True:
        model = build_class_model(samples.part(np.flatnonzero(core)), choice, _NO_RANKS)
        squared = _squared(model, samples, core)
        others = np.where(levels.beer[:, None] == every, np.inf, squared).min(axis=1)
        # several batches of other beers widen the scatter and hide one another
        nearer = core & (squared[rows, levels.beer] > others + NEARER)
        nearer &= (np.bincount(levels.beer[core & ~nearer], minlength=per_beer.size) > 0)[levels.beer]
        if not nearer.any():
            break
        core &= ~nearer
    scores, left = model.metric.scores_and_residual(samples.reflectance)
    outside = model.residual.p_value(left, 1.0)
    p_value = model.p_values(squared, every, outside[:, None])
    # what lies far out and is of no other beer either shows the tail, but for the farthest, which may be a stray
    p_value[rows, levels.beer], own = 0.0, squared[rows, levels.beer]
    shows = core | ~(p_value > FITS).any(axis=1)
    shows[np.argmax(np.where(shows, np.nan_to_num(own), -1.0))] = False
    far = f_statistics(own[shows], scores.shape[1], model.metric.dof, model.scatter, levels.beer[shows])
    tail = fit_tail(far.statistic, far.n_axes, far.dof, np.ones(int(shows.sum())))
    judge = replace(model, tail=replace(tail, dof=min(tail.dof, SHORTEST_TAIL)))
    p_value = judge.p_values(squared, every, outside[:, None])
    return JudgedBatches(replace(model, tail=tail), scores, levels.beer, core, squared, p_value)


def _squared(model: ClassModel, samples: LabelledSamples, core: Mask) -> Floats:
    """Return squared distances of batches from every beer, (n_batches, n_beers), those of the core itself left out."""
    squared = model.match(samples.reflectance, samples.n_pours).distance ** 2 * model.beer_means.shape[1]
    beer = model.samples.beer
    away = model.scatter.turned(model.batch_means - model.beer_means[beer], beer)
    within = (away**2).sum(axis=1) / model.scatter.scale[beer]
    per_beer = model.batches_per_beer[beer].astype(float)
    # of a covariance of its own each batch holds more
    dof = np.minimum(model.metric.dof, model.scatter.dof[beer]) if model.scatter.turn.size else model.metric.dof
    squared[np.flatnonzero(core), beer] = held_out_distance(within, per_beer, dof)
    return np.asarray(squared)


def _core(samples: LabelledSamples, choice: SpaceSettings) -> Mask:
    """Leave out the worst batch of each beer, judge again, and so on, until none is far out or a fifth is gone."""
    core = np.ones(samples.beer.size, bool)
    for _ in range(int(LARGEST_SHARE_OUT * core.size)):
        part = samples.part(np.flatnonzero(core))
        # scatter of all beers in one: a batch that does not belong would widen that of its beer and hide behind it
        metric, scores = metric_and_scores(choice, part, project(choice, part))
        n_axes, dof = scores.shape[1], metric.dof - 1
        if dof < n_axes + 1:
            break
        means, per_beer = mean_by(scores, part.beer)
        within = ((scores - means[part.beer]) ** 2).sum(axis=1)
        squared = held_out_distance(within, per_beer[part.beer].astype(float), metric.dof)
        squared /= _wider(squared, part.beer, n_axes)[part.beer]
        second = dof - n_axes + 1
        p_value = fdtrc(n_axes, second, squared * second / (dof * n_axes))
        worst = np.flatnonzero(p_value < OUT_OF_THE_CORE)
        if not worst.size:
            break
        worst = worst[np.argsort(p_value[worst])]
        first = worst[np.unique(part.beer[worst], return_index=True)[1]]
        core[np.flatnonzero(core)[first]] = False
    return core


def _wider(squared: Floats, beer: Ints, n_axes: int) -> Floats:
    """Return how much wider than all each beer scatters, (n_beers,), 1 or more: by the middle one of its batches."""
    wider = np.ones(int(beer.max()) + 1)
    for k in np.flatnonzero(np.bincount(beer) >= FEWEST_FOR_OWN_SCALE):
        wider[k] = max(1.0, float(np.median(squared[beer == k])) / float(chdtri(n_axes, 0.5)))
    return wider
