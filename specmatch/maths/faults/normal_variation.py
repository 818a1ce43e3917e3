"""How good pours and good batches of one house differ: along which causes, and by how much."""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.optics.cup import (
    HAZE_NM,
    LOST_TO_HAZE,
    Optics,
    axis_slope,
    haze_return,
    inside_haze,
    shift_slope,
    strength_slope,
)
from specmatch.maths.optics.path_law import TEXTBOOK, PathLaw
from specmatch.maths.spectra.noise import ChannelNoise
from specmatch.maths.statistics.levels import Levels
from specmatch.maths.statistics.robust import quantiles

CAUSES = ("strength", "lamp", "white", "haze", "shift_nm", "lamp_tilt", "axis_nm", "haze_inside")
OF_SESSION = ("axis_nm", "lamp", "lamp_tilt")  # those that the batches of one session share
# What good practice leaves, taken as known from so many rows: a cylinder is good to 1-2 % of its volume (ASTM E1272),
# batches of one beer differ by 3-6 % of colour (common practice, no source), lamp, foam, haze and axis by less.
POUR_SD = np.array([0.012, 0.005, 0.002, 0.003, 0.01, 0.001, 0.005, 0.0005])
BATCH_SD = np.array([0.045, 0.006, 0.002, 0.003, 0.03, 0.001, 0.1, 0.001])
SHAPE_SD = 0.008
PRIOR_ROWS = 4.0
MOST_SHAPES, BATCHES_PER_SHAPE = 4, 4
_ROUNDS, _SETTLED, _SHAPE_ROUNDS = 30, 0.02, 8
# a row beyond this point of its distribution is no natural scatter and teaches nothing about it; part of rows looked at
# before anything is known
_TRUSTED, _AT_FIRST = 1e-4, 0.8


@dataclass(frozen=True)
class NormalVariation:
    """Scatter along causes."""

    shapes: Floats  # (q, p): relative changes of absorbance by which batches of one beer differ, q may be 0
    # pour, batch: (c + q,) for c causes: variances along `CAUSES` and shapes, of a pour about its sample, of a sample
    # about its beer
    pour: Floats
    batch: Floats
    per_pour: float  # mean of 1/m over the samples of m pours behind `batch`
    # (c + q, c + q): correlation of the effects of a batch, which its recipe moves together; empty: none
    together: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    def of_sample(self, n_pours: float, n_batches: float, n_sessions: float | None = None) -> Floats:
        """Return the covariance, (c + q, c + q), of a sample of `n_pours` pours about a mean of `n_batches` batches."""
        # what batches share with their session is averaged over `n_sessions` sessions only
        more = (1.0 / n_pours - self.per_pour) * self.pour
        own = np.maximum(self.batch + np.minimum(more, 0.0), 0.25 * self.batch)
        count = np.full(own.size, n_batches)
        if n_sessions is not None:
            count[[CAUSES.index(name) for name in OF_SESSION]] = n_sessions
        of_batch = _outer(own) + _outer(self.batch / count)
        return (self.together if self.together.size else np.eye(own.size)) * of_batch + np.diag(np.maximum(more, 0.0))

    def of_pour(self, n_mates: float) -> Floats:
        """Return the covariance of a pour about the mean of `n_mates` others, (c + q, c + q)."""
        return np.diag(self.pour * (1.0 + 1.0 / n_mates))

    def directions(self, reflectance: Floats, optics: Optics) -> Floats:
        """Return what one unit of each cause adds to a spectrum, shape (c + q, p)."""
        return causes_at(reflectance, self.shapes, optics, n_causes=self.pour.size - len(self.shapes))


def _outer(variance: Floats) -> Floats:
    return np.sqrt(variance[:, None] * variance)


def causes_at(reflectance: Floats, shapes: Floats, optics: Optics, *, n_causes: int = len(CAUSES)) -> Floats:
    """Return what one unit of each cause adds to a spectrum."""
    # reflectance (..., p), shapes (q, p) -> (..., n_causes + q, p)
    slope = strength_slope(reflectance, optics)
    haze = haze_return(1.0, optics.wavelength_nm) * (1.0 - LOST_TO_HAZE * reflectance)
    tilt = reflectance * (optics.wavelength_nm - HAZE_NM) / 100.0  # of the lamp, a share per 100 nm
    shift, axis = shift_slope(reflectance, optics), axis_slope(reflectance, optics)
    causes = [slope, reflectance, optics.foam - reflectance, haze, shift, tilt, axis, inside_haze(reflectance, optics)]
    return np.concatenate([np.stack(causes[:n_causes], axis=-2), shapes * slope[..., None, :]], axis=-2)


def fit_natural_scatter(
    reflectance: Floats, levels: Levels, *, optics: Optics, noise: ChannelNoise, pour: Floats | None = None
) -> NormalVariation:
    """Learn how pours differ from their sample, unless that is given, and samples from their beer."""
    # variances of largest likelihood of random effects along the causes (EM), with a few rows' worth of good practice
    # added
    # reflectance (n_pours, p), pour (c,)
    if pour is None:
        pours, none = _about_samples(reflectance, levels, noise), np.zeros((0, reflectance.shape[1]))
        pour = np.diagonal(_covariance(_along(pours, none, optics), pours, POUR_SD))
    batches, per_pour = _about_beers(reflectance, levels, noise), levels.per_pour
    # variances, (n_beers, p), of what pours add by the causes that add light, which are no shapes of the beer
    added = pour[1:] @ causes_at(batches.base, np.zeros((0, reflectance.shape[1])), optics)[:, 1:] ** 2
    shapes = _shapes(batches, per_pour * added, optics)
    prior = np.append(BATCH_SD, np.full(len(shapes), SHAPE_SD))
    spread = _covariance(_along(batches, shapes, optics), batches, prior, together=True)
    batch = np.diagonal(spread).copy()
    return NormalVariation(shapes, np.append(pour, np.zeros(len(shapes))), batch, per_pour, spread / _outer(batch))


@dataclass(frozen=True)
class _Departures:
    """Rows that should be alike, held against what they share."""

    apart: Floats  # (n, p): scaled to the variance of one row
    beer: Ints  # (n,)
    unit: Ints  # (n,): rows that go together: an odd pour moves what its mates are held against
    worth: Floats  # (n,): what each counts, being held against a mean that it is part of
    base: Floats  # (n_beers, p)
    noise: Floats  # (n_beers, p): variances of a row


def _about_samples(reflectance: Floats, levels: Levels, noise: ChannelNoise) -> _Departures:
    """Hold pours against the mean of their sample."""
    sample, n_pours = levels.sample, levels.counts("sample")
    rows = np.flatnonzero(n_pours[sample] > 1)
    m = n_pours[sample[rows]]
    apart = levels.about_sample(reflectance)[rows] * np.sqrt(m / (m - 1.0))[:, None]
    base = levels.mean(levels.mean(reflectance, to="batch"), to="beer", of="batch")
    return _Departures(apart, levels.codes("beer")[rows], sample[rows], 1.0 - 1.0 / m, base, noise.variance(base))


def _about_beers(reflectance: Floats, levels: Levels, noise: ChannelNoise) -> _Departures:
    """Hold batches against the mean of their beer."""
    batch = levels.mean(reflectance, to="batch")
    base, n_batches = levels.mean(batch, to="beer", of="batch"), levels.counts("beer")
    told = n_batches[levels.beer] > 1
    beer = levels.beer[told]
    n = n_batches[beer]
    apart = (batch[told] - base[beer]) * np.sqrt(n / (n - 1.0))[:, None]
    variance = noise.sample_variance(base, 1.0 / levels.per_pour)
    return _Departures(apart, beer, np.arange(n.size), 1.0 - 1.0 / n, base, variance)


# What foam reads over the reference: foam of about 0.65 over a base of 0.5 to 0.9 (common practice, no source), and how
# surely; levels tried
USUAL_FOAM, FOAM_SD = 1.0, 0.15
FOAM_LEVELS = np.round(np.arange(0.7, 1.301, 0.1), 1)


def fit_pour_scatter(
    reflectance: Floats, levels: Levels, *, optics: Optics, noise: ChannelNoise
) -> tuple[float, Floats]:
    """Learn the scatter of pours, at the level of foam under which it is likeliest that they differ as they do."""
    # reflectance (n_pours, p) -> level of foam over the reference, (c,): variances along `CAUSES`
    rows, none = _about_samples(reflectance, levels, noise), np.zeros((0, reflectance.shape[1]))
    # the level moves one cause only, by light that is even over the channels: it is seen once, for all levels
    seen = _along(rows, none, replace(optics, foam=0.0), even=True)
    with_level = np.repeat(np.eye(len(CAUSES), len(CAUSES) + 1)[None], FOAM_LEVELS.size, axis=0)
    with_level[:, CAUSES.index("white"), -1] = FOAM_LEVELS
    back = with_level.transpose(0, 2, 1)
    seen = _Along(seen.code, with_level[:, None] @ seen.inner @ back[:, None], seen.projected @ back)
    spread = np.diagonal(_covariance(seen, rows, POUR_SD), axis1=-2, axis2=-1)
    sd = np.sqrt(spread)[:, None]
    inner, along = np.eye(sd.shape[-1]) + sd[..., None] * seen.inner * sd[:, :, None], seen.projected * sd
    square = (rows.apart**2 / rows.noise[rows.beer]).sum(axis=1)
    p = reflectance.shape[1]
    farthest = p + 6.0 * np.sqrt(2.0 * p)  # a pour beyond is a fault and says nothing of foam in good ones
    unlikely = ((FOAM_LEVELS - USUAL_FOAM) / FOAM_SD) ** 2
    for i in range(FOAM_LEVELS.size):
        inverse = np.linalg.inv(inner[i])[seen.code]
        distance = square - (along[i] * (along[i][:, None] @ inverse)[:, 0]).sum(axis=1)
        unlikely[i] += rows.worth @ (np.minimum(distance, farthest) + np.linalg.slogdet(inner[i])[1][seen.code])
    best = int(unlikely.argmin())
    return float(FOAM_LEVELS[best]), spread[best].copy()


# What is known of the law by which light falls with strength before a set tells: glare, the share of light that a matt
# base sends round again, and stray light (common practice, no source), and how surely; where the search begins, its
# steps, and its most trials
USUAL_LAW, LAW_SD = np.array([0.015, 0.0, 0.0]), np.array([0.01, 0.3, 0.01])
LAW_BEGINS, LAW_STEPS, LAW_TRIALS = np.array([0.012, 0.1, 0.004]), np.array([0.008, 0.3, 0.007]), 60
# recipes move absorbance by a tilt and a bow over the band beside strength (common practice, no source)
RECIPE_SD = np.array([0.03, 0.02])


def fit_strength_law(
    reflectance: Floats, levels: Levels, *, optics: Optics, noise: ChannelNoise, path_law: PathLaw | None = None
) -> Optics:
    """Return the optics whose glare, returned and stray light leave least of what batches and pours differ by."""
    # Batches of one beer differ by strength most, and pours by depth: what a channel changes by beside the others tells
    # how much of its light passed the beer, and how often. Of rows y, in the metric G of all other causes, a direction
    # a takes (a'Gy)^2 / a'Ga away.
    # reflectance (n_pours, p)
    from scipy.optimize import minimize  # here: a fitted model is read without it

    batches, pours = _about_beers(reflectance, levels, noise), _about_samples(reflectance, levels, noise)
    kinds = (batches, BATCH_SD, RECIPE_SD), (pours, POUR_SD, 0.0 * RECIPE_SD)
    told = [_AgainstOthers.of(rows, sd, recipe, optics) for rows, sd, recipe in kinds]
    usual, usual_sd = USUAL_LAW.copy(), LAW_SD.copy()
    if path_law is not None and path_law.taught_by != TEXTBOOK:
        # lab colours see strength itself, the scatter of batches sees it through their recipes (tuning: a half)
        usual[1], usual_sd[1] = path_law.returned, 0.5 * float(np.linalg.norm(path_law.spread[1]))
    darkest = 0.3 * float(optics.light.min() / optics.light.mean())

    def law(at: Floats) -> Optics:
        glare, returned, stray = np.clip(at, 0.0, [1.0, 0.9, darkest]).tolist()
        return replace(optics, glare=glare, returned=returned, stray=stray)

    def unlikely(at: Floats) -> float:
        slope, below = strength_slope(batches.base, law(at)), np.minimum(at, 0.0)
        prior = np.square((at - usual) / usual_sd).sum() + 1e3 * np.square(below / LAW_SD).sum()
        return float(prior) - sum(one.taken(slope) for one in told)

    begin = np.vstack([LAW_BEGINS, LAW_BEGINS + np.diag(LAW_STEPS)])
    options = {"initial_simplex": begin, "maxfev": LAW_TRIALS, "xatol": 1e-3, "fatol": 0.5}
    return law(minimize(unlikely, LAW_BEGINS, method="Nelder-Mead", options=options).x)


@dataclass(frozen=True)
class _AgainstOthers:
    """Rows in the metric of the noise and of all causes but strength."""

    rows: _Departures
    seen: Floats  # (n, p): rows times the metric
    loading: Floats  # (n_beers, c, p): the metric is that of the noise less the square of this
    worth: Floats  # (n,)

    @classmethod
    def of(cls, rows: _Departures, sd: Floats, recipe: Floats, optics: Optics) -> "_AgainstOthers":
        p = rows.base.shape[1]
        bend = np.linspace(-1.0, 1.0, p)
        bends = np.vstack([bend, bend**2 - 1.0 / 3.0]) * recipe[:, None]
        loading = causes_at(rows.base, bends, optics)
        slope = loading[:, 0].copy()
        loading[:, 0] = 0.0
        loading[:, : sd.size] *= sd[:, None]
        weighed = loading / rows.noise[:, None]
        root = np.linalg.cholesky(np.eye(loading.shape[1]) + weighed @ loading.swapaxes(1, 2))
        found = cls(rows, rows.apart / rows.noise[rows.beer], np.linalg.solve(root, weighed), rows.worth)
        for k in np.unique(rows.beer):
            own = rows.beer == k
            found.seen[own] -= (rows.apart[own] @ found.loading[k].T) @ found.loading[k]
        # a row so far out is a fault, and tells little of good ones
        left = (rows.apart * found.seen).sum(axis=1) - found._of_rows(slope)
        trust = np.minimum(1.0, (p + 6.0 * np.sqrt(2.0 * p)) / np.maximum(left, 1e-9))
        return replace(found, worth=rows.worth * trust)

    def _of_rows(self, slope: Floats) -> Floats:
        across = np.square((self.loading @ slope[..., None])[..., 0]).sum(axis=1)
        own = (slope**2 / self.rows.noise).sum(axis=1) - across
        along = np.einsum("np,np->n", self.seen, slope[self.rows.beer])
        return np.asarray(along**2 / own[self.rows.beer])

    def taken(self, slope: Floats) -> float:
        """Return what a direction of each beer, shape (n_beers, p), takes away of the squares of its rows."""
        return float(self.worth @ self._of_rows(slope))


@dataclass(frozen=True)
class _Along:
    """Departures seen along causes, in units of the noise."""

    code: Ints  # (n,): place of the beer of each row in `inner`
    inner: Floats  # (..., n_beers, c, c): products of the causes at each beer
    projected: Floats  # (..., n, c): products of rows and causes


def _along(rows: _Departures, shapes: Floats, optics: Optics, *, even: bool = False) -> _Along:
    # even: whether light that is even over the channels is one more cause, the last
    beers, code = np.unique(rows.beer, return_inverse=True)
    noise = np.sqrt(rows.noise[beers])
    loading = causes_at(rows.base[beers], shapes, optics)
    loading = np.concatenate([loading, np.ones((beers.size, int(even), noise.shape[1]))], axis=1) / noise[:, None]
    projected = np.empty((len(code), loading.shape[1]))
    for i in range(beers.size):
        own = np.flatnonzero(code == i)
        projected[own] = (rows.apart[own] / noise[i]) @ loading[i].T
    return _Along(code, loading @ loading.transpose(0, 2, 1), projected)


def _covariance(seen: _Along, rows: _Departures, prior_sd: Floats, *, together: bool = False) -> Floats:
    """Covariance along causes by EM; rows too far out to be natural are set aside each round with all of their unit."""
    # At first the farthest fifth is, whatever it is, so that no faults hide behind the variance that they make. Effects
    # are independent unless they may go `together`.
    # -> (..., c, c)
    prior = np.diag(prior_sd**2)
    mask = np.ones(prior.shape) if together else np.eye(len(prior))
    spread, limit = np.broadcast_to(prior, (*seen.inner.shape[:-3], *prior.shape)), float(chdtri(1, _TRUSTED))
    if not seen.code.size:
        return spread
    # rows of one beer side by side, each a column
    order, counts = np.argsort(seen.code, kind="stable"), np.bincount(seen.code)
    ends = np.cumsum(counts)
    beers = [slice(end - n, end) for end, n in zip(ends.tolist(), counts.tolist(), strict=True)]
    projected = np.moveaxis(seen.projected[..., order, :], -1, -2).copy()
    weight, unit = rows.worth[order], rows.unit[order]
    by_unit = np.argsort(unit, kind="stable")
    first, place = np.unique(unit[by_unit], return_index=True, return_inverse=True)[1:]
    effect = np.empty_like(projected)
    for turn in range(_ROUNDS):
        posterior = np.linalg.inv(seen.inner + np.linalg.inv(spread)[..., None, :, :])
        each, sure = (np.diagonal(one, axis1=-2, axis2=-1) for one in (spread[..., None, :, :], posterior))
        # variance of an estimated effect under the model: the prior's less the posterior's
        per = 1.0 / np.maximum(each - sure, 1e-3 * each)
        for k, own in enumerate(beers):
            effect[..., own] = posterior[..., k, :, :] @ projected[..., own]
        distance = (effect**2 * np.swapaxes(per, -1, -2).repeat(counts, axis=-1)).max(axis=-2)
        distance[..., by_unit] = np.maximum.reduceat(distance[..., by_unit], first, axis=-1)[..., place]
        early = turn < _ROUNDS // 2
        cut = np.minimum(limit, quantiles(distance, (_AT_FIRST,))[0])[..., None] if early else limit
        used = weight * (distance <= cut)
        of_beer = np.add.reduceat(used, ends - counts, axis=-1)
        total = (effect * used[..., None, :]) @ np.swapaxes(effect, -1, -2)
        total = total + np.einsum("...k,...kij->...ij", of_beer, posterior)
        before = spread
        spread = mask * (PRIOR_ROWS * prior + total) / (PRIOR_ROWS + used.sum(axis=-1)[..., None, None])
        moved = np.diagonal(spread - before, axis1=-2, axis2=-1) / np.diagonal(spread, axis1=-2, axis2=-1)
        if not early and np.abs(moved).max() < _SETTLED:
            break
    return spread


def _shapes(rows: _Departures, lifted: Floats, optics: Optics) -> Floats:
    """Relative changes of absorbance, beside a change of strength, that batches share: shape (q, p)."""
    # lifted (n_beers, p): variances of the light that pours add
    apart, beer, noise = rows.apart, rows.beer, rows.noise + lifted
    dof = len(apart) - np.unique(beer).size
    q = int(np.clip(dof // BATCHES_PER_SHAPE, 0, MOST_SHAPES))
    if not q:
        return np.zeros((0, optics.wavelength_nm.size))
    slope = strength_slope(rows.base, optics)[beer]
    information = slope**2 / noise[beer]
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
