"""Which reference each scan is held against, what noise and which channels the references carry, and the quotient."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.spectra.noise import overall_noise
from specmatch.measurement.reflectance.band import channels_with_signal, shot_factor
from specmatch.measurement.reflectance.reflectance import DarkCorrected, RawScans, candidates, nearest, over_reference


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
