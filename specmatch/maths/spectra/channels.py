"""Which channels can be relied on: the band that carries signal, and single points far off their neighbours."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TableError
from specmatch.maths.spectra.noise import channel_noise

# Noise of 0.004 in reflectance is 4 % of the light that an absorbance of 1 leaves, and as much as a trace of haze adds.
# Live channels of a small spectrometer with a white LED lie below it from about 425 to 680 nm; the ends far above.
LARGEST_NOISE = 0.004

# An instrument that is noisier throughout still has a band: the stretch that is not far noisier than its best quarter,
# up to noise that leaves a beer of medium colour unreadable.
TIMES_BEST_QUARTER, WORST_NOISE = 3.0, 0.03

# A cup on a clean base cannot return less than nothing or much more than its reference; single readings may stray.
LOWEST, HIGHEST, SHARE_OUTSIDE = -0.02, 1.2, 0.02

# five known faults and the beer itself take one direction each, and noise needs what is left
FEWEST_CHANNELS = 8

# single bad channels do not end a stretch
LARGEST_GAP = 2


def usable_band(reflectance: ArrayLike, sample: ArrayLike) -> Mask:
    """Estimate which channels carry signal."""
    # reflectance (n_pours, p), sample (n_pours,) -> (p,)
    # reflectance: A row a pour, wavelengths ascending; NaN marks a missing value
    R = np.asarray(reflectance, np.float64)
    codes = np.asarray(sample, np.int64)
    if R.shape[1] < 3:
        raise TableError(f"{R.shape[1]} wavelengths; to find the usable band, three or more are needed")
    outside = np.mean(~((R > LOWEST) & (R < HIGHEST)), axis=0)  # NaN counts as outside
    plausible, noise = outside <= SHARE_OUTSIDE, channel_noise(R, codes)
    limit = LARGEST_NOISE
    if plausible.any():
        usual = TIMES_BEST_QUARTER * float(np.quantile(noise[plausible], 0.25))
        limit = max(limit, min(usual, WORST_NOISE))
    stretch = longest_stretch(plausible & (noise <= limit), gaps_count=True)
    if stretch.sum() < 3:
        raise TableError(
            "no usable band: in every stretch of wavelengths the noise is above "
            f"{limit:.3g} or reflectance lies outside 0 to 1; check the reference and dark scans"
        )
    return stretch


def usable_channels(
    reflectance: Floats, wavelength_nm: Floats, band_nm: tuple[float, float] | None, sample: Ints
) -> Ints:
    """Return the channels of the usable band: inside the recorded one, where there is one, and alive in the pours."""
    # reflectance (n_pours, p), wavelength_nm (p,), sample (n_pours,) -> (k,)
    inside = np.ones(wavelength_nm.size, dtype=bool)
    if band_nm is not None:
        inside = (wavelength_nm >= band_nm[0]) & (wavelength_nm <= band_nm[1])
    # a recorded band says where the light was; dead channels inside it are still found from the pours
    return np.flatnonzero(inside)[usable_band(reflectance[:, inside], sample)]


def refuse_few_channels(wavelength_nm: Floats) -> None:
    """Refuse a usable band of so few channels that beers, colour and faults cannot be told apart on it."""
    # wavelength_nm (p,)
    if wavelength_nm.size < FEWEST_CHANNELS:
        where = f" ({wavelength_nm[0]:.0f}-{wavelength_nm[-1]:.0f} nm)" if wavelength_nm.size else ""
        raise TableError(
            f"the usable band holds {wavelength_nm.size} wavelengths{where}; {FEWEST_CHANNELS} or more are needed to "
            "tell beers, colour and faults of pouring apart: export the full spectrum"
        )


def longest_stretch(good: Mask, *, gaps_count: bool) -> Mask:
    """Return the longest run of good channels, stepping over gaps of up to `LARGEST_GAP` bad ones, which stay False."""
    # good (p,) -> (p,)
    kept, places = np.zeros_like(good), np.flatnonzero(good)
    if places.size:
        runs = np.split(places, np.flatnonzero(np.diff(places) > LARGEST_GAP + 1) + 1)
        kept[max(runs, key=lambda run: run[-1] - run[0] if gaps_count else run.size)] = True
    return kept


# eight robust standard deviations: in Gaussian noise less than one point in 10**14; the heavier tails of real
# residuals are what the margin is for
SPIKE_SIGMAS = 8.0


def spike_residuals(values: ArrayLike) -> tuple[Floats, Floats]:
    """Return how far each point stands off its neighbours, and the threshold for calling it a spike."""
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
