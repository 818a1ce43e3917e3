"""Counts with bounds, means by group, and the other plain statistics that more than one room needs."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from specmatch.array_types import Floats, Ints

# rows from which building a sparse matrix pays
MANY_ROWS = 512


def binomial_bounds(successes: ArrayLike, n: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return the exact (Clopper-Pearson) two-sided bounds of a proportion.

    C. J. Clopper, E. S. Pearson, Biometrika 26:404-413, 1934.
    """
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
    if len(rows) >= MANY_ROWS and rows.ndim <= 2:
        from scipy.sparse import csr_array  # here, because reading one sample must not wait for its import

        n = len(rows)
        # the same additions in the same order, several times as fast
        sums = csr_array((np.ones(n), (group, np.arange(n))), shape=(counts.size, n)) @ rows
    else:
        sums = np.zeros((counts.size, *rows.shape[1:]))
        np.add.at(sums, group, rows)
    return sums / counts.reshape(-1, *[1] * (rows.ndim - 1)), counts


def parent_codes(child: ArrayLike, parent: ArrayLike) -> Ints:
    """Return the parent of each child code: the batch of each sample, the beer of each batch."""
    # child, parent (n,) -> (m,)
    # child, parent: codes of each row, from 0 upwards, no child code left out; rows of one child share a parent
    codes = np.asarray(child, np.int64)
    of_child = np.empty(codes.max() + 1, np.int64)
    of_child[codes] = parent
    return of_child
