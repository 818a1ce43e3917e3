"""Counts to reflectance: each scan less its dark, per millisecond, over its reference treated alike."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask

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
    """Return which of `rows` was measured nearest to scan `i` in time.

    Of those as near, and where times are not known, it is the last that the sheet lists before the scan, else the first
    after it.
    """
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
    """Subtract from every scan its dark and divide by its integration time.

    A dark of the same integration time is taken as it is; two darks of other times are split into an offset and a
    rate per millisecond; one dark of another time needs `dark_offset`, else the scan is refused.
    """
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
            f"rate; take a dark at {wanted:g} ms, or give dark_offset="
        )
