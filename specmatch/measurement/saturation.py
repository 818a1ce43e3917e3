"""Counts at the limit of the converter, or cut off flat below it."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# the largest numbers of converters with 12, 14, 15 and 16 bits
CONVERTER_LIMITS = (4095.0, 16383.0, 32767.0, 65535.0)
# noise makes three equal neighbours at the very top of a spectrum of thousands of counts all but impossible
FLAT_RUN = 3


def saturated_channels(counts: Floats, *, full_scale: float | None = None) -> Mask:
    """Return where counts stand at the limit of the converter or at a flat top below it.

    Parameters
    ----------
    counts : ndarray, shape (n, p)
        Raw counts, NaN where missing.
    full_scale : float, optional
        The converter's limit, where it is known; else the usual limits are recognised.

    Returns
    -------
    ndarray of bool, shape (n, p)

    Examples
    --------
    >>> y = np.array([[30000.0, 61000.0, 64000.0, 64000.0, 64000.0, 63100.0, 52000.0]])
    >>> np.flatnonzero(saturated_channels(y)[0]).tolist()
    [2, 3, 4]
    """
    filled = np.where(np.isfinite(counts), counts, -np.inf)
    top = filled.max(axis=1, keepdims=True)
    at_top = filled == top
    n_top = at_top.sum(axis=1, keepdims=True)
    if full_scale is not None:
        at_limit = filled >= full_scale
    else:
        # one pixel at 65535 is enough; at the smaller limits a lone pixel may be there by chance
        at_limit = at_top & ((top == CONVERTER_LIMITS[-1]) | (np.isin(top, CONVERTER_LIMITS[:-1]) & (n_top >= 2)))
    run = at_top.copy()
    for shift in range(1, FLAT_RUN):
        run[:, shift:] &= at_top[:, :-shift]
    run[:, : FLAT_RUN - 1] = False
    # a flat top stands above the rest of its spectrum; equal counts everywhere (a dark, a test pattern) are none
    lowest = np.where(np.isfinite(counts), counts, np.inf).min(axis=1, keepdims=True)
    flat_top = run.any(axis=1, keepdims=True) & (top >= 1000.0) & (lowest < 0.9 * top)
    return at_limit | (at_top & flat_top)
