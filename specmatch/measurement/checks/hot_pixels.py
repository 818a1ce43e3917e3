"""Pixels that read far off their neighbours in the dark, do not answer to light, or stand at the converter's limit."""

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.maths.spectra.channels import spike_residuals
from specmatch.measurement.checks.check_table import CheckRow
from specmatch.measurement.reflectance.reflectance import RawScans, same_time
from specmatch.wording import counted

# ten robust deviations of the dark's own pixel pattern, and ten counts, so that a quiet detector has no hot pixels
HOT_SIGMAS, HOT_COUNTS = 10.0, 10.0
# a pixel that takes less than half or more than twice the light of its neighbours does not answer as they do
DEAD_RATIO = 2.0
# more than this share is no matter of single pixels
LARGEST_SHARE = 0.05
# so large a share of a scan may stand at full scale as single pixels; more is light
LONE_SHARE = 0.02


def find_hot_pixels(dark: Floats, light: Floats | None = None) -> Mask:
    """Return the pixels that stand out of the dark, or do not answer to light as their neighbours do."""
    # dark (n, p), light (m, p) -> (p,)
    p = dark.shape[1] if dark.size else (light.shape[1] if light is not None else 0)
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
    if light is not None and light.shape[0]:
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
