"""How good pours and good batches of one house differ: along which causes, and by how much.

Causes are the same for pours and batches: strength or depth, light of the lamp, white (foam), haze, and the shapes by
which batches of one beer differ in this house. Each has a variance between pours and one between batches.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.optics.cup import FOAM_REFLECTANCE, LOST_TO_HAZE, Optics, haze_return, strength_slope
from specmatch.maths.spectra.noise import ChannelNoise
from specmatch.maths.statistics.levels import Levels

CAUSES = ("strength", "lamp", "white", "haze")
# What good practice leaves, taken as known from so many rows: a cylinder is good to 1-2 % of its volume (ASTM E1272),
# batches of one beer differ by 3-6 % of colour (common practice, no source), lamp, foam and haze by less.
POUR_SD, BATCH_SD = np.array([0.012, 0.005, 0.002, 0.003]), np.array([0.045, 0.006, 0.002, 0.003])
SHAPE_SD = 0.008
PRIOR_ROWS = 4.0
MOST_SHAPES, BATCHES_PER_SHAPE = 4, 4
_ROUNDS, _SHAPE_ROUNDS = 25, 8
# a row beyond this point of its distribution is no natural scatter and teaches nothing about it
_TRUSTED = 1e-4


@dataclass(frozen=True)
class NormalVariation:
    """Scatter along causes."""

    shapes: Floats  # (q, p): relative changes of absorbance by which batches of one beer differ, q may be 0
    # pour, batch: (4 + q,): variances along `CAUSES` and shapes: of a pour about its sample, of a sample about its beer
    pour: Floats
    batch: Floats
    per_pour: float  # mean of 1/m over the samples of m pours behind `batch`

    def of_sample(self, n_pours: float, n_batches: float) -> Floats:
        """Return the variances of a sample of `n_pours` pours about the mean of `n_batches` batches, (4 + q,)."""
        one = np.maximum(self.batch + (1.0 / n_pours - self.per_pour) * self.pour, 0.25 * self.batch)
        return one + self.batch / n_batches

    def of_pour(self, n_mates: float) -> Floats:
        """Return the variances of a pour about the mean of `n_mates` others, (4 + q,)."""
        return self.pour * (1.0 + 1.0 / n_mates)

    def directions(self, reflectance: Floats, optics: Optics) -> Floats:
        """Return what one unit of each cause adds to a spectrum, shape (4 + q, p)."""
        return causes_at(reflectance, self.shapes, optics)


def causes_at(reflectance: Floats, shapes: Floats, optics: Optics) -> Floats:
    """Return what one unit of each cause adds to a spectrum."""
    # reflectance (p,), shapes (q, p) -> (4 + q, p)
    slope = strength_slope(reflectance, optics.glare)
    haze = haze_return(1.0, optics.wavelength_nm) * (1.0 - LOST_TO_HAZE * reflectance)
    return np.vstack([slope, reflectance, FOAM_REFLECTANCE - reflectance, haze, shapes * slope])


def fit_natural_scatter(reflectance: Floats, levels: Levels, *, optics: Optics, noise: ChannelNoise) -> NormalVariation:
    """Learn how pours differ from their sample and samples from their beer.

    Variances are those of largest likelihood of random effects along the causes (EM), with a few rows' worth of good
    practice added; shapes come from weighted alternating least squares on what strength leaves of the batches.
    """
    # reflectance (n_pours, p)
    sample, batch_beer = levels.sample, levels.beer
    batch_mean = levels.mean(reflectance, to="batch")
    beer_mean = levels.mean(batch_mean, to="beer", of="batch")
    n_pours, n_batches, per_pour = levels.counts("sample"), levels.counts("beer"), levels.per_pour

    none = np.zeros((0, reflectance.shape[1]))
    rows = np.flatnonzero(n_pours[sample] > 1)
    m = n_pours[sample[rows]]
    apart = levels.about_sample(reflectance)[rows] * np.sqrt(m / (m - 1.0))[:, None]
    base = [beer_mean[k] for k in range(len(beer_mean))]
    variance = [noise.variance(one) for one in base]
    pour = _variances(apart, levels.codes("beer")[rows], 1.0 - 1.0 / m, base, variance, none, optics, POUR_SD)

    told = n_batches[batch_beer] > 1
    n = n_batches[batch_beer[told]]
    apart = (batch_mean[told] - beer_mean[batch_beer[told]]) * np.sqrt(n / (n - 1.0))[:, None]
    variance = [noise.sample_variance(one, 1.0 / per_pour) for one in base]
    lifted = [v + per_pour * _additive(one, pour, optics) for v, one in zip(variance, base, strict=True)]
    shapes = _shapes(apart, batch_beer[told], base, lifted, optics)
    prior = np.append(BATCH_SD, np.full(len(shapes), SHAPE_SD))
    spread = _variances(apart, batch_beer[told], 1.0 - 1.0 / n, base, variance, shapes, optics, prior)
    return NormalVariation(shapes, np.append(pour, np.zeros(len(shapes))), spread, per_pour)


def _variances(
    apart: Floats,
    beer: Ints,
    weight: Floats,
    base: list[Floats],
    noise: list[Floats],
    shapes: Floats,
    optics: Optics,
    prior_sd: Floats,
) -> Floats:
    """Variances along causes by EM; rows too far out to be natural are set aside in each round."""
    prior = prior_sd**2
    # a start above good practice, so that the rows of an untidy house are not all set aside at once
    spread = 4.0 * prior
    groups = []
    for k in np.unique(beer):
        rows = np.flatnonzero(beer == k)
        loading = causes_at(base[k], shapes, optics) / np.sqrt(noise[k])
        groups.append((loading @ loading.T, (apart[rows] / np.sqrt(noise[k])) @ loading.T, weight[rows]))
    limit = float(chdtri(prior.size, _TRUSTED))
    for _ in range(_ROUNDS):
        total, rows_used = PRIOR_ROWS * prior, np.full(prior.size, PRIOR_ROWS)
        for inner, projected, worth in groups:
            posterior = np.linalg.inv(inner + np.diag(1.0 / spread))
            effect = projected @ posterior
            # variance of an estimated effect under the model: the prior's less the posterior's
            explained = spread - np.diag(posterior)
            distance = (effect**2 / np.maximum(explained, 1e-3 * spread)).max(axis=1)
            used = worth * (distance < limit)
            total = total + used @ effect**2 + used.sum() * np.diag(posterior)
            rows_used = rows_used + used.sum()
        spread = total / rows_used
    return spread


def _additive(reflectance: Floats, pour: Floats, optics: Optics) -> Floats:
    """Variance of each channel from the causes that add light, which are no shapes of the beer."""
    return pour[1:] @ causes_at(reflectance, np.zeros((0, reflectance.size)), optics)[1:] ** 2


def _shapes(apart: Floats, beer: Ints, base: list[Floats], noise: list[Floats], optics: Optics) -> Floats:
    """Relative changes of absorbance, beside a change of strength, that batches share: shape (q, p)."""
    dof = len(apart) - np.unique(beer).size
    q = int(np.clip(dof // BATCHES_PER_SHAPE, 0, MOST_SHAPES))
    if not q:
        return np.zeros((0, optics.wavelength_nm.size))
    slope = np.array([strength_slope(one, optics.glare) for one in base])[beer]
    information = slope**2 / np.array(noise)[beer]
    # a channel tells at most what one a hundred times the median tells, or one channel would be a shape of its own
    information = np.minimum(information, 100.0 * np.median(information, axis=1, keepdims=True))
    relative = np.where(np.abs(slope) > 1e-4, apart / np.where(np.abs(slope) > 1e-4, slope, 1.0), 0.0)
    weighted = relative * np.sqrt(information)
    # trust no single row: bad scans in the set must not become a shape of the house
    size = np.sqrt((weighted**2).mean(axis=1))
    cap = 3.0 * np.median(size)
    information = information * np.minimum(1.0, cap / np.maximum(size, 1e-12))[:, None] ** 2
    column = np.sqrt(information.mean(axis=0))
    start = np.linalg.svd(relative * column, full_matrices=False)[2][:q] / np.maximum(column, 1e-12)
    shapes = np.vstack([np.ones(relative.shape[1]), start])
    for _ in range(_SHAPE_ROUNDS):
        inner = np.einsum("ip,np,jp->nij", shapes, information, shapes, optimize=True)
        right = np.einsum("ip,np,np->ni", shapes, information, relative, optimize=True)
        ridge = 1e-6 * np.trace(inner, axis1=1, axis2=2)[:, None, None] * np.eye(q + 1)
        effect = np.linalg.solve(inner + ridge, right[..., None])[..., 0]
        left = relative - effect[:, :1]
        own = effect[:, 1:]
        inner = np.einsum("ni,np,nj->pij", own, information, own, optimize=True)
        right = np.einsum("ni,np,np->pi", own, information, left, optimize=True)
        ridge = 1e-3 * np.trace(inner, axis1=1, axis2=2).mean() * np.eye(q)
        new = np.linalg.solve(inner + ridge, right[..., None])[..., 0].T
        shapes = np.vstack([np.ones(relative.shape[1]), _orthogonal(new, column)])
    return shapes[1:]


def _orthogonal(shapes: Floats, column: Floats) -> Floats:
    """Return shapes spanning the same changes, each of root mean square 1 and apart from the others."""
    kept = np.linalg.svd(shapes * column, full_matrices=False)[2] / np.maximum(column, 1e-12)
    return kept / np.sqrt((kept**2 * column**2).sum(axis=1) / (column**2).sum())[:, None]
