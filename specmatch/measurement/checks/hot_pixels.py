"""Pixels that read far off their neighbours in the dark, or do not answer to light."""

import numpy as np

from specmatch.array_types import Floats, Mask
from specmatch.maths.spectra.spikes import spike_residuals
from specmatch.measurement.checks.check_table import CheckRow
from specmatch.measurement.checks.saturation import CONVERTER_LIMITS, saturated_channels
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
