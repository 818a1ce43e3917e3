"""The band of wavelengths that carries signal, estimated from the pours where none was recorded."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TableError

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
    good = plausible & (noise <= limit)
    stretch = longest_stretch(good, gaps_count=True)
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


def channel_noise(reflectance: ArrayLike, sample: ArrayLike) -> Floats:
    """Return the standard deviation of each channel against the line between its neighbours."""
    # reflectance (n_pours, p), sample (n_pours,) -> (p,)
    # sample: pours of one sample differ by noise and by smooth shapes only; lone pours keep the shape of their beer,
    # which may pass for noise on a coarse grid
    R, codes = np.asarray(reflectance, np.float64), np.asarray(sample, np.int64)
    if R.shape[1] < 3:
        return np.zeros(R.shape[1])
    finite = np.isfinite(R)
    usual = np.where(finite, R, 0.0).sum(axis=0) / np.maximum(finite.sum(axis=0), 1)
    filled = np.where(finite, R, usual)
    counts = np.bincount(codes)
    several = counts[codes] > 1
    if several.any():
        # shape of the beer goes with the sample's mean; what is left of it is noise, on count - 1 degrees of freedom
        mean = np.zeros((counts.size, R.shape[1]))
        np.add.at(mean, codes, filled)
        mean /= np.maximum(counts, 1)[:, None]
        rest = (filled - mean[codes])[several] / np.sqrt(1.0 - 1.0 / counts[codes[several]])[:, None]
        return _against_neighbours(rest, (-0.5, 1.0, -0.5))
    # a lone pour keeps the shape of its beer, which a cubic between four neighbours follows and a line does not
    return _against_neighbours(filled, (1 / 6, -4 / 6, 1.0, -4 / 6, 1 / 6) if R.shape[1] >= 5 else (-0.5, 1.0, -0.5))


def _against_neighbours(rows: Floats, weights: tuple[float, ...]) -> Floats:
    """Return the noise that a difference between each channel and its neighbours shows; ends as those beside them."""
    reach = len(weights) // 2
    n = rows.shape[1]
    inner = sum(w * rows[:, k : n - 2 * reach + k] for k, w in enumerate(weights))
    noise = np.sqrt(np.mean(np.square(inner), axis=0) / sum(w**2 for w in weights))
    return np.concatenate([np.full(reach, noise[0]), noise, np.full(reach, noise[-1])])


def longest_stretch(good: Mask, *, gaps_count: bool) -> Mask:
    """Return the longest run of good channels, stepping over gaps of up to `LARGEST_GAP` bad ones, which stay False."""
    # good (p,) -> (p,)
    kept, places = np.zeros_like(good), np.flatnonzero(good)
    if places.size:
        runs = np.split(places, np.flatnonzero(np.diff(places) > LARGEST_GAP + 1) + 1)
        kept[max(runs, key=lambda run: run[-1] - run[0] if gaps_count else run.size)] = True
    return kept
