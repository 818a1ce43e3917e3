"""Maps from the spectra of one module to those of another, each learnt from batches that both have measured.

Few parameters: what can differ between two benches moves a spectrum along known directions, whatever the beer. Slope
and bias of absorbance are two of them; where lamps differ, each may change slowly with wavelength. Many parameters:
piecewise direct standardisation, a regression of each channel on its neighbours, drawn to the identity.
"""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.spectra.transforms import LogAbsorbance

AS_IT_IS, SLOPE_AND_BIAS, FEW_PARAMETERS = "as it is", "slope and bias", "few parameters"
BY_WAVELENGTH, WINDOWED_RIDGE = "few parameters by wavelength", "windowed ridge"
ROUTES = (FEW_PARAMETERS, AS_IT_IS, SLOPE_AND_BIAS, BY_WAVELENGTH, WINDOWED_RIDGE)

# What moves a spectrum, with how far two benches may well lie apart in it (tuned on invented houses): light that never
# meets the beer, depth or strength, level, axis in nm, slit as variance in nm^2 and stray light, each under the lamp of
# the one and of the other, light that a matt base returns more than once, and its second order.
TERMS = ("glare", "strength", "level", "axis", "slit", "slit_2", "stray", "stray_2", "returns", "returns_2")
PRIOR_SD = np.array([0.02, 0.05, 0.01, 1.0, 15.0, 15.0, 0.02, 0.02, 0.3, 0.3])
_EVERY = tuple(range(len(TERMS)))
_OF_ROUTE = {AS_IT_IS: (), SLOPE_AND_BIAS: (1, 2), FEW_PARAMETERS: _EVERY, BY_WAVELENGTH: _EVERY}
# slow waves over the band, in which a term may change with wavelength; the k-th is that much smaller
WAVES, WAVE_SHARE = 6, 0.7
ROUNDS, EVIDENCE_ROUNDS, LEAST_SHARE = 3, 8, 1e-4
# of the axis and of the lamp, between two sessions
SESSION_NM, SESSION_LEVEL = 0.15, 0.003
LEAST_REFLECTANCE, LEAST_LIGHT = 1e-3, 0.02
# half the width of the window of a ridge: an axis that is off by 1 nm, a slit that is wider by 5
HALF_WINDOW_NM = 8.0


@dataclass(frozen=True)
class Bench:
    """What a map is learnt in: channels, scale and noise of a mean of one pour on each module."""

    wavelength_nm: Floats  # (p,)
    scale: LogAbsorbance
    covariance: Floats  # (p, p): on the scale, of one pour
    noise: Floats  # (p,): of one pour that its neighbours do not share, on the scale
    lights: Floats  # (2, p): of the reference of each module over its peak


@dataclass(frozen=True)
class Pairs:
    """Batches that both modules have measured."""

    own: Floats  # own, second: (K, p): reflectance, means of pours
    second: Floats
    spread: Floats  # (K,): 1/pours of the one plus 1/pours of the other
    whiten: Floats  # (K, p, p): what makes the noise of a difference, on the scale, independent and 1
    axis: Floats  # (K, p): what an axis off by 1 nm moves on the scale

    def part(self, kept: Ints) -> "Pairs":
        """Return some of the batches."""
        return Pairs(self.own[kept], self.second[kept], self.spread[kept], self.whiten[kept], self.axis[kept])


@dataclass(frozen=True)
class TermMap:
    """Terms by how much of each."""

    wavelength_nm: Floats
    lights: Floats
    route: str
    amounts: Floats  # (terms, waves)
    covariance: Floats  # of the amounts, flattened

    def apply(self, reflectance: Floats, amounts: Floats | None = None) -> Floats:
        """Return the spectra, shape (n, p), as the other module would see them."""
        if not self.amounts.size:
            return np.array(reflectance)
        own = self.amounts if amounts is None else amounts
        profile = own @ _waves(self.wavelength_nm, own.shape[1])
        moved = np.einsum("ntp,tp->np", _directions(reflectance, self.wavelength_nm, self.lights, self.route), profile)
        return reflectance + moved


@dataclass(frozen=True)
class RidgeMap:
    """A regression of each channel on those about it."""

    coefficients: Floats  # (p, p)
    offset: Floats  # (p,)

    def apply(self, reflectance: Floats) -> Floats:
        """Return the spectra, shape (n, p), as the other module would see them."""
        return reflectance @ self.coefficients + self.offset


def fit_terms(pairs: Pairs, bench: Bench, route: str, width: float = 1.0) -> TermMap:
    """Learn the terms of a route by generalised least squares, each drawn to none as far as the batches let it.

    Gauss-Newton, with the variance of each term by maximum likelihood (D. J. C. MacKay, Neural Computation 4:415-447,
    1992; automatic relevance determination, the update from memory).
    """
    nm, terms = bench.wavelength_nm, np.array(_OF_ROUTE[route], np.int64)
    n_waves = WAVES if route == BY_WAVELENGTH else 1
    if not terms.size:
        return TermMap(nm, bench.lights, route, np.zeros((0, 1)), np.zeros((0, 0)))
    waves = _waves(nm, n_waves)
    share = np.concatenate([[1.0], WAVE_SHARE * width / np.arange(1.0, n_waves)])
    first = (PRIOR_SD[terms][:, None] * share).ravel() ** 2
    # a term's level and its change with wavelength have a variance each
    group = (2 * np.arange(terms.size)[:, None] + (np.arange(n_waves) > 0)).ravel()
    prior = first.copy()
    directions = _directions(pairs.own, nm, bench.lights, route)
    target = bench.scale.apply(pairs.second)
    amounts = np.zeros(prior.size)
    for step in range(ROUNDS):
        seen = pairs.own + np.einsum("ntp,tp->np", directions, amounts.reshape(terms.size, -1) @ waves)
        slope = _slope(bench.scale, seen)
        information, pull = np.zeros((prior.size, prior.size)), np.zeros(prior.size)
        squares = 0.0
        for k, whiten in enumerate(pairs.whiten):
            design = (directions[k][:, None, :] * waves).reshape(prior.size, -1) * slope[k]
            left = whiten @ design.T
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
    return TermMap(nm, bench.lights, route, amounts.reshape(terms.size, -1), np.asarray(covariance, float))


def fit_ridge(pairs: Pairs, bench: Bench, penalty: float) -> RidgeMap:
    """Learn a ridge of each channel on its neighbours, drawn to the identity.

    Y. Wang, D. J. Veltkamp, B. R. Kowalski, Anal. Chem. 63:2750-2756, 1991.
    """
    nm = bench.wavelength_nm
    coefficients, offset = np.eye(nm.size), np.zeros(nm.size)
    # water reads 1 on every module, whatever else differs
    own = np.vstack([pairs.own, np.ones(nm.size)])
    second = np.vstack([pairs.second, np.ones(nm.size)])
    for channel in range(nm.size):
        near = np.abs(nm - nm[channel]) <= HALF_WINDOW_NM
        rows = np.column_stack([own[:, near], np.ones(len(own))])
        weight = 1.0 / (0.01 + np.abs(second[:, channel]))
        apart = (second[:, channel] - own[:, channel]) * weight
        rows = rows * weight[:, None]
        gram = rows.T @ rows + penalty * np.diag([*[1.0] * int(near.sum()), 1.0])
        moved = np.linalg.solve(gram, rows.T @ apart)
        coefficients[near, channel] += moved[:-1]
        offset[channel] = moved[-1]
    return RidgeMap(coefficients, offset)


def pair(own: Floats, second: Floats, own_pours: Floats, second_pours: Floats, bench: Bench) -> Pairs:
    """Put batches that both modules have measured side by side, with the noise of their difference."""
    spread = 1.0 / own_pours + 1.0 / second_pours
    slope = _slope(bench.scale, second)
    # two sessions: the axis wanders, and so does the lamp between a reference and its scans
    moved = np.gradient(smoothed(own, bench.wavelength_nm), bench.wavelength_nm, axis=1) * slope
    lit = own * slope * SESSION_LEVEL
    whiten = []
    for k, size in enumerate(spread):
        covariance = size * bench.covariance + np.diag((1.0 + size) * bench.noise**2)
        covariance = covariance + SESSION_NM**2 * np.outer(moved[k], moved[k]) + np.outer(lit[k], lit[k])
        whiten.append(np.linalg.inv(np.linalg.cholesky(covariance)))
    return Pairs(own, second, spread, np.array(whiten), moved)


def _waves(nm: Floats, n: int) -> Floats:
    at = (nm - nm[0]) / (nm[-1] - nm[0])
    return np.cos(np.pi * np.arange(n)[:, None] * at)


def _directions(reflectance: Floats, nm: Floats, lights: Floats, route: str) -> Floats:
    """Return what a unit of each term adds to each spectrum, shape (n, terms, p)."""
    R = reflectance
    bounded = np.clip(R, LEAST_REFLECTANCE, 1.0)
    smooth = smoothed(R, nm)
    first = np.gradient(smooth, nm, axis=1)
    second = np.gradient(first, nm, axis=1)
    bent, stray = [], []
    for lamp in np.maximum(smoothed(lights, nm), LEAST_LIGHT):
        # what a slit mixes is weighted by the lamp; stray light counts by how little light of its own a channel has
        bent.append(second / 2.0 + first * np.gradient(np.log(lamp), nm))
        stray.append(((R * lamp).mean(axis=1, keepdims=True) / lamp.mean() - R) * lamp.mean() / lamp)
    returns = bounded * (1.0 - bounded**2)
    every = [1.0 - R, bounded * np.log(bounded), R, first, *bent, *stray, returns, returns * bounded**2]
    return np.stack([every[term] for term in _OF_ROUTE[route]], axis=1)


def smoothed(reflectance: Floats, nm: Floats) -> Floats:
    """Smooth spectra over about a slit, by a local straight line under a bell."""
    off = (nm[:, None] - nm) / 5.0
    weight = np.exp(-0.5 * off**2)
    moment = [(weight * off**k).sum(axis=1) for k in range(3)]
    kernel = weight * (moment[2][:, None] - off * moment[1][:, None])
    kernel /= (moment[0] * moment[2] - moment[1] ** 2)[:, None]
    return reflectance @ kernel.T


def _slope(scale: LogAbsorbance, reflectance: Floats) -> Floats:
    step = 1e-5
    return (scale.apply(reflectance + step) - scale.apply(reflectance - step)) / (2.0 * step)
