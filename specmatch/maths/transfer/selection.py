"""Which map serves, by shared batches left out, and how far it may be wrong on a batch that it has not seen."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.transfer.routes import (
    BY_WAVELENGTH,
    FEW_PARAMETERS,
    ROUTES,
    WINDOWED_RIDGE,
    Bench,
    Pairs,
    RidgeMap,
    TermMap,
    fit_ridge,
    fit_terms,
)

Judge = Callable[[Floats], Floats]
# of the waves and of the ridge, the smaller the nearer to no difference
WIDTHS, PENALTIES = (0.3, 1.0, 3.0), (0.003, 0.03, 0.3)
# a route of more parameters must do better than the one before it by so much: a handful of batches knows no less
WORTH_MORE = 0.8
# ... and fewer cannot tell more parameters at all
FEWEST_FOR_MANY = 5
NOISE_DRAWS = 16
# two labels look swapped where exchanging them lowers the squared error so many times, and it is not small
EXCHANGED, FAR_OFF = 9.0, 50.0


@dataclass(frozen=True)
class Candidate:
    """A route with its setting, and its error on shared batches left out."""

    route: str
    setting: float
    error: float  # root mean square, in units of the judge


@dataclass(frozen=True)
class Transfer:
    """A map from one module to another, and what batches left out say of it."""

    map: TermMap | RidgeMap
    candidates: tuple[Candidate, ...]
    chosen: Candidate
    # error, excess: (K, a): squared error of each batch by the map without it, along each coordinate of the judge, and
    # the part of it that measuring a batch twice does not explain
    error: Floats
    excess: Floats
    misfit: Floats  # (r, p): directions, on the scale, in which it errs by one standard deviation beyond noise


def fit_transfer(pairs: Pairs, bench: Bench, judge: Judge) -> Transfer:
    """Choose a route by shared batches left out and learn it from all of them."""
    n = len(pairs.own)
    offered = [(route, 1.0) for route in ROUTES[:3]] + [(BY_WAVELENGTH, width) for width in WIDTHS] * (
        n >= FEWEST_FOR_MANY
    )
    offered += [(WINDOWED_RIDGE, penalty) for penalty in PENALTIES] * (n >= FEWEST_FOR_MANY)
    seen = judge(pairs.second)
    candidates, predicted = [], {}
    for route, setting in offered:
        out = np.concatenate([
            _fit(pairs.part(np.delete(np.arange(len(pairs.own)), k)), bench, route, setting).apply(pairs.own[k : k + 1])
            for k in range(len(pairs.own))
        ])  # fmt: skip
        error = float(np.sqrt(np.mean(np.sum((judge(out) - seen) ** 2, axis=1))))
        candidates.append(Candidate(route, setting, error))
        predicted[route, setting] = out
    chosen = candidates[0]
    for one in candidates[1:]:
        if one.error < (WORTH_MORE if ROUTES.index(one.route) > ROUTES.index(chosen.route) else 1.0) * chosen.error:
            chosen = one
    out = predicted[chosen.route, chosen.setting]
    left = _left_over(pairs, bench, judge, out)
    return Transfer(
        _fit(pairs, bench, chosen.route, chosen.setting), tuple(candidates), chosen,
        (judge(out) - seen) ** 2, left.excess, left.misfit,
    )  # fmt: skip


def _fit(pairs: Pairs, bench: Bench, route: str, setting: float) -> TermMap | RidgeMap:
    if route == WINDOWED_RIDGE:
        return fit_ridge(pairs, bench, setting)
    return fit_terms(pairs, bench, route, setting)


@dataclass(frozen=True)
class _LeftOver:
    excess: Floats
    misfit: Floats


def _left_over(pairs: Pairs, bench: Bench, judge: Judge, out: Floats) -> _LeftOver:
    """Part what left-out batches are off by from the noise of measuring them twice."""
    off = bench.scale.apply(pairs.second) - bench.scale.apply(out)
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
    share = max(0.0, 1.0 - float(by_chance.sum()) / max(float(found.sum()), 1e-300))
    beyond = np.maximum(found.sum(axis=0) - by_chance.sum(axis=0), 0.0) / n
    return _LeftOver(np.tile(beyond, (n, 1)), off * np.sqrt(share / n))


def exchanged(pairs: Pairs, bench: Bench, judge: Judge, beer: Ints) -> tuple[int, int] | None:
    """Return two batches of different beers that fit far better with their labels exchanged, if any do."""
    best: tuple[float, tuple[int, int]] | None = None
    n = len(pairs.own)
    seen = judge(pairs.second)
    for a in range(n):
        for b in range(a + 1, n):
            rest = np.delete(np.arange(n), [a, b])
            if beer[a] == beer[b]:
                continue
            both = pairs.own[[a, b]]
            out = judge(fit_terms(pairs.part(rest), bench, FEW_PARAMETERS).apply(both) if rest.size else both)
            as_said = float(np.sum((out - seen[[a, b]]) ** 2))
            other_way = float(np.sum((out - seen[[b, a]]) ** 2))
            if other_way * EXCHANGED < as_said and as_said > FAR_OFF and (best is None or as_said > best[0]):
                best = as_said, (a, b)
    return None if best is None else best[1]


def carry(transfer: Transfer, bench: Bench, reflectance: Floats, group: Ints, seed: int = 0) -> Floats:
    """Return spectra carried over, each group of rows by another map that is as likely as the best.

    What is fitted on them bears the error of the transfer as it bears that of a batch.
    """
    # reflectance (n, p), group (n,) -> (n, p)
    rng = np.random.default_rng(seed)
    n_groups = int(group.max()) + 1
    carried = np.empty_like(reflectance)
    found = transfer.map
    size = found.amounts.size if isinstance(found, TermMap) else 0
    half = np.linalg.cholesky(found.covariance) if isinstance(found, TermMap) and size else np.zeros((0, 0))
    amounts = rng.standard_normal((n_groups, size)) @ half.T
    along = rng.standard_normal((n_groups, len(transfer.misfit))) @ transfer.misfit
    for k in range(n_groups):
        rows = np.flatnonzero(group == k)
        if isinstance(found, TermMap) and size:
            carried[rows] = found.apply(reflectance[rows], found.amounts + amounts[k].reshape(found.amounts.shape))
        else:
            carried[rows] = found.apply(reflectance[rows])
        carried[rows] = moved_on_scale(bench, carried[rows], along[k])
    return carried


def moved_on_scale(bench: Bench, reflectance: Floats, along: Floats) -> Floats:
    """Return spectra moved by so much on the scale, to first order."""
    step = 1e-5
    slope = (bench.scale.apply(reflectance + step) - bench.scale.apply(reflectance - step)) / (2.0 * step)
    # the scale is flat below its floor: nothing moves there
    return reflectance + np.where(np.abs(slope) > 1e-2, along / np.where(np.abs(slope) > 1e-2, slope, 1.0), 0.0)
