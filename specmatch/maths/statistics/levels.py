"""The pours of samples of batches of beers: their codes, counts and means from level to level; means by any group."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from specmatch.array_types import Floats, Ints, Mask

# numbers from which building a sparse matrix pays
MANY_NUMBERS = 4096


def binomial_bounds(successes: ArrayLike, n: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return the exact two-sided bounds of a proportion (C. J. Clopper, E. S. Pearson, Biometrika 26:404-413, 1934)."""
    k, total = np.broadcast_arrays(np.asarray(successes, float), np.asarray(n, float))
    tail = (1.0 - level) / 2.0
    # the guards replace the parameter 0, for which the Beta quantile is undefined and the bound is known
    low = np.where(k > 0, betaincinv(np.maximum(k, 1), total - k + 1, tail), 0.0)
    high = np.where(k < total, betaincinv(k + 1, np.maximum(total - k, 1), 1.0 - tail), 1.0)
    return low, high


def mean_by(values: ArrayLike, codes: ArrayLike) -> tuple[Floats, Ints]:
    """Average the rows that share a code."""
    # values (n, p) or (n,), codes (n,) -> (m, p) or (m,), (m,)
    rows, group = np.asarray(values, float), np.asarray(codes, np.int64)
    counts = np.bincount(group)
    if counts.size == len(rows) and counts.all():
        alone = np.empty(rows.shape)  # row by row, as sums are
        alone[group] = rows
        return alone, counts
    if rows.size >= MANY_NUMBERS and rows.ndim <= 2:
        from scipy.sparse import csc_array  # here, because reading one sample must not wait for its import

        n = len(rows)
        # the same additions in the same order, several times as fast
        sums = csc_array((np.ones(n), group, np.arange(n + 1)), shape=(counts.size, n)) @ rows
    else:
        sums = np.zeros((counts.size, *rows.shape[1:]))
        np.add.at(sums, group, rows)
    return sums / counts.reshape(-1, *[1] * (rows.ndim - 1)), counts


def rows_of(codes: ArrayLike) -> list[Ints]:
    """Return the rows of each code 0 .. K-1, in their order."""
    # codes (n,) -> (rows of the code,)
    group = np.asarray(codes, np.int64)
    return np.split(np.argsort(group, kind="stable"), np.cumsum(np.bincount(group))[:-1])


def place_within(codes: Ints) -> Ints:
    """Return the place of each row among those that share its code, (n,)."""
    # codes (n,)
    order, counts = np.argsort(codes, kind="stable"), np.bincount(codes)
    place = np.empty(codes.size, np.int64)
    place[order] = np.arange(codes.size) - np.repeat(np.cumsum(counts) - counts, counts)
    return place


def parent_codes(child: ArrayLike, parent: ArrayLike) -> Ints:
    """Return the parent of each child code: the batch of each sample, the beer of each batch."""
    # child, parent (n,) -> (m,)
    # child, parent: codes of each row, from 0 upwards, no child code left out; rows of one child share a parent
    codes = np.asarray(child, np.int64)
    of_child = np.empty(codes.max() + 1, np.int64)
    of_child[codes] = parent
    return of_child


LEVELS = ("pour", "sample", "batch", "beer")


@dataclass(frozen=True)
class Levels:
    """Which sample each pour is of, which batch each sample, and which beer each batch, as codes from 0 upwards."""

    sample: Ints  # (n_pours,)
    batch: Ints  # (n_samples,)
    beer: Ints  # (n_batches,)

    @classmethod
    def of_pours(cls, sample: ArrayLike, batch: ArrayLike, beer: ArrayLike | None = None) -> "Levels":
        """Return the levels behind codes of each pour; without beers all batches are of one."""
        # sample, batch, beer (n_pours,): samples and batches are counted anew from 0 in the order of their codes
        samples, batches = _from_zero(sample), _from_zero(batch)
        beers = np.zeros(batches.size, np.int64) if beer is None else np.asarray(beer, np.int64)
        return cls(samples, parent_codes(samples, batches), parent_codes(batches, beers))

    def codes(self, level: str, of: str = "pour") -> Ints:
        """Return the code at one level of each member of a lower one."""
        found: Ints = np.arange(len(getattr(self, LEVELS[LEVELS.index(of) + 1])))
        for step in LEVELS[LEVELS.index(of) + 1 : LEVELS.index(level) + 1]:
            found = getattr(self, step)[found]
        return found

    def counts(self, level: str) -> Ints:
        """Return how many members of the level below each has: pours of samples, samples of batches, ..."""
        return np.bincount(getattr(self, level))

    def mean(self, values: ArrayLike, to: str, of: str = "pour") -> Floats:
        """Average values of one level up to another, level by level, the members of each weighing alike."""
        # values (n, ...)
        means = np.asarray(values, float)
        for step in LEVELS[LEVELS.index(of) + 1 : LEVELS.index(to) + 1]:
            means = mean_by(means, getattr(self, step))[0]
        return means

    def about_sample(self, values: Floats) -> Floats:
        """Return what each pour differs by from the mean of its sample."""
        # values (n_pours, ...)
        return values - mean_by(values, self.sample)[0][self.sample]

    @property
    def per_pour(self) -> float:
        """Mean of 1/m over the samples of m pours, batches weighing alike."""
        return float(np.mean(self.mean(1.0 / self.counts("sample"), to="batch", of="sample")))

    def part(self, pours: Ints | Mask, *, same_beers: bool = False) -> "Levels":
        """Return some of the pours, all codes counted anew, or all but those of the beers."""
        # pours: (k,) rows or (n_pours,) mask
        beer = self.codes("beer")[pours]
        batch = self.codes("batch")[pours]
        return Levels.of_pours(self.sample[pours], batch, beer if same_beers else _from_zero(beer))


def _from_zero(codes: ArrayLike) -> Ints:
    return np.unique(np.asarray(codes, np.int64), return_inverse=True)[1].astype(np.int64)
