"""The channels in which the reference carries enough light over its noise."""

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.maths.band import longest_stretch

# noise of one part in a hundred of the reference is as much as the error of a pour
SMALLEST_SNR = 100.0
# below this share of the brightest channel, stray light (0.1-1 % in spectrometers of this class) spoils dark beers
SMALLEST_SHARE = 0.04


def live_channels(light: Floats, dark_noise: float) -> Mask:
    """Return the channels that references can carry.

    Parameters
    ----------
    light : ndarray, shape (n, p)
        Net counts of reference scans of one instrument, a row a reference; NaN where masked.
    dark_noise : float
        Standard deviation of one channel without light, in the unit of `light`.

    Returns
    -------
    ndarray of bool, shape (p,)
        One unbroken stretch but for single masked channels; all False where there is no light at all.

    Notes
    -----
    Noise is read noise plus shot noise, `dark_noise**2 + k light`; `k` comes from how far channels lie off the cubic
    through their four neighbours, whose variance is 35/18 of one channel's.

    Examples
    --------
    >>> light = np.r_[np.zeros(5), np.full(20, 1e4), np.zeros(5)][None, :]
    >>> np.flatnonzero(live_channels(light, 5.0))[[0, -1]].tolist()
    [5, 24]
    """
    level = middle_light(light)
    peak = float(level.max(initial=0.0))
    if peak <= 0:
        return np.zeros(level.size, bool)
    noise = np.sqrt(dark_noise**2 + shot_factor(light, dark_noise) * np.fmax(level, 0.0))
    return longest_stretch((level >= SMALLEST_SNR * noise) & (level >= SMALLEST_SHARE * peak), gaps_count=False)


def middle_light(light: Floats) -> Floats:
    """Return the middle of several references, channel by channel.

    Parameters
    ----------
    light : ndarray, shape (n, p)
        Net counts of reference scans, a row a reference; NaN where masked.

    Returns
    -------
    ndarray, shape (p,)
        Median; 0 where no reference has a value.

    Examples
    --------
    >>> middle_light(np.array([[1.0, np.nan], [2.0, np.nan], [9.0, np.nan]])).tolist()
    [2.0, 0.0]
    """
    some = np.isfinite(light).any(axis=0)
    level = np.zeros(light.shape[1])
    level[some] = np.nanmedian(light[:, some], axis=0)
    return level


def shot_factor(light: Floats, dark_noise: float) -> float:
    """Return the variance of a channel per unit of light, over that of the dark; see `live_channels`.

    Parameters
    ----------
    light : ndarray, shape (n, p)
        Net counts of reference scans of one instrument.
    dark_noise : float
        Standard deviation of one channel without light, in the unit of `light`.

    Returns
    -------
    float
        0 where there is no light, or none of the noise rises with it.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal((20, 200))
    >>> round(shot_factor(1e4 + np.sqrt(0.5 * 1e4) * noise, 0.0), 1)  # a variance of half the light
    0.5
    """
    level = middle_light(light)
    peak = float(level.max(initial=0.0))
    if level.size < 5 or peak <= 0:
        return 0.0
    filled = np.where(np.isfinite(light), light, level)
    if light.shape[0] >= 3:
        # what all references share is the lamp's own shape and the pixels' pattern, which the ratio takes out
        lit = level > 0.1 * peak
        scale = np.median(filled[:, lit] / level[lit], axis=1, keepdims=True)
        filled = filled - scale * level
    y = filled
    off = y[:, 2:-2] - (4.0 * (y[:, 1:-3] + y[:, 3:-1]) - y[:, :-4] - y[:, 4:]) / 6.0
    bright = level[2:-2] > 0.1 * peak
    if not bright.any():
        return 0.0
    # 0.455 is the median of a squared standard normal; the median passes over the few channels at a sharp peak
    variance = off[:, bright] ** 2 / (0.455 * 35.0 / 18.0) - dark_noise**2
    return max(0.0, float(np.median(variance / level[2:-2][bright])))
