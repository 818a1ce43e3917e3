"""Points that stand far off their neighbours."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Mask

# eight robust standard deviations: in Gaussian noise less than one point in 10**14; the heavier tails of real
# residuals are what the margin is for
SPIKE_SIGMAS = 8.0


def spike_residuals(values: ArrayLike) -> tuple[Floats, Floats]:
    """Return how far each point stands off its neighbours, and the threshold for calling it a spike.

    The robust standard deviation is 1.4826 times the median absolute residual.
    """
    # values (..., p) -> (..., p), (..., 1)
    y = np.asarray(values, float)
    p = y.shape[-1]
    if p < 5:
        return np.zeros_like(y), np.full((*y.shape[:-1], 1), np.inf)
    bad = ~np.isfinite(y)
    some_bad = bool(bad.any())
    if some_bad:
        y = np.where(bad, 0.0, y)
    residual = np.empty_like(y)
    a, b, c, d = y[..., :-4], y[..., 1:-3], y[..., 3:-1], y[..., 4:]
    outer, inner = np.maximum(a, b), np.maximum(c, d)
    low_outer, low_inner = np.minimum(a, b), np.minimum(c, d)
    # the median of four is half of what is left without the largest and the smallest
    middle = 0.5 * (np.minimum(outer, inner) + np.maximum(low_outer, low_inner))
    from_middle = y[..., 2:-2] - middle
    # a sharp but smooth peak stands above its neighbours too, yet lies on the cubic through them
    from_cubic = y[..., 2:-2] - (4.0 * (b + c) - a - d) / 6.0
    residual[..., 2:-2] = np.where(np.abs(from_middle) < np.abs(from_cubic), from_middle, from_cubic)
    # at the two ends the neighbours lie on one side: compare with the line through the next two points
    for i, step in ((0, 1), (1, 1), (p - 1, -1), (p - 2, -1)):
        residual[..., i] = y[..., i] - (2.0 * y[..., i + step] - y[..., i + 2 * step])
    if some_bad:
        near_bad = bad.copy()
        for k in (1, 2):
            near_bad[..., k:] |= bad[..., :-k]
            near_bad[..., :-k] |= bad[..., k:]
        residual[near_bad] = 0.0
    ranked = np.sort(y, axis=-1)
    low, high, middle_at = int(0.05 * (p - 1)), int(0.95 * (p - 1)), p // 2
    spread = ranked[..., high : high + 1] - ranked[..., low : low + 1]
    sigma = 1.4826 * np.sort(np.abs(residual), axis=-1)[..., middle_at : middle_at + 1]
    # values written with few digits stand off smooth ones by their rounding, whose step is the smallest difference
    steps = ranked[..., 1:] - ranked[..., :-1]
    step = np.min(steps, axis=-1, keepdims=True, initial=np.inf, where=steps > 1e-9 * np.abs(ranked[..., -1:]))
    step[~np.isfinite(step)] = 0.0
    return residual, np.maximum(np.maximum(SPIKE_SIGMAS * sigma, 0.02 * spread), 3.0 * step) + 1e-12


def find_spikes(values: ArrayLike) -> Mask:
    """Return the mask of points that stand off their neighbours by more than the threshold."""
    # values (..., p) -> (..., p)
    residual, threshold = spike_residuals(values)
    over = np.abs(residual) > threshold
    if not over.any():
        return over
    # a spike lifts its neighbours' residuals with the opposite sign: keep only the local largest
    size = np.abs(residual)
    local = over.copy()
    for k in (1, 2):
        local[..., k:] &= size[..., k:] >= size[..., :-k]
        local[..., :-k] &= size[..., :-k] >= size[..., k:]
    return local


def row_quantiles(values: Floats, shares: tuple[float, ...]) -> Floats:
    """Return quantiles of each row by rank, missing values aside."""
    # values (n, p) -> (q, n)
    ranked = np.sort(values, axis=1)  # NaN go last
    counts = np.isfinite(values).sum(axis=1)
    rows = np.arange(len(values))
    out = [ranked[rows, np.rint(share * np.fmax(counts - 1, 0)).astype(int)] for share in shares]
    return np.where(counts > 0, np.array(out), np.nan)
