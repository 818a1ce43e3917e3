"""The channels in which the reference carries enough light over its noise."""

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.maths.spectra.channels import longest_stretch
from specmatch.maths.spectra.noise import MEDIAN_SQUARE, off_the_cubic

# noise of one part in a hundred of the reference is as much as the error of a pour
SMALLEST_SNR = 100.0
# below this share of the brightest channel, stray light (0.1-1 % in spectrometers of this class) spoils dark beers
SMALLEST_SHARE = 0.04


# scans over their reference that tell noise where references are few; more would only take time
MOST_SCANS = 60


def channels_with_signal(light: Floats, dark_noise: float, shot: float) -> Mask:
    """Return the channels that references can carry, noise being `dark_noise**2 + shot * light`."""
    # light (n, p) -> (p,)
    level = median_light(light)
    peak = float(level.max(initial=0.0))
    if peak <= 0:
        return np.zeros(level.size, bool)
    noise = np.sqrt(dark_noise**2 + shot * np.fmax(level, 0.0))
    return longest_stretch((level >= SMALLEST_SNR * noise) & (level >= SMALLEST_SHARE * peak), gaps_count=False)


def median_light(light: Floats) -> Floats:
    """Return the middle of several references, channel by channel."""
    # light (n, p) -> (p,)
    some = np.isfinite(light).any(axis=0)
    level = np.zeros(light.shape[1])
    level[some] = np.nanmedian(light[:, some], axis=0)
    return level


def shot_factor(light: Floats, dark_noise: float, scans: Floats | None = None, of: Floats | None = None) -> float:
    """Return the variance of a channel per unit of light, over that of the dark.

    From how far channels lie off the cubic through their four neighbours, whose variance is 35/18 of one channel's.
    What all references share is the lamp's own shape and the pixels' pattern; few references cannot tell them, and
    scans over their reference can, because both cancel there.
    """
    # light (n, p), scans, of (m, p): of: the light of each scan's reference
    level = median_light(light)
    peak = float(level.max(initial=0.0))
    if level.size < 5 or peak <= 0:
        return 0.0
    bright = level[2:-2] > 0.1 * peak
    if not bright.any():
        return 0.0
    if light.shape[0] < 3 and scans is not None and of is not None and scans.size:
        with np.errstate(divide="ignore", invalid="ignore"):
            own, base = scans[:MOST_SCANS, 2:-2][:, bright], of[:MOST_SCANS, 2:-2][:, bright]
            off = off_the_cubic(scans[:MOST_SCANS] / of[:MOST_SCANS])[:, bright] / np.sqrt(MEDIAN_SQUARE)
            # of the quotient s / l: (dark^2 + k s) / l^2 + (s / l)^2 (dark^2 + k l) / l^2
            counted = off**2 * base**2 - dark_noise**2 * (1.0 + (own / base) ** 2)
            factor = counted / np.fmax(own + own**2 / base, 1e-3 * base)
        told = factor[np.isfinite(factor)]
        return max(0.0, float(np.median(told))) if told.size else 0.0
    y = np.where(np.isfinite(light), light, level)
    if light.shape[0] >= 3:
        lit = level > 0.1 * peak
        scale = np.median(y[:, lit] / level[lit], axis=1, keepdims=True)
        y = y - scale * level
    # the median passes over the few channels at a sharp peak
    variance = off_the_cubic(y)[:, bright] ** 2 / MEDIAN_SQUARE - dark_noise**2
    return max(0.0, float(np.median(variance / level[2:-2][bright])))
