"""Batches on the main axes of their spectra, each judged against the beers by a set that does not hold it."""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, fdtrc

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.spectra.transforms import absorbance
from specmatch.reference.tables.pours import Pours

# What is to be told is whether a batch is of its beer; beers and batches differ in a few smooth shapes.
N_AXES = 8
# Absorbance at which its logarithm gives way to a straight line: about what noise and glare leave uncertain.
ABSORBANCE_OFFSET = 0.05
# Beers of like colour scatter alike; a beer half as dark again counts for three fifths (log of mean absorbance).
LIKE_COLOUR = 0.5
# A batch as far out as this once in so many batches of a clean set is kept out of what the others are judged by.
OUT_OF_THE_CORE = 1e-3
LARGEST_SHARE_OUT = 0.2
FEWEST_FOR_OWN_SCALE = 5
# Part of the reflectance of the darkest channel that is surface glare, which no beer absorbs.
GLARE_PART = 0.95
_STEP = 0.01  # small enough to be straight, large enough for rounding not to matter


@dataclass(frozen=True)
class Scatter:
    """Where the beers lie and how their batches scatter; fields are per beer."""

    means: Floats  # (n_beers, a)
    counts: Ints  # (n_beers,): batches behind each mean
    # (n_beers, n_beers): weight of the scatter of each beer (column) in that of each beer (row); 1 on the diagonal
    likeness: Floats
    # (n_beers, a, a): sums of squares of batches about their beers, weighted by likeness, on `dof` degrees of freedom
    squares: Floats
    dof: Floats  # (n_beers,)


@dataclass(frozen=True)
class BatchScores:
    """Scores of batches and the scatter that they are judged by."""

    scores: Floats  # (n_batches, a)
    beer: Ints  # (n_batches,)
    core: Mask  # (n_batches,): batches that means and scatter rest on
    scatter: Scatter  # of the core
    # t2, p_value: (n_batches, n_beers): hotelling's T2 of each batch against each beer with the batch itself left out,
    # in the beer's own scale, and its F-tail; NaN for a beer that has no other batch
    t2: Floats
    p_value: Floats
    # up_strength, up_light: (n_beers, a): change of scores with the logarithm of absorbance, and with that of
    # reflectance, about each beer's mean
    up_strength: Floats
    up_light: Floats

    def along(self, direction: Floats, rows: Ints) -> Floats:
        """Return how far batches stand from their beer along directions, by generalised least squares."""
        # direction (n_beers, a), rows (m,) -> (m,)
        weighted = np.linalg.solve(self.scatter.squares, direction[:, :, None])[:, :, 0]
        weighted /= np.einsum("ij,ij->i", weighted, direction)[:, None]
        offset = self.scores[rows] - self.scatter.means[self.beer[rows]]
        return np.einsum("ij,ij->i", weighted[self.beer[rows]], offset)

    def whitened(self, rows: Ints) -> Floats:
        """Return departures of batches from their beer, shape (m, a), in units of the scatter of beers like it."""
        half = np.linalg.cholesky(self.scatter.squares / np.maximum(self.scatter.dof, 1.0)[:, None, None])
        offset = self.scores[rows] - self.scatter.means[self.beer[rows]]
        return np.linalg.solve(half[self.beer[rows]], offset[:, :, None])[:, :, 0]


def score_batches(pours: Pours) -> BatchScores | None:
    """Place batches on the main axes of their spectra and judge each with itself left out."""
    n_axes = min(N_AXES, (pours.levels.beer.size - len(pours.beer_names)) // 3, pours.wavelength_nm.size)
    if n_axes < 1:
        return None
    means = pours.batch_means()
    spectra = features(means)
    centre = spectra.mean(axis=0)
    # distances below are Hotelling's, which no linear map of the scores changes: only the axes kept matter
    axes = np.linalg.svd(spectra - centre, full_matrices=False)[2][:n_axes].T
    scores = (spectra - centre) @ axes
    beer, typical = pours.levels.beer, pours.levels.mean(means, to="beer", of="batch")
    likeness = _likeness(typical)
    core = _core(scores, beer, likeness)
    scatter = _scatter(scores, beer, core, likeness)
    t2, p_value = _left_out(scores, beer, core, scatter, scale=_own_scale(scores, beer, core, scatter))
    glare = GLARE_PART * max(float(typical.min()), 0.0)
    absorbing = np.maximum(typical - glare, 1e-4)
    slopes = [
        (features(above) - features(below)) @ axes / (2 * _STEP)
        for above, below in (
            (absorbing ** (1 + _STEP) + glare, absorbing ** (1 - _STEP) + glare),
            (typical * (1 + _STEP), typical * (1 - _STEP)),
        )
    ]
    return BatchScores(scores, beer, core, scatter, t2, p_value, *slopes)


def features(reflectance: Floats) -> Floats:
    """Bend absorbance so that it goes on below zero and grows as its logarithm above `ABSORBANCE_OFFSET`."""
    # reflectance (n, p) -> (n, p)
    return np.arcsinh(absorbance(reflectance) / (2.0 * ABSORBANCE_OFFSET))


def _likeness(typical: Floats) -> Floats:
    level = np.log(np.maximum(absorbance(typical).mean(axis=1), 1e-3))
    return np.exp(-0.5 * ((level[:, None] - level) / LIKE_COLOUR) ** 2)


def _core(scores: Floats, beer: Ints, likeness: Floats) -> Mask:
    """Leave out the worst batch, fit again, and so on, until none is far out or a fifth is gone."""
    core = np.ones(beer.size, dtype=bool)
    for _ in range(int(LARGEST_SHARE_OUT * beer.size)):
        _, p_value = _left_out(scores, beer, core, _scatter(scores, beer, core, likeness))
        own = np.where(core, p_value[np.arange(beer.size), beer], np.nan)
        if not (own < OUT_OF_THE_CORE).any():
            break
        core[np.nanargmin(own)] = False
    return core


def _scatter(scores: Floats, beer: Ints, core: Mask, likeness: Floats) -> Scatter:
    n_beers, n_axes = len(likeness), scores.shape[1]
    counts = np.bincount(beer[core], minlength=n_beers)
    sums = np.zeros((n_beers, n_axes))
    np.add.at(sums, beer[core], scores[core])
    means = sums / np.maximum(counts, 1)[:, None]
    about = scores[core] - means[beer[core]]
    own = np.zeros((n_beers, n_axes, n_axes))
    np.add.at(own, beer[core], about[:, :, None] * about[:, None, :])
    # a set without any scatter still has that of rounding
    floor = 1e-12 * max(1.0, float(np.square(scores).sum(axis=1).max())) * np.eye(n_axes)
    squares = np.einsum("kj,jab->kab", likeness, own) + floor
    free = np.maximum(counts - 1, 0)
    # degrees of freedom of a weighted sum of squares (Satterthwaite): sum w f squared over sum w^2 f
    dof = (likeness @ free) ** 2 / np.maximum(likeness**2 @ free, 1e-9)
    # squares are brought to the scale of `dof`, so that squares / dof is the covariance
    squares *= (dof / np.maximum(likeness @ free, 1e-9))[:, None, None]
    return Scatter(means, counts.astype(np.int64), likeness, squares, dof)


def _own_scale(scores: Floats, beer: Ints, core: Mask, scatter: Scatter) -> Floats:
    """Return how much wider than its like each beer scatters, (n_beers,), 1 or more.

    From the middle of its batches, which a batch that does not belong leaves where it is.
    """
    t2, _ = _left_out(scores, beer, core, scatter)
    own = t2[np.arange(beer.size), beer]
    wider = np.ones(scatter.counts.size)
    for k in range(wider.size):
        members = own[(beer == k) & np.isfinite(own)]
        if members.size >= FEWEST_FOR_OWN_SCALE:
            wider[k] = max(1.0, float(np.median(members)) / float(chdtri(scores.shape[1], 0.5)))
    return wider


def _left_out(
    scores: Floats, beer: Ints, core: Mask, scatter: Scatter, *, scale: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return T2 and its tail for every batch against every beer, the batch itself taken out of mean and scatter.

    Taking batch z out of S = sum (z - m)(z - m)' leaves S - c d d' with d = z - m and c = n/(n-1); the inverse follows
    by the Sherman-Morrison formula, and z is then n/(n-1) d away from the mean of the others.
    """
    n_axes, own_count = scores.shape[1], scatter.counts[beer]
    more = np.where(core, own_count / np.maximum(own_count - 1, 1), 1.0)
    d = scores - scatter.means[beer]
    t2, p_value = (np.full((beer.size, scatter.counts.size), np.nan) for _ in range(2))
    for k in range(scatter.counts.size):
        inverse = np.linalg.inv(scatter.squares[k])
        others = scatter.counts[k] - (core & (beer == k))
        away = np.where((beer == k)[:, None], more[:, None] * d, scores - scatter.means[k])
        # the part that the batch itself has in the squares of beer k, in their scale
        part = np.where(core, more * scatter.likeness[k, beer], 0.0)
        part *= scatter.dof[k] / max(float(scatter.likeness[k] @ np.maximum(scatter.counts - 1, 0)), 1e-9)
        solved = away @ inverse
        keep = np.maximum(1.0 - part * np.einsum("ij,jk,ik->i", d, inverse, d), 1e-12)
        squared = np.einsum("ij,ij->i", solved, away) + part * np.einsum("ij,ij->i", solved, d) ** 2 / keep
        left = scatter.dof[k] - np.where(core, scatter.likeness[k, beer], 0.0)
        known = (others > 0) & (left >= n_axes)
        own_t2 = others / (others + 1.0) * left * squared / (1.0 if scale is None else scale[k])
        tail_dof = np.maximum(left - n_axes + 1, 1.0)
        tail = fdtrc(n_axes, tail_dof, own_t2 * tail_dof / (np.maximum(left, 1.0) * n_axes))
        t2[:, k], p_value[:, k] = np.where(known, own_t2, np.nan), np.where(known, tail, np.nan)
    return t2, p_value
