"""The channels in which the reference carries enough light over its noise."""

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.maths.spectra.band import longest_stretch

# noise of one part in a hundred of the reference is as much as the error of a pour
SMALLEST_SNR = 100.0
# below this share of the brightest channel, stray light (0.1-1 % in spectrometers of this class) spoils dark beers
SMALLEST_SHARE = 0.04


def channels_with_signal(light: Floats, dark_noise: float) -> Mask:
    """Return the channels that references can carry.

    Noise is read noise plus shot noise, `dark_noise**2 + k light`; `k` comes from how far channels lie off the cubic
    through their four neighbours, whose variance is 35/18 of one channel's.
    """
    # light (n, p) -> (p,)
    level = median_light(light)
    peak = float(level.max(initial=0.0))
    if peak <= 0:
        return np.zeros(level.size, bool)
    noise = np.sqrt(dark_noise**2 + shot_factor(light, dark_noise) * np.fmax(level, 0.0))
    return longest_stretch((level >= SMALLEST_SNR * noise) & (level >= SMALLEST_SHARE * peak), gaps_count=False)


def median_light(light: Floats) -> Floats:
    """Return the middle of several references, channel by channel."""
    # light (n, p) -> (p,)
    some = np.isfinite(light).any(axis=0)
    level = np.zeros(light.shape[1])
    level[some] = np.nanmedian(light[:, some], axis=0)
    return level


def shot_factor(light: Floats, dark_noise: float) -> float:
    """Return the variance of a channel per unit of light, over that of the dark; see `channels_with_signal`."""
    # light (n, p)
    level = median_light(light)
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
