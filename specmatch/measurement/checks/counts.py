"""Checks of counts: pixels, saturation, references, darks and the lamp; and the rows that every check gives."""
# what is wrong with a reference or a dark is said of it and of every scan that leans on it, because the scan is what a
# reading looks at

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.spectra.channels import spike_residuals
from specmatch.measurement.reflectance.reflectance import Paired, RawScans, Text, median_light, same_time
from specmatch.wording import counted

# Rows of the table of checks.

CHECK_COLUMNS = ("scan_id", "code", "size", "sentence")


class CheckRow(NamedTuple):
    """One finding about one scan."""

    scan_id: str
    code: str  # of the registry (`specmatch.WARNING_CODES`)
    size: float  # how large it is, in the unit that its sentence names
    sentence: str  # what is wrong, and what to do


def check_table(rows: Iterable[CheckRow]) -> pd.DataFrame:
    """Return findings as a table."""
    table = pd.DataFrame(list(rows), columns=list(CHECK_COLUMNS), dtype=object)
    return table.astype({"size": float})


# Pixels that read far off their neighbours in the dark, do not answer to light, or stand at the converter's limit.

# ten robust deviations of the dark's own pixel pattern, and ten counts, so that a quiet detector has no hot pixels
HOT_SIGMAS, HOT_COUNTS = 10.0, 10.0
# a pixel that takes less than half or more than twice the light of its neighbours does not answer as they do
DEAD_RATIO = 2.0
# more than this share is no matter of single pixels
LARGEST_SHARE = 0.05
# so large a share of a scan may stand at full scale as single pixels; more is light
LONE_SHARE = 0.02


def find_hot_pixels(dark: Floats, light: Floats) -> Mask:
    """Return the pixels that stand out of the dark, or do not answer to light as their neighbours do."""
    # dark (n, p), light (m, p) -> (p,)
    p = light.shape[1]
    hot = np.zeros(p, bool)
    if p < 9:
        return hot
    if dark.shape[0]:
        middle = np.median(dark, axis=0)
        residual, _ = spike_residuals(middle)
        sigma = 1.4826 * float(np.median(np.abs(residual)))
        hot |= np.abs(residual) > max(HOT_SIGMAS * sigma, HOT_COUNTS)
        # the neighbours of a hot pixel at the very end are compared with a line through it
        hot[:2] &= np.abs(residual[:2]) >= np.abs(residual[[1, 0]])
        hot[-2:] &= np.abs(residual[-2:]) >= np.abs(residual[[-1, -2]])
    if light.shape[0]:
        level = np.median(light, axis=0)
        around = level - spike_residuals(level)[0]
        lit = around > 0.1 * level.max()
        lit[:2] = lit[-2:] = False
        hot |= lit & ((level < around / DEAD_RATIO) | (level > around * DEAD_RATIO))
    return hot if hot.mean() <= LARGEST_SHARE else np.zeros(p, bool)


def mask_hot_pixels(raw: RawScans) -> tuple[Mask, list[CheckRow]]:
    """Find the hot pixels of every instrument."""
    # -> (n, p)
    mask = np.zeros(raw.counts.shape, bool)
    rows = []
    for instrument in dict.fromkeys(raw.instrument):
        of_it = raw.instrument == instrument
        darks = np.flatnonzero(of_it & (raw.role == "dark"))
        references = np.flatnonzero(of_it & (raw.role == "reference"))
        first = darks[0] if darks.size else references[0] if references.size else -1
        if first < 0 or np.isnan(raw.counts[of_it]).all():
            continue
        same = darks[same_time(raw.integration_ms[darks], raw.integration_ms[first])]
        dark = np.nan_to_num(raw.counts[same])
        # references of other integration times share shape, which is all that is asked of them
        light = np.nan_to_num(raw.counts[references]) - (np.median(dark, axis=0) if dark.size else 0.0)
        hot = find_hot_pixels(dark, light)
        if hot.any():
            mask[of_it] |= hot
            at = ", ".join(f"{nm:.1f}" for nm in raw.wavelength_nm[hot][:6])
            sentence = f"{int(hot.sum())} pixel(s) at {at} nm read far off their neighbours and are masked in all scans"
            rows.append(CheckRow(raw.scan_ids[first], "hot_pixels", float(hot.sum()), sentence))
    return mask, rows


def mask_lone_full_pixels(raw: RawScans, *, full_scale: float | None) -> tuple[Mask, list[CheckRow]]:
    """Find pixels at full scale among neighbours at less than half of it: a hot pixel, where light fills several."""
    counts = raw.counts
    top = np.fmax.reduce(counts, axis=1, initial=0.0)
    at_limit = np.isin(top, CONVERTER_LIMITS) if full_scale is None else top >= full_scale
    full = raw.saturated.copy()
    full[at_limit] |= saturated_channels(counts[at_limit], full_scale=full_scale)
    lone = np.zeros(full.shape, bool)
    p = counts.shape[1]
    for i in np.flatnonzero(full.any(axis=1) & (full.sum(axis=1) <= LONE_SHARE * p)):
        known = counts[i][np.isfinite(counts[i])]
        highest = float(counts[i][full[i]].max()) if np.isfinite(counts[i][full[i]]).any() else np.inf
        for k in np.flatnonzero(full[i]):
            around = np.r_[counts[i, max(k - 2, 0) : k], counts[i, k + 1 : k + 3]]
            # marked by the file without a number: then full scale is twice what any other pixel reads, or more
            level = highest
            if not np.isfinite(highest):
                level = full_scale or max(2.0 * known.max(initial=0.0), CONVERTER_LIMITS[-1])
            lone[i, k] = bool(np.isfinite(around).any() and np.nanmax(around) < level / 2.0)
        if not lone[i, full[i]].all():
            lone[i] = False  # one part of a scan at its limit is enough to spoil it
    rows = []
    for i in np.flatnonzero(lone.any(axis=1)):
        at = ", ".join(f"{nm:.1f}" for nm in raw.wavelength_nm[lone[i]][:6])
        sentence = (
            f"{counted(int(lone[i].sum()), 'pixel')} at {at} nm at full scale beside neighbours at less than half "
            "of it: hot, not saturated by light; left out of this scan"
        )
        rows.append(CheckRow(raw.scan_ids[i], "hot_pixels", float(lone[i].sum()), sentence))
    return lone, rows


# the largest numbers of converters with 12, 14, 15 and 16 bits
CONVERTER_LIMITS = (4095.0, 16383.0, 32767.0, 65535.0)
EIGHT_BITS = 255.0
# three equal neighbours at the top of a smooth hump come about by rounding where noise is low; then the counts beside
# them are nearly as high, while a cut peak falls off steeply from its flat top
STEEP_SIDE = {3: 0.01, 4: 0.003, 5: 0.003}
LONG_RUN = 6


def saturated_channels(counts: Floats, *, full_scale: float | None = None) -> Mask:
    """Return where counts stand at the limit of the converter or at a flat top below it."""
    # counts (n, p) -> (n, p)
    filled = np.where(np.isfinite(counts), counts, -np.inf)
    top = filled.max(axis=1, keepdims=True)
    at_top = filled == top
    n_top = at_top.sum(axis=1, keepdims=True)
    if full_scale is not None:
        at_limit = filled >= full_scale
    else:
        # one pixel at 65535 is enough; at the smaller limits a lone pixel may be there by chance
        at_limit = at_top & ((top == CONVERTER_LIMITS[-1]) | (np.isin(top, CONVERTER_LIMITS[:-1]) & (n_top >= 2)))
    # a flat top stands above the rest of its spectrum; equal counts everywhere (a dark, a test pattern) are none
    lowest = np.where(np.isfinite(counts), counts, np.inf).min(axis=1, keepdims=True)
    # few counts have equal ones at their top by rounding, but for many at the limit of 8 bits
    fewest = np.where(top == EIGHT_BITS, LONG_RUN, np.where(top >= 1000.0, min(STEEP_SIDE), np.inf))
    likely = np.flatnonzero(((lowest < 0.9 * top) & (n_top >= fewest)).ravel())
    for i in likely:
        if _has_flat_run(filled[i], at_top[i], float(top[i, 0])):
            at_limit[i] |= at_top[i]
    return at_limit


def _has_flat_run(counts: Floats, at_top: Mask, top: float) -> bool:
    """True if a run of equal largest counts is no rounded hump: long, or with steep sides."""
    places = np.flatnonzero(at_top)
    for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1):
        if run.size >= LONG_RUN:
            return True
        sides = [counts[k] for k in (run[0] - 1, run[-1] + 1) if 0 <= k < counts.size and np.isfinite(counts[k])]
        if run.size in STEEP_SIDE and sides and top - float(np.mean(sides)) >= STEEP_SIDE[run.size] * top:
            return True
    return False


# Checks of the light: saturated or weak references, stale ones, a lamp that drifts, ambient light, a shifted axis.

# a lamp varies by about 1 % from one reference to the next; five times that is a lamp, a base or a cup that changed
DRIFT_SHARE = 0.05

# references before this one that it is held against
PREDECESSORS = 5


def jumps(level: Floats) -> dict[int, float]:
    """Find levels that are off those before them."""
    # level (n,)
    found = {}
    for place in range(1, len(level)):
        change = float(level[place] / np.median(level[max(0, place - PREDECESSORS) : place]) - 1.0)
        if abs(change) > DRIFT_SHARE:
            found[place] = change
    return found


# below a third of what the instrument's references usually carry, or of 100 times the noise at the best channel
WEAK_SHARE, WEAK_SNR = 0.33, 100.0

# ambient light, of the reference's brightest channel: in a dark, which drifts by itself, and where the lamp gives none
AMBIENT_SHARE, AMBIENT_SHARE_UNLIT = 0.0015, 0.0007


def span(nm: Floats, where: Mask) -> str:
    """Say a set of channels as a range, from the first to the last."""
    # nm (p,), where (p,)
    x = nm[where]
    return f"{x[0]:.0f} nm" if x.size == 1 else f"{x[0]:.0f}-{x[-1]:.0f} nm"


def _leaning(paired: Paired, role: str, rows: dict[int, tuple[float, str]], code: str, advice: str) -> list[CheckRow]:
    """Say of every sample and control scan what is wrong with the dark or reference that it uses."""
    ids = paired.raw.scan_ids
    return [
        CheckRow(ids[i], code, rows[used][0], f"its {role} {ids[used]} {rows[used][1]}: {advice}")
        for i, used in zip(*paired.leaning(role), strict=True)
        if used in rows
    ]


def saturated_rows(paired: Paired, *, full_scale: float | None) -> list[CheckRow]:
    """Counts at the converter's limit or at a flat top, in the scan itself or in its dark or reference."""
    raw = paired.raw
    mask = saturated_channels(raw.counts, full_scale=full_scale) | raw.saturated
    rows, spoilt = [], {}
    for i in np.flatnonzero(mask.any(axis=1)):
        at_top = raw.counts[i][mask[i] & np.isfinite(raw.counts[i])]
        level = f"stand at {at_top.max():g} counts" if at_top.size else "are marked as over the range by the file"
        what = f"{int(mask[i].sum())} channel(s) at {span(raw.wavelength_nm, mask[i])} {level}"
        spoilt[int(i)] = (float(mask[i].mean()), f"is saturated, {what}")
        sentence = f"{what}, the detector's limit: shorten the integration time and measure again"
        rows.append(CheckRow(raw.scan_ids[i], "saturated", float(mask[i].mean()), sentence))
    for role in ("reference", "dark"):
        rows += _leaning(paired, role, spoilt, "saturated", f"take a new {role} at a shorter integration time")
    return rows


def stale_rows(paired: Paired, *, dark_age_h: float, reference_age_h: float) -> list[CheckRow]:
    """Scans whose dark or reference was taken longer before or after them than stated."""
    raw, rows = paired.raw, []
    for role, allowed in (("dark", dark_age_h), ("reference", reference_age_h)):
        for i, used in zip(*paired.leaning(role), strict=True):
            hours = raw.hours[i] - raw.hours[used]
            if not abs(hours) > allowed:  # NaN where a time is not known
                continue
            ago = f"{abs(hours) / 24:.0f} days" if abs(hours) >= 48 else f"{abs(hours):.1f} h"
            when = "before" if hours > 0 else "after"
            what = f"its {role} {raw.scan_ids[used]} was taken {ago} {when} it"
            sentence = f"{what}, {allowed:g} h are allowed: take a new {role}"
            rows.append(CheckRow(raw.scan_ids[i], f"stale_{role}", float(abs(hours)), sentence))
    return rows


def _only_one_filled_in(stated: Text, instrument: Text) -> Text:
    """Return what scans state, a blank as the one thing that the other scans of its instrument state."""
    # stated, instrument (n,) -> (n,)
    filled = stated.copy()
    for name in np.unique(instrument):
        own = instrument == name
        known = {*stated[own]} - {""}
        if len(known) == 1:
            filled[own] = known.pop()
    return filled


def reference_rows(paired: Paired) -> list[CheckRow]:
    """References that carry too little light, or drift from those before them."""
    raw, net, live = paired.raw, paired.net, paired.live()
    rows: list[CheckRow] = []
    weak: dict[int, tuple[float, str]] = {}
    drifted: dict[int, tuple[float, str]] = {}
    every = paired.rows("reference")
    instrument = raw.instrument[every]
    stated = (_only_one_filled_in(one[every], instrument) for one in (raw.lamp, raw.base))
    lights = list(zip(instrument, *stated, strict=True))
    for light in dict.fromkeys(lights):  # a lamp or base that is stated to be another has a level of its own
        of_it = every[[own == light for own in lights]]
        of_it = of_it[np.isfinite(net.values[of_it][:, live]).any(axis=1)]
        if of_it.size == 0:
            continue
        of_it = paired.in_time(of_it)
        level = np.nanmedian(net.values[of_it][:, live], axis=1)
        peak = np.nanmax(net.values[of_it], axis=1)
        noise = np.sqrt(paired.dark_noise[of_it] ** 2 + paired.shot[of_it] * np.fmax(peak, 0.0))
        usual = float(np.median(level))
        lit: list[int] = []
        for k, i in enumerate(of_it):
            if level[k] < WEAK_SHARE * usual or peak[k] <= 0 or peak[k] < WEAK_SNR * noise[k]:
                snr = peak[k] / noise[k] if noise[k] > 0 else 0.0
                share = float(level[k] / usual) if usual > 0 else 0.0
                said = f"carries {share:.0%} of the usual light (signal {snr:.0f} times the noise at best)"
                weak[int(i)] = (share, said if usual > 0 else "carries no light")
            else:
                lit.append(k)
        for place, change in jumps(level[lit]).items():
            said = f"reads {change:+.1%} against the {min(place, PREDECESSORS)} reference(s) before it"
            drifted[int(of_it[lit[place]])] = (change, said)
        if any(int(i) in drifted for i in of_it):
            rows += _by_place(paired, of_it)
    lamp = "check the lamp, let it warm up, clean the base and the cup, then take a new reference"
    for rows_of, code in ((weak, "low_light"), (drifted, "lamp_drift")):
        for i, (size, what) in rows_of.items():
            rows.append(CheckRow(raw.scan_ids[i], code, size, f"the reference {what}: {lamp}"))
    # a lamp that drifts leaves the quotient as it was, so only a weak reference is said of the scans that use it
    rows += _leaning(paired, "reference", weak, "low_light", lamp)
    return rows


def _by_place(paired: Paired, references: Ints) -> list[CheckRow]:
    """Say which scans got one of several references, between which the lamp drifted, by its place in the sheet."""
    raw, rows = paired.raw, []
    for i in np.flatnonzero(np.isin(paired.reference, references)):
        apart = np.abs(raw.hours[references] - raw.hours[i])
        if raw.order[paired.reference[i]] == raw.order[i]:
            continue  # of its own file
        if np.isnan(apart).any() or np.count_nonzero(apart == apart.min()) > 1:
            said = (
                f"its reference {raw.scan_ids[paired.reference[i]]} was found by its place in the sheet: no times tell "
                "which is nearest, and the lamp drifts between them; write measured_at with the hour"
            )
            rows.append(CheckRow(raw.scan_ids[i], "lamp_drift", float("nan"), said))
    return rows


def ambient_rows(paired: Paired) -> list[CheckRow]:
    """Light from outside: in a dark scan, or in a scan at wavelengths where the lamp gives none."""
    raw, net = paired.raw, paired.net
    rows: list[CheckRow] = []
    lit_darks: dict[int, tuple[float, str]] = {}
    for instrument in dict.fromkeys(raw.instrument):
        of_it = raw.instrument == instrument
        references = np.flatnonzero(of_it & (raw.role == "reference"))
        light = net.values[references]
        peak = float(np.nanmax(light)) if np.isfinite(light).any() else 0.0
        darks = np.flatnonzero(of_it & (raw.role == "dark"))
        for i in darks:
            excess, how = _dark_excess(paired, int(i), darks)
            per_ms = excess / raw.time_ms[i]
            if peak > 0 and per_ms > AMBIENT_SHARE * peak:
                share = float(per_ms / peak)
                lit_darks[int(i)] = (share, f"reads {excess:.0f} counts {how}, {share:.1%} of the reference")
        rows += _ambient_in_scans(paired, of_it, references, peak)
    advice = "close the cover, check that the lamp is off, and take a new dark"
    rows += [
        CheckRow(raw.scan_ids[i], "ambient_light", size, f"the dark {what}: {advice}")
        for i, (size, what) in lit_darks.items()
    ]
    return rows + _leaning(paired, "dark", lit_darks, "ambient_light", advice)


def _dark_excess(paired: Paired, i: int, darks: Ints) -> tuple[float, str]:
    """By how many counts a dark reads above the other darks of its time, or above its own lowest stretch."""
    raw = paired.raw
    same = darks[(darks != i) & same_time(raw.integration_ms[darks], raw.integration_ms[i])]
    if same.size >= 2:
        apart = raw.counts[i] - median_light(raw.counts[same])
        noise = paired.dark_noise[i] * raw.time_ms[i]
        excess = float(np.nanmedian(apart))
        return (excess if excess > 5.0 * noise else 0.0), "above the other darks"
    width = max(5, raw.counts.shape[1] // 12)
    windows = np.lib.stride_tricks.sliding_window_view(raw.counts[i], min(width, raw.counts.shape[1]))
    level = np.median(windows, axis=1)
    level = level[np.isfinite(level)]
    return (float(level.max() - level.min()) if level.size else 0.0), "more at some wavelengths than at others"


def _ambient_in_scans(paired: Paired, of_it: Mask, references: Ints, peak: float) -> list[CheckRow]:
    """Scans that carry light where their reference shows that the lamp gives none."""
    raw, net = paired.raw, paired.net
    rows: list[CheckRow] = []
    if references.size == 0 or peak <= 0:
        return rows
    level = median_light(net.values[references])
    lit = level >= 0.01 * peak
    unlit = np.isfinite(net.values[references]).all(axis=0) & ~lit
    if unlit.sum() < 8 or not lit.any():
        return rows
    for i in np.flatnonzero(of_it & (paired.reference >= 0)):
        extra = net.values[i, unlit] - net.values[paired.reference[i], unlit]
        extra = extra[np.isfinite(extra)]
        if extra.size < 8:
            continue
        mean, error = float(extra.mean()), float(extra.std() / np.sqrt(extra.size))
        if mean > max(AMBIENT_SHARE_UNLIT * peak, 5.0 * error):
            sentence = (
                f"{mean / peak:.2%} of the reference's light reaches the detector outside "
                f"{span(raw.wavelength_nm, lit)}, where the lamp gives none: close the cover, keep daylight off, "
                "measure again"
            )
            rows.append(CheckRow(raw.scan_ids[i], "ambient_light", mean / peak, sentence))
    return rows
