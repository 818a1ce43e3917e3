"""Calibration transfer: maps from the spectra of one module to those of another, learnt from batches on both."""

# What can differ between two benches moves a spectrum along known directions, whatever the beer. Where lamps differ,
# what a slit mixes and how much stray light counts follow the shapes of both lamps: there axis, slit and stray light
# may have an amount of their own in each half of a slit's width.

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import ndtri, stdtrit

from specmatch.array_types import Floats, Ints
from specmatch.maths.spectra.noise import ChannelNoise, off_the_line, slit_weights, to_ends, to_weigh_by
from specmatch.maths.spectra.transforms import LogAbsorbance

AS_IT_IS, FEW_PARAMETERS, BY_WAVELENGTH = "as it is", "few parameters", "few parameters by wavelength"
ROUTES = (AS_IT_IS, FEW_PARAMETERS, BY_WAVELENGTH)

# What moves a spectrum, with how far two benches may well lie apart in it (tuned on invented houses): light that never
# meets the beer, depth or strength, level, axis in nm, slit as variance in nm^2 and stray light, each under the lamp of
# the one and of the other, light that a matt base returns more than once, and its second order.
TERMS = ("glare", "strength", "level", "axis", "slit", "slit_2", "stray", "stray_2", "returns", "returns_2")
PRIOR_SD = np.array([0.02, 0.05, 0.003, 1.0, 15.0, 15.0, 0.02, 0.02, 0.3, 0.3])
# terms that follow the shape of a lamp, and half the shortest wave of their amounts: half the width of a slit
OF_LAMP, WAVE_NM = ("axis", "slit", "stray", "stray_2"), 6.5
ROUNDS, EVIDENCE_ROUNDS, LEAST_SHARE = 3, 8, 1e-4
# of the axis and of the lamp, between two sessions
SESSION_NM, SESSION_LEVEL = 0.15, 0.001
# Pours of a pale beer differ otherwise than those of a dark one: a batch is given the scatter of those near it in
# darkness, within so many standard deviations of the set's (tuned on invented houses).
NEAR = 0.8
LEAST_REFLECTANCE, LEAST_LIGHT = 1e-3, 0.02
# of the bell under which spectra are smoothed, about a slit
SMOOTHED_NM = 5.0


@dataclass(frozen=True)
class Bench:
    """What a map is learnt in: channels, scale, and how pours of one sample differ."""

    wavelength_nm: Floats  # (p,)
    scale: LogAbsorbance
    pours: Floats  # (n, p): of the set, on the scale
    apart: Floats  # (n, p): from the mean of their sample, each as long as one that taught no mean
    dof: int  # of all these differences
    noises: tuple[ChannelNoise, ChannelNoise]  # of a scan on each module

    @property
    def lights(self) -> Floats:
        """Light of the reference of each module over its peak, shape (2, p)."""
        return np.stack([noise.light for noise in self.noises])

    def noisier(self, reflectance: Floats, batch: Ints) -> Floats:
        """Return spectra carried over, shape (n, p), with the noise by which the second module exceeds the first."""
        # batch (n,): the noise of a reference is shared by what was measured after it
        rng, full = np.random.default_rng(1), np.ones_like(reflectance)
        (first, second), lights = self.noises, (reflectance, full)
        scan, reference = (np.sqrt(np.maximum(second.variance(at) - first.variance(at), 0.0)) for at in lights)
        shared = rng.standard_normal((int(batch.max()) + 1, reflectance.shape[1]))[batch]
        return reflectance + scan * rng.standard_normal(reflectance.shape) + reflectance * reference * shared


@dataclass(frozen=True)
class Pairs:
    """Batches that both modules have measured."""

    own: Floats  # own, second: (K, p): reflectance, means of pours
    second: Floats
    whiten: Floats  # (K, p, p): what makes the noise of a difference, on the scale, independent and 1
    axis: Floats  # (K, p): what an axis off by 1 nm moves on the scale

    def part(self, kept: Ints) -> "Pairs":
        """Return some of the batches."""
        return Pairs(self.own[kept], self.second[kept], self.whiten[kept], self.axis[kept])


@dataclass(frozen=True)
class TermMap:
    """Terms by how much of each."""

    wavelength_nm: Floats
    lights: Floats
    route: str
    amounts: Floats  # (q,): of `_columns`
    root: Floats  # (q, q): of their covariance, lower triangular

    def apply(self, reflectance: Floats, amounts: Floats | None = None) -> Floats:
        """Return the spectra, shape (n, p), as the other module would see them."""
        if not self.amounts.size:
            return np.array(reflectance)
        nm = self.wavelength_nm
        profile = _profile(self.amounts if amounts is None else amounts, *_columns(self.route, nm))
        return reflectance + np.einsum("ntp,tp->np", _directions(reflectance, nm, self.lights), profile)

    def amount_of(self, term: str) -> float:
        """Return the amount of a term, its mean over the band where it changes with wavelength."""
        place = _columns(self.route, self.wavelength_nm)[0]
        return float(self.amounts[np.searchsorted(place, TERMS.index(term))]) if place.size else 0.0


def fit_terms(pairs: Pairs, bench: Bench, route: str) -> TermMap:
    """Learn the terms of a route by generalised least squares, each drawn to none as far as the batches let it."""
    # Gauss-Newton, with the variance of each term by maximum likelihood (D. J. C. MacKay, Neural Computation 4:415-447,
    # 1992; automatic relevance determination, the update from memory)
    nm, lights = bench.wavelength_nm, bench.lights
    term, waves = _columns(route, nm)
    if not term.size:
        return TermMap(nm, lights, route, np.zeros(0), np.zeros((0, 0)))
    first = PRIOR_SD[term] ** 2
    # a term's level and its change with wavelength have a variance each
    group = 2 * term + (np.arange(term.size) != np.searchsorted(term, term))
    prior, amounts = first.copy(), np.zeros(term.size)
    directions = _directions(pairs.own, nm, lights)
    target = bench.scale.apply(pairs.second)
    for step in range(ROUNDS):
        seen = pairs.own + np.einsum("ntp,tp->np", directions, _profile(amounts, term, waves))
        slope = bench.scale.slope(seen)
        information, pull = np.zeros((term.size, term.size)), np.zeros(term.size)
        squares = 0.0
        for k, whiten in enumerate(pairs.whiten):
            left = whiten @ (directions[k][term] * waves * slope[k]).T
            apart = whiten @ (target[k] - bench.scale.apply(seen[k : k + 1])[0])
            information += left.T @ left
            pull += left.T @ (apart + left @ amounts)
            squares += float(apart @ apart)
        # what no term explains counts as noise: else many channels would make few batches sure of themselves
        misfit = max(1.0, squares / target.size) if step else 1.0
        for _ in range(EVIDENCE_ROUNDS):
            covariance = np.linalg.inv(information / misfit + np.diag(1.0 / prior))
            amounts = covariance @ pull / misfit
            size = (amounts**2 + np.diag(covariance)) / first
            each = np.bincount(group, size) / np.maximum(np.bincount(group), 1)
            prior = first * np.clip(each[group], LEAST_SHARE, 1.0)
    return TermMap(nm, lights, route, amounts, np.linalg.cholesky(covariance))


def pair(own: Floats, second: Floats, own_pours: Floats, second_pours: Floats, bench: Bench) -> Pairs:
    """Put batches that both modules have measured side by side, with the noise of their difference."""
    spread = 1.0 / own_pours + 1.0 / second_pours
    slope = bench.scale.slope(second)
    # two sessions: the axis wanders, and so does the lamp between a reference and its scans
    smooth = own @ slit_weights(bench.wavelength_nm, SMOOTHED_NM).T
    moved = np.gradient(smooth, bench.wavelength_nm, axis=1) * slope
    lit = own * slope * SESSION_LEVEL
    darkness, at = bench.pours.mean(axis=1), bench.scale.apply(own).mean(axis=1)
    reach = NEAR * max(float(darkness.std()), 1e-9)
    square = off_the_line(bench.apart) ** 2
    whiten = []
    for k, size in enumerate(spread):
        weight = np.exp(-0.5 * ((darkness - at[k]) / reach) ** 2) + 1e-9
        covariance = (bench.apart.T * weight) @ bench.apart / weight.sum()
        dof = bench.dof * weight.sum() ** 2 / (weight**2).sum() / weight.size
        noise = to_ends(np.sqrt(weight @ square / weight.sum()), own.shape[1])
        noise = np.minimum(to_weigh_by(noise, dof), np.sqrt(np.diag(covariance)) + 1e-9)
        covariance = size * covariance + np.diag((1.0 + size) * noise**2)
        covariance += SESSION_NM**2 * np.outer(moved[k], moved[k]) + np.outer(lit[k], lit[k])
        whiten.append(np.linalg.inv(np.linalg.cholesky(covariance)))
    return Pairs(own, second, np.array(whiten), moved)


def _columns(route: str, nm: Floats) -> tuple[Ints, Floats]:
    """Return the term, shape (q,), and the wave over the band, shape (q, p), of each amount of a route."""
    if route == AS_IT_IS:
        return np.zeros(0, np.int64), np.zeros((0, nm.size))
    at = (nm - nm[0]) / (nm[-1] - nm[0])
    most = max(1, int((nm[-1] - nm[0]) / WAVE_NM)) if route == BY_WAVELENGTH else 1
    n_waves = [most if term in OF_LAMP else 1 for term in TERMS]
    wave = np.concatenate([np.arange(n) for n in n_waves])
    return np.repeat(np.arange(len(TERMS)), n_waves), np.cos(np.pi * wave[:, None] * at)


def _profile(amounts: Floats, term: Ints, waves: Floats) -> Floats:
    """Return how much of each term there is in each channel, shape (terms, p)."""
    return np.add.reduceat(amounts[:, None] * waves, np.searchsorted(term, np.arange(len(TERMS))))


def _directions(reflectance: Floats, nm: Floats, lights: Floats) -> Floats:
    """Return what a unit of each term adds to each spectrum, shape (n, terms, p)."""
    over_slit = slit_weights(nm, SMOOTHED_NM).T
    # noise of the channels would be in what is added and in what it is to explain, and pass for a difference of benches
    R = reflectance @ over_slit
    bounded = np.clip(R, LEAST_REFLECTANCE, 1.0)
    first = np.gradient(R, nm, axis=1)
    second = np.gradient(first, nm, axis=1)
    bent, stray = [], []
    for lamp in np.maximum(lights @ over_slit, LEAST_LIGHT):
        # what a slit mixes is weighted by the lamp; stray light counts by how little light of its own a channel has
        bent.append(second / 2.0 + first * np.gradient(np.log(lamp), nm))
        stray.append(((R * lamp).mean(axis=1, keepdims=True) / lamp.mean() - R) * lamp.mean() / lamp)
    returns = bounded * (1.0 - bounded**2)
    every = [1.0 - R, bounded * np.log(bounded), R, first, *bent, *stray, returns, returns * bounded**2]
    return np.stack(every, axis=1)


Judge = Callable[[Floats], Floats]
# A handful of batches, each left out at an end of the colours, does not tell the best route from one nearly as good:
# all within this of the smallest error serve, weighing by its inverse power.
NEARLY_AS_GOOD, POWER = 1.25, 2.0
NOISE_DRAWS = 16
# batches are left out one at a time up to so many, and so many parts of them beyond
MOST_FOLDS = 12
# two labels look swapped where exchanging them lowers the squared error so many times, and it is not small
EXCHANGED, FAR_OFF = 9.0, 50.0


@dataclass(frozen=True)
class Transfer:
    """A map from one module to another, and what batches left out say of it."""

    maps: tuple[TermMap, ...]
    weights: Floats  # of the maps, 1 in sum
    left_out: dict[str, float]  # root mean square error of each route on shared batches left out, in units of the judge
    # error, excess: (K, a): squared error of each batch by the map without it, along each coordinate of the judge, and
    # the part of it that measuring a batch twice does not explain
    error: Floats
    excess: Floats
    misfit: Floats  # (r, p): directions, on the scale, in which it errs by one standard deviation beyond noise

    @property
    def route(self) -> str:
        """Return the route of the smallest error."""
        return min(self.left_out, key=self.left_out.__getitem__)

    def amount_of(self, term: str) -> float:
        """Return the largest amount of a term in the maps that hold it."""
        return max((one.amount_of(term) for one in self.maps), key=abs)


def fit_transfer(pairs: Pairs, bench: Bench, judge: Judge) -> Transfer:
    """Choose a route by shared batches left out and learn it from all of them."""
    n = len(pairs.own)
    seen = judge(pairs.second)
    fold = np.arange(n) % MOST_FOLDS
    left_out, predicted = {}, []
    for route in ROUTES:
        by_fold = [fit_terms(pairs.part(np.flatnonzero(fold != k)), bench, route) for k in range(fold.max() + 1)]
        out = np.concatenate([by_fold[at].apply(pairs.own[k : k + 1]) for k, at in enumerate(fold)])
        left_out[route] = float(np.sqrt(np.mean(np.sum((judge(out) - seen) ** 2, axis=1))))
        predicted.append(out)
    errors = np.array(list(left_out.values()))
    serve = np.flatnonzero(errors <= NEARLY_AS_GOOD * errors.min())
    weights = np.maximum(errors[serve], 1e-9) ** -POWER
    weights /= weights.sum()
    out = np.einsum("m,mkp->kp", weights, np.stack([predicted[k] for k in serve]))
    maps = tuple(fit_terms(pairs, bench, ROUTES[k]) for k in serve)
    within = np.einsum("m,mkp->kp", weights, np.stack([one.apply(pairs.own) for one in maps]))
    # Without a batch at an end of the colours the map reaches beyond all that taught it, as the whole one never will.
    # A residual with the batch times one without it is the square of what it errs by itself (as of least squares:
    # D. A. Belsley, E. Kuh, R. E. Welsch, Regression Diagnostics, 1980; from memory).
    sizes = [np.linalg.norm(judge(rows) - seen, axis=1) for rows in (within, out)]
    alike = np.sqrt(np.minimum(sizes[0] / np.maximum(sizes[1], 1e-9), 1.0))
    excess, misfit = _left_over(pairs, bench, judge, out, alike)
    return Transfer(maps, weights, left_out, (judge(out) - seen) ** 2, excess, misfit)


def _left_over(pairs: Pairs, bench: Bench, judge: Judge, out: Floats, alike: Floats) -> tuple[Floats, Floats]:
    """Part what left-out batches are off by, as in `Transfer`, from the noise of measuring them twice."""
    # alike (K,): by how much the residual of each is to shrink for that the others had to reach for it
    off = (bench.scale.apply(pairs.second) - bench.scale.apply(out)) * alike[:, None]
    rng, n = np.random.default_rng(0), len(off)
    noise = np.stack([
        np.linalg.solve(whiten, rng.standard_normal((off.shape[1], NOISE_DRAWS))).T for whiten in pairs.whiten
    ], axis=1)  # fmt: skip
    # an axis that wanders between sessions does so on both modules, and the set's own scatter holds it
    for k in range(n):
        seen, along = pairs.whiten[k] @ np.column_stack([off[k], noise[:, k].T]), pairs.whiten[k] @ pairs.axis[k]
        apart = np.outer(pairs.axis[k], along @ seen / (along @ along))
        off[k] -= apart[:, 0]
        noise[:, k] -= apart[:, 1:].T
    at = judge(out)
    found = (judge(moved_on_scale(bench, out, off)) - at) ** 2
    by_chance = np.mean([(judge(moved_on_scale(bench, out, one)) - at) ** 2 for one in noise], axis=0)
    # n batches without a misfit do not show that there is none: one in n more may have one
    share = max(1.0 / n, 1.0 - float(by_chance.sum()) / max(float(found.sum()), 1e-300))
    beyond = np.maximum(found.sum(axis=0) - by_chance.sum(axis=0), 0.0) / n
    return np.tile(beyond, (n, 1)), off * np.sqrt(share / n)


def exchanged(pairs: Pairs, bench: Bench, judge: Judge, beer: Ints) -> tuple[int, int] | None:
    """Return two batches of different beers that fit far better with their labels exchanged, if any do."""
    found, n, seen = [], len(pairs.own), judge(pairs.second)

    def carried(rows: Ints) -> Floats:
        rest = np.delete(np.arange(n), rows)
        return judge(fit_terms(pairs.part(rest), bench, FEW_PARAMETERS).apply(pairs.own[rows]))

    off = np.array([float(np.sum((carried(np.array([k]))[0] - seen[k]) ** 2)) for k in range(n)])
    # both lie far off; with a wrong label among the batches that taught the map, others may as well
    suspects = np.flatnonzero(off > FAR_OFF / 4.0)[:MOST_FOLDS]
    for a, b in combinations(suspects.tolist(), 2):
        if beer[a] == beer[b]:
            continue
        out = carried(np.array([a, b]))
        as_said = float(np.sum((out - seen[[a, b]]) ** 2))
        other_way = float(np.sum((out - seen[[b, a]]) ** 2))
        if other_way * EXCHANGED < as_said and as_said > FAR_OFF:
            found.append((as_said, (a, b)))
    return max(found, key=lambda one: one[0])[1] if found else None


def wider_by(n_shared: int) -> float:
    """Return Student's t over the normal at 95 %: by how much more so few batches leave open."""
    return float(stdtrit(n_shared - 1, 0.95) / ndtri(0.95))


def carry(transfer: Transfer, reflectance: Floats) -> Floats:
    """Return spectra, shape (n, p), as the second module would see them."""
    return np.einsum("m,mnp->np", transfer.weights, np.stack([one.apply(reflectance) for one in transfer.maps]))


def carry_each(transfer: Transfer, bench: Bench, reflectance: Floats, group: Ints) -> Floats:
    """Return spectra carried over, each group of rows by another map that is as likely as the best."""
    # what is fitted on them bears the error of the transfer as it bears that of a batch
    # reflectance (n, p), group (n,) -> (n, p)
    rng = np.random.default_rng(0)
    n_groups = int(group.max()) + 1
    wider = wider_by(len(transfer.misfit))
    along = wider * rng.standard_normal((n_groups, len(transfer.misfit))) @ transfer.misfit
    carried = np.empty_like(reflectance)
    for k in range(n_groups):
        rows = np.flatnonzero(group == k)
        drawn = _drawn(rng, list(transfer.maps), transfer.weights, reflectance[rows], wider)
        carried[rows] = moved_on_scale(bench, drawn, along[k])
    return carried


def _drawn(rng: np.random.Generator, maps: list[TermMap], weights: Floats, rows: Floats, wider: float) -> Floats:
    """Carry rows by one of the maps, its amounts drawn from what the batches leave open."""
    one = maps[int(rng.choice(len(maps), p=weights))]
    if not one.amounts.size:
        return one.apply(rows)
    return one.apply(rows, one.amounts + wider * one.root @ rng.standard_normal(one.amounts.size))


def moved_on_scale(bench: Bench, reflectance: Floats, along: Floats) -> Floats:
    """Return spectra moved by so much on the scale, to first order."""
    slope = bench.scale.slope(reflectance)
    # the scale is flat below its floor: nothing moves there
    return reflectance + np.where(np.abs(slope) > 1e-2, along / np.where(np.abs(slope) > 1e-2, slope, 1.0), 0.0)
