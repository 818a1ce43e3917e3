"""Which map serves, by shared batches left out, and how far it may be wrong on a batch that it has not seen."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import ndtri, stdtrit

from specmatch.array_types import Floats, Ints
from specmatch.maths.transfer.routes import FEW_PARAMETERS, ROUTES, Bench, Pairs, TermMap, fit_terms

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
class Candidate:
    """A route, and its error on shared batches left out."""

    route: str
    error: float  # root mean square, in units of the judge


@dataclass(frozen=True)
class Transfer:
    """A map from one module to another, and what batches left out say of it."""

    maps: tuple[TermMap, ...]
    weights: Floats  # of the maps, 1 in sum
    candidates: tuple[Candidate, ...]  # all that were tried
    chosen: Candidate  # the one of the smallest error
    # error, excess: (K, a): squared error of each batch by the map without it, along each coordinate of the judge, and
    # the part of it that measuring a batch twice does not explain
    error: Floats
    excess: Floats
    misfit: Floats  # (r, p): directions, on the scale, in which it errs by one standard deviation beyond noise

    def amount_of(self, term: str) -> float:
        """Return the largest amount of a term in the maps that hold it."""
        return max((one.amount_of(term) for one in self.maps), key=abs)


def fit_transfer(pairs: Pairs, bench: Bench, judge: Judge) -> Transfer:
    """Choose a route by shared batches left out and learn it from all of them."""
    n = len(pairs.own)
    seen = judge(pairs.second)
    fold = np.arange(n) % MOST_FOLDS
    candidates, predicted = [], []
    for route in ROUTES:
        by_fold = [fit_terms(pairs.part(np.flatnonzero(fold != k)), bench, route) for k in range(fold.max() + 1)]
        out = np.concatenate([by_fold[at].apply(pairs.own[k : k + 1]) for k, at in enumerate(fold)])
        error = float(np.sqrt(np.mean(np.sum((judge(out) - seen) ** 2, axis=1))))
        candidates.append(Candidate(route, error))
        predicted.append(out)
    errors = np.array([one.error for one in candidates])
    serve = np.flatnonzero(errors <= NEARLY_AS_GOOD * errors.min())
    weights = np.maximum(errors[serve], 1e-9) ** -POWER
    weights /= weights.sum()
    out = np.einsum("m,mkp->kp", weights, np.stack([predicted[k] for k in serve]))
    maps = tuple(fit_terms(pairs, bench, candidates[k].route) for k in serve)
    within = np.einsum("m,mkp->kp", weights, np.stack([one.apply(pairs.own) for one in maps]))
    # Without a batch at an end of the colours the map reaches beyond all that taught it, as the whole one never will.
    # A residual with the batch times one without it is the square of what it errs by itself (as of least squares:
    # D. A. Belsley, E. Kuh, R. E. Welsch, Regression Diagnostics, 1980; from memory).
    sizes = [np.linalg.norm(judge(rows) - seen, axis=1) for rows in (within, out)]
    alike = np.sqrt(np.minimum(sizes[0] / np.maximum(sizes[1], 1e-9), 1.0))
    left = _left_over(pairs, bench, judge, out, alike)
    chosen = candidates[int(errors.argmin())]
    return Transfer(
        maps, weights, tuple(candidates), chosen, (judge(out) - seen) ** 2, left.excess, left.misfit
    )  # fmt: skip


@dataclass(frozen=True)
class _LeftOver:
    excess: Floats
    misfit: Floats


def _left_over(pairs: Pairs, bench: Bench, judge: Judge, out: Floats, alike: Floats) -> _LeftOver:
    """Part what left-out batches are off by from the noise of measuring them twice."""
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
    return _LeftOver(np.tile(beyond, (n, 1)), off * np.sqrt(share / n))


def exchanged(pairs: Pairs, bench: Bench, judge: Judge, beer: Ints) -> tuple[int, int] | None:
    """Return two batches of different beers that fit far better with their labels exchanged, if any do."""
    best: tuple[float, tuple[int, int]] | None = None
    n, seen = len(pairs.own), judge(pairs.second)

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
        if other_way * EXCHANGED < as_said and as_said > FAR_OFF and (best is None or as_said > best[0]):
            best = as_said, (a, b)
    return None if best is None else best[1]


def wider_by(n_shared: int) -> float:
    """Return Student's t over the normal at 95 %: by how much more so few batches leave open."""
    return float(stdtrit(n_shared - 1, 0.95) / ndtri(0.95))


def carry(transfer: Transfer, reflectance: Floats) -> Floats:
    """Return spectra, shape (n, p), as the second module would see them."""
    return np.einsum("m,mnp->np", transfer.weights, np.stack([one.apply(reflectance) for one in transfer.maps]))


def carry_each(transfer: Transfer, bench: Bench, reflectance: Floats, group: Ints) -> Floats:
    """Return spectra carried over, each group of rows by another map that is as likely as the best.

    What is fitted on them bears the error of the transfer as it bears that of a batch.
    """
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
