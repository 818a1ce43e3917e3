"""Prediction intervals from held-out batches: leave-batch-out jackknife+, and the t form when batches are too few."""

# Sources: R. F. Barber, E. J. Candes, A. Ramdas, R. J. Tibshirani, Annals of Statistics 49:486-507, 2021 (jackknife+);
# Y. Lee, R. F. Barber, R. Willett, arXiv 2306.06342 (weights when a batch gives several scores).

from dataclasses import dataclass
from functools import cached_property
from math import ceil

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, stdtrit

from specmatch.array_types import Floats, Ints, is_number
from specmatch.errors import OptionError

# Levels such as 0.9 are not exact in binary: (1 - alpha)(K + 1) that is a whole number must not be pushed up a rank
# by the last digit. Ranks are whole numbers, so anything far above rounding and far below 1 will do.
RANK_TOLERANCE = 1e-9

# Scores looked at first, in units of those that lie beyond a limit: with three times as many few rows need the rest.
LOOKED_AT = 3

JACKKNIFE_PLUS, NORMAL = "jackknife+", "normal"


@dataclass(frozen=True)
class Interval:
    """Colours with their limits."""

    colour: Floats  # colour, low, high: (n,): in the unit that was fitted; limits may be infinite
    low: Floats
    high: Floats
    method: str  # `"jackknife+"`, or `"normal"` where too few batches leave only the t form
    normal_errors_assumed: bool  # true for the t form


def check_coverage(coverage: float) -> float:
    """Return the coverage as a float."""
    # coverage: nominal share of lab values inside, strictly between 0 and 1
    if not (is_number(coverage) and 0.0 < coverage < 1.0):
        raise OptionError(f"coverage is {coverage!r}; a fraction between 0 and 1 is needed, such as 0.90")
    return float(coverage)


def batches_needed(coverage: float) -> int:
    """Return how many batches a finite distribution-free interval needs: 1/alpha - 1."""
    return ceil(1.0 / (1.0 - check_coverage(coverage)) - 1.0 - RANK_TOLERANCE)


def upper_quantile(values: ArrayLike, weight: ArrayLike, coverage: float) -> Floats:
    """Return the weighted quantile of each row, with the missing weight placed at infinity."""
    # values (n, m), weight (m,) -> (n,)
    v, w = np.asarray(values, float), np.asarray(weight, float)
    n, m = v.shape
    if w.min() == w.max():  # equal weights: an order statistic, found without sorting the whole row
        rank = ceil(coverage / w[0] - RANK_TOLERANCE) - 1
        return np.full(n, np.inf) if rank >= m else np.partition(v, rank, axis=1)[:, rank]
    order, rows = np.argsort(v, axis=1), np.arange(n)
    reached = np.cumsum(w[order], axis=1) >= coverage - RANK_TOLERANCE / m
    return np.where(reached[:, -1], v[rows, order[rows, reached.argmax(axis=1)]], np.inf)


def score_weights(batch: ArrayLike) -> Floats:
    """Return the weight of each score: 1/(K + 1) a batch, shared evenly among the batch's scores."""
    # batch (m,) -> (m,)
    codes = np.asarray(batch, np.int64)
    counts = np.bincount(codes)
    return 1.0 / (np.count_nonzero(counts) + 1.0) / counts[codes]


@dataclass(frozen=True)
class HeldOutScores:
    """Absolute held-out scores, the largest first, with the batch and the weight of each."""

    size: Floats  # size, batch, weight: (m,)
    batch: Ints
    weight: Floats

    def limits(self, centre: Floats, scale: Floats, coverage: float) -> tuple[Floats, Floats]:
        """Return jackknife+ limits: quantiles of centre -+ score times scale, by models that left a batch out each."""
        # models without one batch hardly differ, so that the largest scores decide nearly always: only where others
        # could reach the limit found among these are all looked at
        # centre (n, K), scale (n,) -> (n,)
        few = LOOKED_AT * self._outweighing(coverage)
        low, high = self._among(few, centre, scale, coverage)
        if few < self.size.size:
            beyond = self.size[few] * scale
            doubtful = np.flatnonzero((centre.max(axis=1) + beyond > high) | (centre.min(axis=1) - beyond < low))
            if doubtful.size:
                low[doubtful], high[doubtful] = self._among(None, centre[doubtful], scale[doubtful], coverage)
        return low, high

    def _among(self, few: int | None, centre: Floats, scale: Floats, coverage: float) -> tuple[Floats, Floats]:
        at, half, weight = centre[:, self.batch[:few]], self.size[:few] * scale[:, None], self.weight[:few]
        level = coverage - (self._total - weight.sum())
        return -upper_quantile(half - at, weight, level), upper_quantile(at + half, weight, level)

    def _outweighing(self, coverage: float) -> int:
        """Return how many scores surely outweigh what lies above the quantile, even if they are the lightest ones."""
        above = self._total - coverage
        return min(self.size.size, int(np.searchsorted(self._lightest, above + RANK_TOLERANCE)) + 2)

    @cached_property
    def _total(self) -> float:
        return float(self.weight.sum())

    @cached_property
    def _lightest(self) -> Floats:
        return np.cumsum(np.sort(self.weight))


def held_out_scores(score: ArrayLike, batch: ArrayLike) -> HeldOutScores:
    """Order scores of batches, signed or not, for limits."""
    # score, batch (m,)
    size, codes = np.abs(np.asarray(score, float)), np.asarray(batch, np.int64)
    order = np.argsort(-size, kind="stable")
    return HeldOutScores(size[order], codes[order], score_weights(codes)[order])


def t_interval(
    colour: ArrayLike, scale: ArrayLike, score: ArrayLike, batch: ArrayLike, coverage: float
) -> tuple[Floats, Floats]:
    """Return limits that assume normal errors: colour -+ t s scale, s from the held-out scores."""
    # colour, scale (n,), score (m,), batch (m,) -> (n,)
    weight = score_weights(batch)
    n_batches = np.unique(np.asarray(batch)).size
    spread = np.sqrt(np.sum(weight * np.square(score)) / np.sum(weight))
    reach = stdtrit(n_batches - 1, 0.5 + check_coverage(coverage) / 2.0) * spread * np.asarray(scale, float)
    middle = np.asarray(colour, float)
    return middle - reach, middle + reach


def widen_limits(value: Floats, low: Floats, high: Floats, extra: Floats) -> tuple[Floats, Floats]:
    """Add an independent error to limits, a part of the value: in logarithms, or as it is where a limit is below 0."""
    # value, low, high, extra (n,); limits may be 0 or infinite
    logs = (value > 0.0) & (low >= 0.0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        down, up = np.hypot(np.log(value / low), extra), np.hypot(np.log(high / value), extra)
        low_by_logs, high_by_logs = value * np.exp(-down), value * np.exp(up)
    more = extra * np.abs(value)
    return (
        np.where(logs, low_by_logs, value - np.hypot(value - low, more)),
        np.where(logs, high_by_logs, value + np.hypot(high - value, more)),
    )


def coverage_spread(n_batches: int, coverage: float) -> tuple[float, float]:
    """Return how far the coverage of one fitted model may lie from nominal, by the luck of its batches."""
    k = int(np.ceil(check_coverage(coverage) * (n_batches + 1) - RANK_TOLERANCE))
    if k > n_batches:
        return 0.0, 1.0
    return float(betaincinv(k, n_batches + 1 - k, 0.05)), float(betaincinv(k, n_batches + 1 - k, 0.95))
