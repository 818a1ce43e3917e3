"""Counts at the limit of the converter, or cut off flat below it."""

import numpy as np

from specmatch.array_types import Floats, Mask

# the largest numbers of converters with 12, 14, 15 and 16 bits
CONVERTER_LIMITS = (4095.0, 16383.0, 32767.0, 65535.0)
# three equal neighbours at the top of a smooth hump come about by rounding where noise is low; then the counts beside
# them are nearly as high, while a cut peak falls off steeply from its flat top
STEEP_SIDE = {3: 0.01, 4: 0.003, 5: 0.003}
LONG_RUN = 6


def saturated_channels(counts: Floats, *, full_scale: float | None = None) -> Mask:
    """Return where counts stand at the limit of the converter or at a flat top below it."""
    # counts (n, p) -> (n, p)
    filled = np.where(np.isfinite(counts), counts, -np.inf)
    top = filled.max(axis=1, keepdims=True)
    at_top = filled == top
    n_top = at_top.sum(axis=1, keepdims=True)
    if full_scale is not None:
        at_limit = filled >= full_scale
    else:
        # one pixel at 65535 is enough; at the smaller limits a lone pixel may be there by chance
        at_limit = at_top & ((top == CONVERTER_LIMITS[-1]) | (np.isin(top, CONVERTER_LIMITS[:-1]) & (n_top >= 2)))
    # a flat top stands above the rest of its spectrum; equal counts everywhere (a dark, a test pattern) are none
    lowest = np.where(np.isfinite(counts), counts, np.inf).min(axis=1, keepdims=True)
    likely = np.flatnonzero(((top >= 1000.0) & (lowest < 0.9 * top) & (n_top >= min(STEEP_SIDE))).ravel())
    for i in likely:
        if _has_flat_run(filled[i], at_top[i], float(top[i, 0])):
            at_limit[i] |= at_top[i]
    return at_limit


def _has_flat_run(counts: Floats, at_top: Mask, top: float) -> bool:
    """True if a run of equal largest counts is no rounded hump: long, or with steep sides."""
    places = np.flatnonzero(at_top)
    for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1):
        if run.size >= LONG_RUN:
            return True
        sides = [counts[k] for k in (run[0] - 1, run[-1] + 1) if 0 <= k < counts.size and np.isfinite(counts[k])]
        if run.size in STEEP_SIDE and sides and top - float(np.mean(sides)) >= STEEP_SIDE[run.size] * top:
            return True
    return False
