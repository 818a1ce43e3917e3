"""How noisy each channel is, learnt from pours, and with it how much light the lamp gives there."""

# Rows that should be alike differ smoothly but for noise, so that noise is what stands off the neighbours. A channel
# with little light is noisy in a known way, so that the shape of the lamp need not be measured.

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.maths.statistics.levels import mean_by
from specmatch.maths.statistics.robust import column_medians

# the lamp's shape cannot have more detail than the slit passes: full width at half maximum 12-15 nm
SLIT_NM = 13.0
# ... and is followed by parabolas, over so many nm where a hundred rows tell it and over more where fewer do (tuning)
LIGHT_NM = 22.0
# places from which curves so smooth are known to rounding, in each such width
PLACES_A_WIDTH = 14
# a squared deviation beyond this many variances is a spike, not noise
LARGEST_SQUARE = 9.0
# the detector's variance over the photons' at the lamp's peak, tried, and the least light of a channel over that peak
_READ_PARTS, LEAST_LIGHT = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 10.0), 0.01
_ROUNDS = 4
# neither noise is taken for less than this part of the other, at the peak
LEAST_PART = 0.002
# Channels within a part of the slit see the same light: as witnesses of a shape they count as one.
BIN_NM = SLIT_NM / 3.0
# variances to 3 %, far closer than the model of the noise; more rows would only take time
MOST_ROWS, MOST_CELLS = 2000, 400_000


# numbers at a time: a block of rows stays in the processor's cache, and memory that it needs is not taken anew
BLOCK = 2**16

# the median of chi-squared with one degree of freedom
MEDIAN_SQUARE = 0.4549
# a channel quieter than this part of the median is counted as that quiet: a few values may agree by chance
QUIETEST = 0.2
# so few deviations know the noise of single channels too badly to weigh them by
FEWEST_DEVIATIONS = 18


def off_neighbours(
    rows: Floats, group: Ints, wavelength_nm: Floats | None = None, chosen: Ints | None = None
) -> Floats:
    """Return how far inner channels stand off their neighbours, scaled to the variance of the noise."""
    # Rows of one group differ by noise and smooth shapes only, and are held against the line between the neighbours.
    # Where no two rows are of one group each keeps its own shape, which a cubic through four neighbours follows.
    # rows (n, p), group (n,), wavelength_nm (p,) -> (m, p - 2), or (n, p - 4) for rows that are alone
    # chosen (m,): rows that are not alone; all of them where none are named
    counts = np.bincount(group)
    chosen = np.flatnonzero(counts[group] > 1) if chosen is None else chosen
    if not chosen.size:
        return off_the_cubic(rows) if rows.shape[1] >= 5 else off_the_line(rows)
    means, out = mean_by(rows, group)[0], np.empty((chosen.size, rows.shape[1] - 2))
    step = max(1, BLOCK // rows.shape[1])
    for start in range(0, chosen.size, step):
        own = chosen[start : start + step]
        rest = rows[own]
        rest -= means[group[own]]
        rest /= np.sqrt(1.0 - 1.0 / counts[group[own]])[:, None]
        out[start : start + step] = off_the_line(rest, wavelength_nm)
    return out


def off_the_line(rows: Floats, wavelength_nm: Floats | None = None) -> Floats:
    """Return how far inner channels of deviations lie off the line between two neighbours, of the noise's variance."""
    # rows (n, p), wavelength_nm (p,) -> (n, p - 2)
    nm = np.arange(float(rows.shape[1])) if wavelength_nm is None else wavelength_nm
    share = (nm[2:] - nm[1:-1]) / (nm[2:] - nm[:-2])
    size = np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    bend = rows[:, 1:-1] / size
    bend -= share / size * rows[:, :-2]
    bend -= (1.0 - share) / size * rows[:, 2:]
    return np.asarray(bend)


def off_the_cubic(rows: Floats) -> Floats:
    """Return how far inner channels lie off the cubic through four neighbours, of the noise's variance, (n, p - 4)."""
    off = rows[:, 2:-2] - (4.0 * (rows[:, 1:-3] + rows[:, 3:-1]) - rows[:, :-4] - rows[:, 4:]) / 6.0
    return np.asarray(off / np.sqrt(35.0 / 18.0))


def channel_noise(rows: ArrayLike, group: ArrayLike, *, robust: bool = False) -> Floats:
    """Return the noise of each channel, a standard deviation; `robust` by medians, which a few bad rows leave be."""
    # rows (n, p), NaN where a value is missing; group (n,) -> (p,)
    R, codes = np.asarray(rows, np.float64), np.asarray(group, np.int64)
    if R.shape[1] < 3:
        return np.zeros(R.shape[1])
    finite = np.isfinite(R)
    if not finite.all():
        R = np.where(finite, R, np.where(finite, R, 0.0).sum(axis=0) / np.maximum(finite.sum(axis=0), 1))
    off = off_neighbours(R, codes)
    square = column_medians(off**2) / MEDIAN_SQUARE if robust else np.einsum("np,np->p", off, off) / len(off)
    return to_ends(np.sqrt(square), R.shape[1])


def to_ends(noise: Floats, p: int) -> Floats:
    """Return the noise of inner channels with that of the outer ones, which is taken to be that beside them, (p,)."""
    beside = (p - noise.size) // 2
    return noise[np.clip(np.arange(p) - beside, 0, noise.size - 1)]


def weighing_noise(rows: Floats, group: Ints, *, robust: bool = False) -> Floats:
    """Return the noise to weigh channels by: none far below the usual, all alike where it cannot be told."""
    # rows (n, p), group (n,) -> (p,)
    counts, p = np.bincount(group), rows.shape[1]
    deviations = int((counts - 1)[counts > 1].sum())
    told = p >= 3 and deviations >= FEWEST_DEVIATIONS
    return to_weigh_by(channel_noise(rows, group, robust=robust) if told else np.zeros(p), deviations)


def to_weigh_by(noise: Floats, deviations: float) -> Floats:
    """Return noise that so many deviations told, none far below the usual; ones where too few did."""
    # noise (p,)
    middle = float(np.median(noise))
    told = deviations >= FEWEST_DEVIATIONS and middle > 0
    return np.maximum(noise, QUIETEST * middle) if told else np.ones(noise.size)


def overall_noise(rows: Floats, group: Ints) -> float:
    """Return the noise of channels that are equally noisy, however far a few of them or of the rows stand off."""
    # rows (n, p), group (n,), NaN where a value is missing
    off = off_neighbours(rows, group) if rows.shape[1] >= 3 else np.zeros((0, 0))
    known = off[np.isfinite(off)]
    return float(np.sqrt(np.median(known**2) / MEDIAN_SQUARE)) if known.size else 0.0


@dataclass(frozen=True)
class ChannelNoise:
    """Noise of reflectance, as the variance of one scan over a noiseless reference."""

    # `read / light^2 + shot * R / light + misfit * R`

    light: Floats  # (p,): light of the reference at each wavelength over its peak
    read: float  # read, shot: variances of detector and photon noise at the peak of the reference
    shot: float
    misfit: float = 0.0  # variance, at R = 1, by which shapes of causes may miss what they stand for

    def variance(self, reflectance: Floats) -> Floats:
        """Return the variance of one scan, of the shape of `reflectance`."""
        seen = np.clip(reflectance, 0.0, None)
        return self.read / self.light**2 + (self.shot / self.light + self.misfit) * seen

    def sample_variance(self, reflectance: Floats, n_pours: float) -> Floats:
        """Return the variance of a mean of pours; dark and reference are one scan each, however many pours."""
        # reflectance (p,) -> (p,)
        reference = reflectance**2 * self.variance(np.ones_like(reflectance)) + self.read / self.light**2
        return self.variance(reflectance) / n_pours + reference


def fit_light_noise(
    reflectance: Floats, group: Ints, *, wavelength_nm: Floats, bins: Ints | None = None
) -> ChannelNoise:
    """Learn noise and light of each channel from rows that should be alike, or of bins of channels."""
    # Light and the two noise variances are those of largest normal likelihood, in turn, and the light is smoothed over
    # the width of the slit.
    # reflectance (n, p), group (n,), wavelength_nm (p,), bins (p,)
    # group: rows of one group are pours of one sample, or samples of one beer where there is one pour of each
    p, counts = reflectance.shape[1], np.bincount(group)
    several = np.flatnonzero(counts[group] > 1)
    n_bins = p if bins is None else int(bins[-1]) + 1
    if min(p, n_bins) < 3 or several.size < 6:
        # nothing to learn from: noise of a good small spectrometer, even light
        return ChannelNoise(np.ones(n_bins), 1e-7, 3e-7)
    most = int(np.clip(MOST_CELLS // p, 200, MOST_ROWS))
    if several.size > most:
        several = several[np.linspace(0, several.size - 1, most).astype(np.int64)]
    found = _likeliest_noise(_squares(reflectance, group, several, wavelength_nm), wavelength_nm)
    if bins is None or n_bins == p:
        return found
    light = pooled(found.light, bins)
    light = light / light.max()
    binned = _squares(pooled(reflectance, bins), group, several, pooled(wavelength_nm, bins))
    read, shot = found.read, found.shot
    for _ in range(_ROUNDS):
        read, shot = _two_variances(binned, light, read, shot)
    return ChannelNoise(light, read, shot)


@dataclass(frozen=True)
class _Squares:
    """Squared noise of the rows of each group, which have one level."""

    count: Floats  # (n_groups, 1): rows
    total: Floats  # (n_groups, p): their squared noise, summed
    level: Floats  # (n_groups, p)


def _squares(reflectance: Floats, group: Ints, rows: Ints, wavelength_nm: Floats) -> _Squares:
    square = np.empty((rows.size, reflectance.shape[1]))
    square[:, 1:-1] = off_neighbours(reflectance, group, wavelength_nm, rows) ** 2
    square[:, 0], square[:, -1] = square[:, 1], square[:, -2]
    # rounded or made-up spectra may hold no noise at all
    square += 1e-14
    groups, code = np.unique(group[rows], return_inverse=True)
    level = np.clip(mean_by(reflectance, group)[0][groups], 0.0, None)
    # noise grows with the level at most in proportion: brighter rows have so much more room
    room = column_medians(square) * np.maximum(1.0, level / np.maximum(column_medians(level), 1e-9))
    square = np.minimum(square, LARGEST_SQUARE / MEDIAN_SQUARE * np.maximum(room, 1e-14)[code])
    mean, count = mean_by(square, code)
    return _Squares(count[:, None].astype(float), mean * count[:, None], level)


def _two_variances(seen: _Squares, light: Floats, read: float, shot: float) -> tuple[float, float]:
    """Return the two noise variances by weighted least squares of the squares, neither far below the other."""
    parts = np.stack([np.broadcast_to(1.0 / light**2, seen.level.shape).ravel(), (seen.level / light).ravel()])
    weight = 1.0 / (read * parts[0] + shot * parts[1]) ** 2
    count = np.broadcast_to(seen.count, seen.level.shape).ravel()
    normal = (parts * weight * count) @ parts.T
    right = (parts * weight) @ seen.total.ravel()
    read, shot = np.linalg.solve(normal + 1e-12 * np.trace(normal) * np.eye(2), right).tolist()
    if min(read, shot) < LEAST_PART * max(read, shot):
        read, shot = max(read, LEAST_PART * shot, 1e-16), max(shot, LEAST_PART * read, 1e-16)
    return read, shot


def _likeliest_noise(seen: _Squares, wavelength_nm: Floats) -> ChannelNoise:
    """Return light and noise of largest likelihood: light of each channel by itself, whatever the detector's part."""
    # in units in which a photon's variance is 1
    peak = float((seen.count * seen.level).sum(axis=0).max() / max(float(seen.total.sum(axis=0).min()), 1e-14))
    tried = [_likeliest(seen, part * peak) for part in _READ_PARTS]
    read, (light, _) = min(zip(_READ_PARTS, tried, strict=True), key=lambda one: one[1][1])
    # with no more detail than the slit passes
    light = np.exp(_smooth(np.log(light), wavelength_nm, LIGHT_NM * (100.0 / seen.count.sum()) ** 0.2))
    top = float(light.max())
    return ChannelNoise(np.maximum(light / top, LEAST_LIGHT), read * peak / top**2, 1.0 / top)


def _smooth(values: Floats, wavelength_nm: Floats, width_nm: float) -> Floats:
    """Return values of channels on local parabolas; those of the outermost, which are copies, tell nothing."""
    # values, wavelength_nm (p,)
    sd_nm = width_nm / 2.3548

    def smoothed(at_nm: Floats) -> Floats:
        away = (at_nm[:, None] - wavelength_nm) / sd_nm
        weighed = np.exp(-0.5 * away**2)
        weighed[:, [0, -1]] = 0.0
        moments, right = np.empty((5, at_nm.size)), np.empty((at_nm.size, 3, 1))
        for k in range(5):
            moments[k] = weighed.sum(axis=1)
            if k < 3:
                right[:, k, 0] = weighed @ values
            weighed *= away
        systems = moments[np.add.outer(np.arange(3), np.arange(3))].transpose(2, 0, 1)
        return np.asarray(np.linalg.solve(systems + 1e-9 * np.eye(3), right)[:, 0, 0])

    # of many channels, without a gap between them, a polynomial through fewer places follows the curve to rounding
    ends = [float(wavelength_nm[0]), float(wavelength_nm[-1])]
    places = int(PLACES_A_WIDTH * (ends[1] - ends[0]) / width_nm)
    if wavelength_nm.size <= places or np.diff(wavelength_nm).max() > sd_nm:
        return smoothed(wavelength_nm)
    return np.asarray(np.polynomial.Chebyshev.interpolate(smoothed, places, domain=ends)(wavelength_nm))


def _likeliest(seen: _Squares, read: float) -> tuple[Floats, float]:
    """Return the likeliest light of each channel, shape (p,), for photon noise of 1, and minus its log likelihood."""
    count, light, loss = seen.count[:, 0], np.empty(seen.level.shape[1]), 0.0
    step = max(1, BLOCK // count.size)
    for start in range(0, light.size, step):
        part = slice(start, start + step)
        level, total = seen.level[:, part], seen.total[:, part]
        variance, rows = np.ones_like(level), seen.count * level
        for _ in range(_ROUNDS):
            # Fisher scoring: weights of a round are the variances of the one before
            weight = np.divide(1.0, variance, out=variance)
            alone, through, seen_so = count @ weight, *(np.einsum("gp,gp->p", weight, one) for one in (rows, total))
            light[part] = (through + np.sqrt(through**2 + 4.0 * read * alone * seen_so)) / (2.0 * seen_so)
            variance = np.divide(level, light[part], out=weight)
            variance += read / light[part] ** 2
        loss += float((count @ np.log(variance)).sum() + (total / variance).sum())
    return light, loss


def slit_bins(wavelength_nm: Floats) -> Ints:
    """Return the bin of each channel, codes from 0 upwards: bins of a part of the slit, or each channel by itself."""
    # wavelength_nm (p,), ascending -> (p,)
    p = wavelength_nm.size
    if p < 3 or np.median(np.diff(wavelength_nm)) > BIN_NM / 2.0:
        return np.arange(p)
    place = np.floor((wavelength_nm - wavelength_nm[0]) / BIN_NM).astype(np.int64)
    return np.cumsum(np.diff(place, prepend=place[0]) > 0)


def pooled(values: Floats, bins: Ints) -> Floats:
    """Return the mean of each bin of channels."""
    # values (..., p), bins (p,) -> (..., n_bins)
    if bins[-1] == bins.size - 1:
        return values
    return values @ _shares(bins.tobytes())


@lru_cache(maxsize=8)
def _shares(bins: bytes) -> Floats:
    """Return what each channel counts in the mean of each bin, shape (p, n_bins)."""
    code = np.frombuffer(bins, np.int64)
    return (code[:, None] == np.arange(code[-1] + 1)) / np.bincount(code)


def slit_weights(wavelength_nm: Floats, sd_nm: float = SLIT_NM / 2.3548) -> Floats:
    """Return the matrix that smooths a spectrum over the width of a slit by local straight lines under a bell."""
    # wavelength_nm (p,) -> (p, p)
    away = (wavelength_nm[:, None] - wavelength_nm) / sd_nm
    weight = np.exp(-0.5 * away**2)
    s0, s1, s2 = (np.sum(weight * away**power, axis=1, keepdims=True) for power in (0, 1, 2))
    # `away` counts from each wavelength itself, so the line's value there is its constant term
    return weight * (s2 - s1 * away) / np.maximum(s0 * s2 - s1**2, 1e-12)
