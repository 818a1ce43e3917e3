"""Points that stand far off their neighbours."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# eight robust standard deviations: in Gaussian noise less than one point in 10**14; the heavier tails of real
# residuals are what the margin is for
SPIKE_SIGMAS = 8.0


def spike_residuals(values: ArrayLike) -> tuple[Floats, Floats]:
    """Return how far each point stands off its neighbours, and the threshold for calling it a spike.

    Parameters
    ----------
    values : array_like, shape (..., p)
        Spectra; NaN points are skipped (residual 0).

    Returns
    -------
    residual : ndarray, shape (..., p)
        Value minus the median of the two neighbours on each side.
    threshold : ndarray, shape (..., 1)
        `SPIKE_SIGMAS` robust standard deviations of the residuals, at least 2 % of the spectrum's middle range.

    Notes
    -----
    The robust standard deviation is 1.4826 times the median absolute residual.
    """
    y = np.asarray(values, float)
    if y.shape[-1] < 5:
        return np.zeros_like(y), np.full((*y.shape[:-1], 1), np.inf)
    filled = np.where(np.isfinite(y), y, 0.0)
    around = np.stack([np.roll(filled, k, axis=-1) for k in (-2, -1, 1, 2)])
    around.sort(axis=0)
    residual = filled - 0.5 * (around[1] + around[2])
    # at the two ends the neighbours lie on one side: compare with the line through the next two points
    for edge, step in ((0, 1), (-1, -1)):
        for k in range(2):
            i = edge + k * step
            line = 2.0 * filled[..., i + step] - filled[..., i + 2 * step]
            residual[..., i] = filled[..., i] - line
    bad = ~np.isfinite(y)
    near_bad = bad.copy()
    for k in (-2, -1, 1, 2):
        near_bad |= np.roll(bad, k, axis=-1)
    residual[near_bad] = 0.0
    spread = np.quantile(filled, 0.95, axis=-1, keepdims=True) - np.quantile(filled, 0.05, axis=-1, keepdims=True)
    sigma = 1.4826 * np.median(np.abs(residual), axis=-1, keepdims=True)
    return residual, np.maximum(SPIKE_SIGMAS * sigma, 0.02 * spread) + 1e-12


def find_spikes(values: ArrayLike) -> NDArray[np.bool_]:
    """Return the mask of points that stand off their neighbours by more than the threshold.

    Parameters
    ----------
    values : array_like, shape (..., p)

    Returns
    -------
    ndarray of bool, shape (..., p)

    Examples
    --------
    >>> y = np.sin(np.linspace(0, 3, 60)); y[30] += 0.5
    >>> np.flatnonzero(find_spikes(y)).tolist()
    [30]
    """
    residual, threshold = spike_residuals(values)
    over = np.abs(residual) > threshold
    if not over.any():
        return over
    # a spike lifts its neighbours' residuals with the opposite sign: keep only the local largest
    size = np.abs(residual)
    larger = np.maximum.reduce([np.roll(size, k, axis=-1) for k in (-2, -1, 1, 2)])
    return over & (size >= larger)
