"""Batches in the metric of within-beer scatter, each judged by a set that does not hold it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from specmatch.maths.metric import Metric
from specmatch.maths.statistics import mean_by
from specmatch.maths.typicality import fit_typicality
from specmatch.reference.pours import Pours

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Axes of the metric: what is left to be told is whether a batch is of its beer, and six are ample for that.
N_AXES = 6
# A batch as far out as this once in so many batches of a clean set is kept out of what the others are judged by.
OUT_OF_THE_CORE = 1e-3
LARGEST_SHARE_OUT = 0.2


@dataclass(frozen=True)
class BatchScores:
    """Scores of batches and the scatter that they are judged by.

    Attributes
    ----------
    scores : ndarray, shape (n_batches, a)
    beer : ndarray of int, shape (n_batches,)
    core : ndarray of bool, shape (n_batches,)
        Batches that means and scatter rest on.
    beer_means : ndarray, shape (n_beers, a)
    core_counts : ndarray of int, shape (n_beers,)
    sum_of_squares : ndarray, shape (a, a)
        Of core batches about their beers, on `dof` degrees of freedom.
    dof : int
    t2, p_value : ndarray, shape (n_batches, n_beers)
        Hotelling's T2 of each batch against each beer with the batch itself left out, and its F-tail; NaN for a beer
        that has no other batch.
    up_strength, up_light : ndarray, shape (n_beers, a)
        Change of scores with the logarithm of absorbance, and with that of reflectance, about each beer's mean.
    """

    scores: Floats
    beer: Ints
    core: NDArray[np.bool_]
    beer_means: Floats
    core_counts: Ints
    sum_of_squares: Floats
    dof: int
    t2: Floats
    p_value: Floats
    up_strength: Floats
    up_light: Floats

    def along(self, direction: Floats, rows: NDArray[np.int64]) -> Floats:
        """Return how far batches stand from their beer along directions, by generalised least squares.

        Parameters
        ----------
        direction : ndarray, shape (n_beers, a)
        rows : ndarray of int, shape (m,)

        Returns
        -------
        ndarray, shape (m,)
        """
        own = direction[self.beer[rows]]
        weighted = np.linalg.solve(self.sum_of_squares, own.T).T
        offset = self.scores[rows] - self.beer_means[self.beer[rows]]
        return np.einsum("ij,ij->i", weighted, offset) / np.einsum("ij,ij->i", weighted, own)


def score_batches(pours: Pours) -> BatchScores | None:
    """Place batches in the metric of within-beer scatter and judge each with itself left out.

    Parameters
    ----------
    pours : Pours

    Returns
    -------
    BatchScores or None
        None where batches are too few to tell scatter.
    """
    n_batches, n_beers = pours.beer.size, len(pours.beer_names)
    n_axes = min(N_AXES, (n_batches - n_beers) // 3)
    if n_axes < 1:
        return None
    fit = fit_typicality(
        pours.reflectance,
        pours.beer[pours.batch],
        pours.batch,
        pours.sample,
        wavelength_nm=pours.wavelength_nm,
        transform="log_absorbance",
        n_components=n_axes,
    )
    means = pours.batch_means()
    scores = fit.metric.scores(means)
    core = _core(scores, pours.beer)
    fitted = _fit(scores, pours.beer, core)
    t2, p_value = _left_out(scores, pours.beer, core, *fitted)
    beer_reflectance = mean_by(means, pours.beer)[0]
    return BatchScores(
        scores,
        pours.beer,
        core,
        *fitted,
        t2,
        p_value,
        _slope(fit.metric, beer_reflectance ** (1 + _STEP), beer_reflectance ** (1 - _STEP)),
        _slope(fit.metric, beer_reflectance * (1 + _STEP), beer_reflectance * (1 - _STEP)),
    )


_STEP = 0.01  # small enough to be straight, large enough for rounding not to matter


def _slope(metric: Metric, above: Floats, below: Floats) -> Floats:
    # a channel that reads below nothing has no power; it holds no light either
    return (metric.scores(np.nan_to_num(above)) - metric.scores(np.nan_to_num(below))) / (2 * _STEP)


def _core(scores: Floats, beer: Ints) -> NDArray[np.bool_]:
    """Leave out the worst batch, fit again, and so on, until none is far out or a fifth is gone."""
    core = np.ones(beer.size, dtype=bool)
    for _ in range(int(LARGEST_SHARE_OUT * beer.size)):
        _, p_value = _left_out(scores, beer, core, *_fit(scores, beer, core))
        own = np.where(core, p_value[np.arange(beer.size), beer], np.nan)
        if not (own < OUT_OF_THE_CORE).any():
            break
        core[np.nanargmin(own)] = False
    return core


def _fit(scores: Floats, beer: Ints, core: NDArray[np.bool_]) -> tuple[Floats, Ints, Floats, int]:
    n_beers = int(beer.max()) + 1
    counts = np.bincount(beer[core], minlength=n_beers)
    sums = np.zeros((n_beers, scores.shape[1]))
    np.add.at(sums, beer[core], scores[core])
    means = sums / np.maximum(counts, 1)[:, None]
    about = scores[core] - means[beer[core]]
    # a set without any scatter still has that of rounding
    floor = 1e-12 * max(1.0, float(np.square(scores).sum(axis=1).max()))
    squares = about.T @ about + floor * np.eye(scores.shape[1])
    return means, counts.astype(np.int64), squares, int(core.sum() - (counts > 0).sum())


def _left_out(
    scores: Floats, beer: Ints, core: NDArray[np.bool_], means: Floats, counts: Ints, squares: Floats, dof: int
) -> tuple[Floats, Floats]:
    """Return T2 and its tail for every batch against every beer, the batch itself taken out of mean and scatter.

    Taking batch z out of S = sum (z - m)(z - m)' leaves S - c d d' with d = z - m and c = n/(n-1); the inverse follows
    by the Sherman-Morrison formula, and z is then n/(n-1) d away from the mean of the others.
    """
    rows = np.arange(beer.size)
    n_axes = scores.shape[1]
    inverse = np.linalg.inv(squares)
    own_count = counts[beer]
    c = np.where(core, own_count / np.maximum(own_count - 1, 1), 0.0)
    d = scores - means[beer]
    q = np.einsum("ij,jk,ik->i", d, inverse, d)
    keep = np.maximum(1.0 - c * q, 1e-12)
    away = scores[:, None, :] - means
    away[rows, beer] = d * np.where(core, own_count / np.maximum(own_count - 1, 1), 1.0)[:, None]
    plain = np.einsum("ikj,jl,ikl->ik", away, inverse, away)
    cross = np.einsum("ikj,jl,il->ik", away, inverse, d)
    squared = plain + c[:, None] * cross**2 / keep[:, None]
    others = np.broadcast_to(counts.astype(float), squared.shape).copy()
    others[rows, beer] -= core
    left = (dof - core.astype(int))[:, None]
    t2 = np.where(others > 0, others / np.maximum(others + 1, 1) * left * squared, np.nan)
    tail_dof = left - n_axes + 1
    p_value = np.where(tail_dof > 0, fdtrc(n_axes, np.maximum(tail_dof, 1), t2 * tail_dof / (left * n_axes)), np.nan)
    return t2, p_value
