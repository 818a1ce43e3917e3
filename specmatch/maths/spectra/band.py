"""The band of wavelengths that carries signal, estimated from the pours where none was recorded."""

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


def longest_stretch(good: Mask, *, gaps_count: bool) -> Mask:
    """Return the longest run of good channels, stepping over gaps of up to `LARGEST_GAP` bad ones, which stay False."""
    # good (p,) -> (p,)
    kept, places = np.zeros_like(good), np.flatnonzero(good)
    if places.size:
        runs = np.split(places, np.flatnonzero(np.diff(places) > LARGEST_GAP + 1) + 1)
        kept[max(runs, key=lambda run: run[-1] - run[0] if gaps_count else run.size)] = True
    return kept
