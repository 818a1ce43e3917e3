"""Counts to reflectance: each scan less its dark, per millisecond, over its reference treated alike."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.spectra.channels import longest_stretch
from specmatch.maths.spectra.noise import MEDIAN_SQUARE, off_the_cubic, overall_noise

Text = NDArray[np.object_]

# integration times this close are the same one written with other rounding
SAME_TIME = 1e-3


@dataclass(frozen=True, eq=False)
class RawScans:
    """Scans of counts on one grid, with what is needed to pair them."""

    scan_ids: Text  # (n,)
    wavelength_nm: Floats  # (p,)
    counts: Floats  # (n, p): float64; NaN where missing
    saturated: Mask  # (n, p)
    role: Text  # role, instrument, session, lamp, base, beer: (n,)
    instrument: Text
    session: Text
    lamp: Text
    base: Text
    beer: Text
    integration_ms: Floats  # (n,): naN where unknown
    hours: Floats  # (n,): when measured, in hours from any one origin; NaN where unknown
    order: Floats  # (n,): place in the sheet, which stands for time where no time is known
    dark_removed: Mask  # (n,): whether the recorder has already subtracted the dark

    @property
    def time_ms(self) -> Floats:
        """Integration times, shape (n,), 1 where none is known."""
        return np.where(np.isnan(self.integration_ms), 1.0, self.integration_ms)


@dataclass(frozen=True, eq=False)
class DarkCorrected:
    """Counts per millisecond above the dark."""

    values: Floats  # (n, p): naN rows for dark scans and for scans that could not be paired
    dark: Ints  # (n,): row of the (nearest) dark scan used, -1 where none was needed or found
    reasons: dict[int, str] = field(default_factory=dict)  # why a scan has no values
    notes: list[str] = field(default_factory=list)


def over_reference(net: Floats, light: Floats) -> Floats:
    """Divide net counts by those of the reference; NaN where the reference carries none."""
    # net, light (..., p) -> (..., p)
    out = np.full(np.broadcast_shapes(net.shape, light.shape), np.nan)
    np.divide(net, light, out=out, where=light > 0)
    return out


def nearest(raw: RawScans, i: int, rows: Ints) -> int:
    """Return which of `rows` was measured nearest to scan `i` in time."""
    # of those as near, and where times are not known, it is the last that the sheet lists before the scan, else the
    # first after it
    # rows (m,)
    apart = np.abs(raw.hours[rows] - raw.hours[i])
    if np.isnan(apart).any():
        apart = np.zeros(rows.size)
    after = raw.order[rows] - raw.order[i]
    return int(rows[np.lexsort((np.abs(after), after > 0, apart))[0]])


def candidates(raw: RawScans, chosen: Mask) -> dict[tuple[str, str | None], Ints]:
    """Return the chosen rows by instrument and session, and by instrument alone."""
    # chosen (n,) -> (m,)
    found: dict[tuple[str, str | None], list[int]] = {}
    for i in np.flatnonzero(chosen):
        found.setdefault((raw.instrument[i], raw.session[i]), []).append(int(i))
        found.setdefault((raw.instrument[i], None), []).append(int(i))
    return {key: np.array(rows) for key, rows in found.items()}


def subtract_darks(raw: RawScans, *, dark_offset: float | None = None) -> DarkCorrected:
    """Subtract from every scan its dark and divide by its integration time."""
    # A dark of the same integration time is taken as it is; two darks of other times are split into an offset and a
    # rate per millisecond; one dark of another time needs `dark_offset`, else the scan is refused.
    # dark_offset: counts of the dark at 0 ms, the same for all pixels
    n = raw.counts.shape[0]
    net = DarkCorrected(np.full(raw.counts.shape, np.nan), np.full(n, -1))
    # a dark that the recorder treated as it did the scan: what it leaves of the dark, it leaves in both
    dark = raw.role == "dark"
    darks = {removed: candidates(raw, dark & (raw.dark_removed == removed)) for removed in (False, True)}
    same: list[int] = []
    for i in np.flatnonzero(raw.role != "dark"):
        removed, instrument = bool(raw.dark_removed[i]), raw.instrument[i]
        own = darks[removed].get((instrument, raw.session[i]))
        rows = own if own is not None else darks[removed].get((instrument, None))
        if removed and (rows is None or not same_time(raw.integration_ms[rows], raw.integration_ms[i]).any()):
            net.values[i] = raw.counts[i]
            continue
        if rows is None:
            of = f" scan of instrument {instrument!r}; take a dark scan" if instrument else " scan; take one"
            if (instrument, None) in darks[True]:
                of = ": the recorder had taken the dark off those there are, and not off this scan; take all alike"
            net.reasons[int(i)] = f"no usable dark{of}"
            continue
        own_time = raw.integration_ms[i]
        equal = same_time(raw.integration_ms[rows], own_time)
        if not equal.any() and own is not None and _distinct_times(raw, rows).size < 2:
            everywhere = darks[removed][(instrument, None)]
            if (there := same_time(raw.integration_ms[everywhere], own_time)).any():
                rows, equal = everywhere, there
        if equal.any():
            net.dark[i] = nearest(raw, int(i), rows[equal])
            same.append(int(i))
        else:
            _other_time(raw, net, int(i), rows, dark_offset)
    if same:
        net.values[same] = raw.counts[same] - raw.counts[net.dark[same]]
    net.values[:] = net.values / raw.time_ms[:, None]
    return net


def same_time(times: Floats, wanted: float) -> Mask:
    """Return which integration times are a given one; those that are not known are one another's."""
    # times (n,) -> (n,)
    return np.isnan(times) if np.isnan(wanted) else np.abs(times - wanted) <= SAME_TIME * wanted


def _distinct_times(raw: RawScans, rows: Ints) -> Floats:
    t = np.unique(raw.integration_ms[rows])
    t = t[np.isfinite(t)]
    return t[np.r_[True, np.diff(t) > SAME_TIME * t[1:]]] if t.size else t


def _other_time(raw: RawScans, net: DarkCorrected, i: int, rows: Ints, dark_offset: float | None) -> None:
    """Find the dark at the scan's own integration time from darks at other times."""
    wanted = raw.integration_ms[i]
    times = _distinct_times(raw, rows)
    if np.isnan(wanted) or times.size == 0:
        net.reasons[i] = (
            "the integration time of the scan or of its dark is not known, that of others is; fill integration_ms in "
            "scans.csv"
        )
        return
    by_time = [nearest(raw, i, rows[same_time(raw.integration_ms[rows], t)]) for t in times]
    net.dark[i] = nearest(raw, i, np.array(by_time))
    if times.size >= 2:
        # the two times nearest to the wanted one; offset and rate per pixel through them
        a, b = (by_time[k] for k in np.argsort(np.abs(times - wanted))[:2])
        ta, tb = raw.integration_ms[a], raw.integration_ms[b]
        rate = (raw.counts[b] - raw.counts[a]) / (tb - ta)
        net.values[i] = raw.counts[i] - (raw.counts[a] + rate * (wanted - ta))
        net.notes.append(
            f"{raw.scan_ids[i]}: dark at {wanted:g} ms from darks at {ta:g} and {tb:g} ms, offset and rate apart"
        )
    elif dark_offset is not None:
        dark = dark_offset + (raw.counts[by_time[0]] - dark_offset) * (wanted / times[0])
        net.values[i] = raw.counts[i] - dark
        net.notes.append(
            f"{raw.scan_ids[i]}: dark at {wanted:g} ms from one at {times[0]:g} ms and the offset {dark_offset:g} given"
        )
    else:
        net.dark[i] = -1
        net.reasons[i] = (
            f"taken at {wanted:g} ms, its dark at {times[0]:g} ms, and one dark does not tell its offset from its "
            f"rate; take a dark at {wanted:g} ms, or in Python give dark_offset="
        )


# The channels in which the reference carries enough light over its noise.

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
    """Return the variance of a channel per unit of light, over that of the dark."""
    # From how far channels lie off the cubic through their four neighbours, whose variance is 35/18 of one channel's.
    # What all references share is the lamp's own shape and the pixels' pattern; few references cannot tell them, and
    # scans over their reference can, because both cancel there.
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


# Which reference each scan is held against, what noise and which channels the references carry, and the quotient.


@dataclass(frozen=True, eq=False)
class Paired:
    """Scans with their darks and references, and the reflectance that comes of them."""

    raw: RawScans
    net: DarkCorrected
    reference: Ints  # (n,): row of each scan's reference, -1 for none
    reasons: dict[int, str]  # why a scan has no reflectance
    values: Floats  # (n, p): reflectance; NaN rows where there is none
    usable: Mask  # (p,): channels that the references of all instruments carry; all True where there is no reference
    banded: bool  # whether `usable` was found from references
    dark_noise: Floats  # dark_noise, shot: (n,): noise of a channel, per ms: variance `dark_noise**2 + shot * light`
    shot: Floats

    def rows(self, *roles: str) -> Ints:
        """Rows of given roles, shape (m,), ascending."""
        return np.flatnonzero(np.isin(self.raw.role, roles))

    def leaning(self, role: str) -> tuple[Ints, Ints]:
        """Sample and control scans, shape (m,), that use a dark or a reference, by `role`; and the rows of that."""
        used, rows = self.net.dark if role == "dark" else self.reference, self.rows("sample", "control")
        rows = rows[used[rows] >= 0]
        return rows, used[rows]

    def in_time(self, rows: Ints) -> Ints:
        """Put rows, shape (m,), in the order in which they were measured, by the sheet where no time is known."""
        hours = self.raw.hours[rows]
        return rows[np.argsort(np.where(np.isnan(hours), self.raw.order[rows], hours), kind="stable")]

    def live(self) -> Mask:
        """The channels to judge scans by, shape (p,): the usable ones, or all where none is."""
        return self.usable if self.usable.any() else np.ones(self.usable.size, bool)


def pair(raw: RawScans, net: DarkCorrected) -> Paired:
    """Pair every sample and control scan with its reference and divide."""
    reference, reasons = _references(raw, net)
    n, p = raw.counts.shape
    usable, banded = np.ones(p, bool), False
    dark_noise, shot = np.zeros(n), np.zeros(n)
    lit = np.asarray(np.isfinite(net.values).any(axis=1))
    for instrument in dict.fromkeys(raw.instrument):
        of_it = raw.instrument == instrument
        dark_noise[of_it] = _dark_noise(raw, of_it)
        light = net.values[of_it & (raw.role == "reference") & lit]
        if light.shape[0] == 0:
            continue
        dark, own = float(dark_noise[of_it][0]), np.flatnonzero(of_it & (reference >= 0))
        factor = shot_factor(light, dark, net.values[own], net.values[reference[own]])
        shot[of_it] = factor
        usable &= channels_with_signal(light, dark, factor)
        banded = True
    values = np.full(raw.counts.shape, np.nan)
    paired = np.flatnonzero(reference >= 0)
    values[paired] = over_reference(net.values[paired], net.values[reference[paired]])
    return Paired(raw, net, reference, reasons, values, usable, banded, dark_noise, shot)


def _references(raw: RawScans, net: DarkCorrected) -> tuple[Ints, dict[int, str]]:
    """Return the row of the reference of each sample and control scan (-1 for none), and why there is none."""
    reference = np.full(raw.role.size, -1)
    reasons = dict(net.reasons)
    rows_of = candidates(raw, raw.role == "reference")
    none = np.empty(0, np.int64)
    good = np.asarray(np.isfinite(net.values).any(axis=1))
    for i in np.flatnonzero(np.isin(raw.role, ("sample", "control"))):
        if int(i) in reasons:
            continue
        fit = good & _same_light(raw, int(i))
        own = rows_of.get((raw.instrument[i], raw.session[i]), none)
        rows = own[fit[own]]
        if rows.size == 0:
            every = rows_of.get((raw.instrument[i], None), none)
            rows = every[fit[every]]
            if rows.size == 0:
                why = f" ({reasons[int(every[0])]})" if every.size and int(every[0]) in reasons else ""
                why = " with its lamp and base" if good[every].any() else why
                reasons[int(i)] = (
                    f"no usable reference scan{of_instrument(raw.instrument[i])}{why}; take a reference scan"
                )
                continue
        known = np.isfinite(raw.integration_ms[rows]) == np.isfinite(raw.integration_ms[i])
        if not known.any():
            reasons[int(i)] = (
                "the integration time of the scan or of its reference is not known; fill integration_ms in scans.csv"
            )
            continue
        reference[i] = nearest(raw, int(i), rows[known])
    return reference, reasons


def _same_light(raw: RawScans, i: int) -> Mask:
    """Say which scans state no other lamp and no other base than one of them does; a blank states none."""
    same = np.ones(raw.role.size, bool)
    for stated in (raw.lamp, raw.base):
        if stated[i]:
            same &= (stated == stated[i]) | (stated == "")
    return same


def of_instrument(instrument: str) -> str:
    """Name an instrument in a sentence, if it has a name."""
    return f" of instrument {instrument!r}" if instrument else ""


def _dark_noise(raw: RawScans, of_it: Mask) -> float:
    """Standard deviation of a channel in the dark, per ms."""
    time = raw.time_ms
    counts = raw.counts[of_it][np.isfinite(raw.counts[of_it])]
    # whole counts carry the rounding of the converter, a uniform error of one count
    rounding = float(0.29 / np.median(time[of_it])) if counts.size and (counts == np.rint(counts)).all() else 0.0
    darks = np.flatnonzero(of_it & (raw.role == "dark"))
    if darks.size == 0 or not np.isfinite(raw.counts[darks]).any():
        return rounding
    # repeated darks share the pattern of their pixels
    return max(overall_noise(raw.counts[darks] / time[darks, None], np.zeros(darks.size, np.int64)), rounding)
