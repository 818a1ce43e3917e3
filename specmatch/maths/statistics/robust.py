"""Find the few rows that are unlike all others, in a way that they can neither hide nor hide one another."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.statistics.levels import rows_of
from specmatch.maths.statistics.linear_algebra import leading_axes_of

# rows beyond so many robust standard deviations are odd; one in 10^6 normal ones would be, and tails are longer
ODD = 6.0
# more than this part of the rows are no few odd ones but a kind of their own
MOST_ODD = 0.10
# the median absolute deviation of a normal variable in units of its standard deviation
NORMAL_MAD = 0.6745
# a component must take this part off the median residual
WORTHWHILE = 0.10
# fewer rows than this have no tail to speak of
FEWEST_ROWS = 20


def column_medians(rows: Floats) -> Floats:
    """Return the median of each column of finite numbers, several times as fast as NumPy does along that axis."""
    # rows (n, p) -> (p,)
    low, high = (len(rows) - 1) // 2, len(rows) // 2
    ranked = np.partition(rows.T.copy(), (low, high), axis=1)
    return np.asarray(0.5 * (ranked[:, low] + ranked[:, high]))


def quantiles(values: Floats, shares: ArrayLike) -> Floats:
    """Return quantiles of finite numbers along the last axis, as NumPy takes them, in a fifth of the time."""
    # values (..., n), shares (q,) -> (q, ...)
    at = np.asarray(shares, float) * (values.shape[-1] - 1)
    low = at.astype(np.int64)
    high = np.minimum(low + 1, values.shape[-1] - 1)
    ranked = np.moveaxis(np.partition(values, np.concatenate([low, high]), axis=-1), -1, 0)
    share = (at - low).reshape(-1, *[1] * (values.ndim - 1))
    return np.asarray(ranked[low] + share * (ranked[high] - ranked[low]))


def median_by(rows: Floats, codes: Ints) -> Floats:
    """Take the channel-wise median of the rows that share a code: one bad pour of three leaves it be."""
    # rows (n, p), codes (n,) -> (m, p)
    return np.array([np.median(rows[own], axis=0) for own in rows_of(codes)])


def spherical_pca_outliers(rows: Floats, most_components: int) -> Mask:
    """Return which rows lie far outside the space that the many span."""
    # Every row counts by its direction from the median alone, however far out it lies (spherical components: Locantore
    # and others, Test 8:1-73, 1999; from memory); the cube root of the squared residual, which is nearly normal
    # (Wilson, Hilferty, PNAS 17:684-688, 1931), is held against its median and median absolute deviation.
    # rows (n, p) -> (n,)
    n, p = rows.shape
    if n < FEWEST_ROWS:
        return np.zeros(n, bool)
    departures = rows - column_medians(rows)
    length = np.linalg.norm(departures, axis=1, keepdims=True)
    # a row on the median has no direction and is not odd
    directions = departures / np.where(length > 0, length, 1.0)
    kept = min(most_components, p - 1)
    if kept < 1:
        return np.zeros(n, bool)
    axes = leading_axes_of(directions, kept)[1]
    left = length[:, 0] ** 2
    for axis in axes.T:
        without = np.maximum(left - (departures @ axis) ** 2, 0.0)
        # an axis that serves a few rows and not the many is theirs, and would hide them
        if np.median(without) <= (1.0 - WORTHWHILE) * np.median(left):
            left = without
    return beyond_robust_limit(left)


def beyond_robust_limit(squared: Floats) -> Mask:
    """Return which squared residuals lie far beyond those of the many, shape (n,)."""
    # squared (n,) -> (n,)
    if squared.size < FEWEST_ROWS:
        return np.zeros(squared.size, bool)
    root = np.cbrt(squared)
    middle = np.median(root)
    spread = np.median(np.abs(root - middle)) / NORMAL_MAD
    # residuals that are rounding for half of the rows say nothing about the others
    odd = root > middle + ODD * spread if spread > 1e-6 * root.max() else np.zeros(root.size, bool)
    return odd if odd.mean() <= MOST_ODD else np.zeros(root.size, bool)


def algorithm_a(values: Floats) -> tuple[float, float]:
    """Return robust mean and standard deviation of laboratories' results: values beyond 1.5 s are drawn in to there."""
    # Algorithm A of ISO 13528 and ISO 5725-5 (from memory); P. J. Huber, Robust Statistics, 1981, proposal 2
    # values (n,)
    middle = float(np.median(values))
    spread = float(np.median(np.abs(values - middle))) / NORMAL_MAD
    if spread == 0.0:  # more than half agree to the digit: the values as they are
        return float(values.mean()), float(values.std(ddof=1))
    for _ in range(100):
        drawn = np.clip(values, middle - 1.5 * spread, middle + 1.5 * spread)
        before, middle, spread = spread, float(drawn.mean()), 1.134 * float(drawn.std(ddof=1))
        if abs(spread - before) <= 1e-9 * spread:
            break
    return middle, spread
