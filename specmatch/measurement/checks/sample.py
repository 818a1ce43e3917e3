"""Checks of what is in the cup: nothing, the last one again, a spike, no shape, values that no beer has."""

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.spectra.channels import SPIKE_SIGMAS, row_quantiles, spike_residuals
from specmatch.measurement.checks.check_table import CheckRow
from specmatch.measurement.checks.light import span
from specmatch.measurement.reflectance.pairing import Paired

# noise and a drop of glare may carry a reading this far out; beyond it the reference or the dark is wrong
LOWEST_REFLECTANCE, HIGHEST_REFLECTANCE = -0.02, 1.05
SHARE_OUTSIDE = 0.05
# drift and noise leave no scan this far below its dark: a share of the dark, and times the noise
DARK_SHARE, FAR_SNR = 0.2, 10.0
# beer of 3 EBC already rises by 0.2 over the band in a 16 mm path; water and an empty cup stay within this
EMPTY_SPREAD, EMPTY_LEVEL = 0.04, (0.85, 1.15)
# below this many times the noise there is no light to speak of
FLAT_SNR = 5.0
# two scans of one cup differ by noise and a gain of the lamp, two beers by many times the noise
SAME_CUP, LAMP_GAIN = 1.4, 0.03
# a spike must also be this large, in reflectance, to be worth a new scan
SPIKE_SHARE = 0.02


def beer_rows(paired: Paired) -> list[CheckRow]:
    """Check samples and controls: no light, impossible reflectance, spikes, an empty cup, a scan that repeats
    another.
    """
    rows = _flat_rows(paired)
    # without light, or with a wrong dark, nothing further can be said of a scan
    spoilt = {row.scan_id for row in rows}
    rows += [row for row in _out_of_range_rows(paired) if row.scan_id not in spoilt]
    spoilt |= {row.scan_id for row in rows}
    rows += [row for row in _spike_rows(paired) if row.scan_id not in spoilt]
    rows += _empty_cup_rows(paired)
    rows += _repeated_rows(paired)
    return rows


def _out_of_range_rows(paired: Paired) -> list[CheckRow]:
    """Reflectance below 0 or above 1 by more than the tolerance, and scans that are mostly below their dark."""
    raw, live = paired.raw, paired.live()
    nm = raw.wavelength_nm[live]
    of = paired.rows("sample", "control")
    values = paired.values[of][:, live]
    rows = reflectance_range_rows(raw.scan_ids[of], values, nm)
    outside = np.isin(raw.scan_ids[of], [row.scan_id for row in rows])
    below = values < 0
    middle = row_quantiles(paired.net.values[of][:, live], (0.5,))[0]
    sunk, own = _below_dark(paired), paired.reference[of]
    twice = (below.mean(axis=1) > 0.5) & (middle < -3.0 * paired.dark_noise[of]) | sunk[of] | (sunk[own] & (own >= 0))
    for k in np.flatnonzero(~outside & twice):
        n_below = int((paired.net.values[of[k]] < 0).sum())
        sentence = (
            f"the scan or its reference lies below the dark at {n_below} of {raw.wavelength_nm.size} channels: a wrong "
            "dark, or the recorder has subtracted it already; say dark_corrected in the file, or take a new dark"
        )
        size = float(-np.nanmin(paired.values[of[k]], initial=0.0))
        rows.append(CheckRow(raw.scan_ids[of[k]], "reflectance_out_of_range", size, sentence))
    return rows


def _below_dark(paired: Paired) -> Mask:
    """Return which scans lie far below their dark in a share of their channels, as where no light falls."""
    # -> (n,)
    raw, used = paired.raw, paired.net.dark
    with np.errstate(invalid="ignore"):
        far = -paired.net.values > np.fmax(
            DARK_SHARE * raw.counts[used] / raw.time_ms[:, None], FAR_SNR * paired.dark_noise[:, None]
        )
    return (used >= 0) & (far.mean(axis=1) > SHARE_OUTSIDE)


def reflectance_range_rows(scan_ids: NDArray[np.object_], values: Floats, nm: Floats) -> list[CheckRow]:
    """Say which scans hold values that no beer has."""
    # scan_ids (n,), values (n, p), nm (p,)
    # values: reflectance as a fraction
    low, high = values < LOWEST_REFLECTANCE, values > HIGHEST_REFLECTANCE
    rows = []
    for k in np.flatnonzero((low | high).mean(axis=1) > SHARE_OUTSIDE):
        # the tolerance decides whether to speak; what is said counts every value outside
        said = " and ".join(
            f"{words} at {int(where.sum())} channel(s), {span(nm, where)}"
            for where, words in ((values[k] < 0.0, "below 0"), (values[k] > 1.0, "above 1"))
            if where.any()
        )
        size = float(np.nanmax(np.fmax(values[k] - 1.0, -values[k])))
        cause = "a wrong or dirty reference" if high[k].sum() >= low[k].sum() else "a wrong dark"
        sentence = f"reflectance lies {said}; it is kept as it is: {cause}; take dark and reference again"
        rows.append(CheckRow(str(scan_ids[k]), "reflectance_out_of_range", size, sentence))
    return rows


def _flat_rows(paired: Paired) -> list[CheckRow]:
    """Scans without light or without any shape in their counts."""
    raw, net, live = paired.raw, paired.net, paired.live()
    of = paired.rows("sample", "control")
    of = of[paired.reference[of] >= 0]
    least, most = row_quantiles(raw.counts[of][:, live], (0.0, 1.0))
    middle, best = row_quantiles(net.values[of][:, live], (0.5, 0.95))
    rows = []
    for i in of[(least == most) & (live.sum() > 8)]:
        if _has_shape(paired, int(i)):
            sentence = "all counts are the same: the detector did not work; measure again"
            rows.append(CheckRow(raw.scan_ids[i], "flat", 0.0, sentence))
    noise = paired.dark_noise[of]
    # a scan far below its dark has a wrong dark, which is said elsewhere
    unlit = np.flatnonzero((best < FLAT_SNR * noise) & (middle > -3.0 * noise) & (most > least))
    for k in unlit:
        size = max(float(best[k] / noise[k]), 0.0)
        sentence = f"no channel carries more than {size:.1f} times the noise: was the lamp on, the cover shut?"
        rows.append(CheckRow(raw.scan_ids[of[k]], "flat", size, f"{sentence} Measure again"))
    return rows


def _has_shape(paired: Paired, i: int) -> bool:
    light = paired.net.values[paired.reference[i]]
    light = light[np.isfinite(light)]
    return bool(light.size and np.ptp(light) > 0.1 * np.abs(light).max())


def _spike_rows(paired: Paired) -> list[CheckRow]:
    """Single channels that stand off their neighbours by more than noise."""
    raw, live = paired.raw, paired.live()
    of = paired.rows("sample", "control")
    of = of[paired.reference[of] >= 0]
    if of.size == 0 or live.sum() < 9:
        return []
    values = paired.values[of][:, live]
    light = paired.net.values[paired.reference[of]][:, live]
    residual, _ = spike_residuals(values)
    var = paired.dark_noise[of, None] ** 2 * (1.0 + values**2) + paired.shot[of, None] * np.abs(light) * np.abs(
        values
    ) * (1.0 + np.abs(values))
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.abs(residual) * np.abs(light) / np.sqrt(var)
    z = np.where(np.isfinite(z), z, 0.0)
    # at the ends the comparison is with a line through two points: 6 variances of a channel, not some 1.3
    z[:, [0, 1, -2, -1]] *= 0.46
    own = np.median(z, axis=1, keepdims=True) / 0.6745
    low, high = row_quantiles(values, (0.05, 0.95))
    spread = (high - low)[:, None]
    over = (z > SPIKE_SIGMAS * np.fmax(own, 1.0)) & (np.abs(residual) > SPIKE_SHARE * spread)
    nm = raw.wavelength_nm[live]
    rows = []
    for k in np.flatnonzero(over.any(axis=1)):
        worst = int(np.argmax(np.where(over[k], np.abs(residual[k]), 0.0)))
        sentence = (
            f"a spike of {residual[k, worst]:+.3f} in reflectance stands at {nm[worst]:.1f} nm ({int(over[k].sum())} "
            "channel(s) in all): measure again"
        )
        rows.append(CheckRow(raw.scan_ids[of[k]], "spike", float(residual[k, worst]), sentence))
    return rows


def _empty_cup_rows(paired: Paired) -> list[CheckRow]:
    """Scans that look like the reference itself."""
    raw = paired.raw
    of = paired.rows("sample")
    low, middle, high = row_quantiles(paired.values[of][:, paired.live()], (0.05, 0.5, 0.95))
    empty = (high - low < EMPTY_SPREAD) & (middle > EMPTY_LEVEL[0]) & (middle < EMPTY_LEVEL[1])
    return [
        CheckRow(
            raw.scan_ids[i],
            "no_beer",
            float(level),
            f"reflectance is {level:.2f} at all wavelengths, like the reference: the cup holds water or nothing; "
            "pour beer and measure again",
        )
        for i, level in zip(of[empty], middle[empty], strict=True)
    ]


def _repeated_rows(paired: Paired) -> list[CheckRow]:
    """Scans that repeat an earlier one: the same counts, or another beer that differs from the one before by noise."""
    raw = paired.raw
    rows: list[CheckRow] = []
    seen: dict[bytes, int] = {}
    of = paired.in_time(paired.rows("sample", "control"))
    for i in of:
        earlier = seen.setdefault(raw.counts[i].tobytes(), int(i))
        if earlier != i:
            sentence = (
                f"the same counts as {raw.scan_ids[earlier]} in every channel: the file was copied; measure again"
            )
            rows.append(CheckRow(raw.scan_ids[i], "repeated_scan", 0.0, sentence))
    copied = {row.scan_id for row in rows}
    before, after = _changed_beers(paired, of)
    excess = _excess_over_noise(paired, before, after)
    for j, i, size in zip(before, after, excess, strict=True):
        if size < SAME_CUP and raw.scan_ids[i] not in copied:
            sentence = (
                f"differs from {raw.scan_ids[j]}, which is of another beer, by no more than noise ({size:.1f} times): "
                "was the cup changed? Pour and measure again"
            )
            rows.append(CheckRow(raw.scan_ids[i], "repeated_scan", float(size), sentence))
    return rows


def _changed_beers(paired: Paired, of: Ints) -> tuple[Ints, Ints]:
    """Scans that follow each other on one instrument and in one session but are claimed to be of different beers."""
    raw = paired.raw
    of = of[(raw.role[of] == "sample") & (paired.reference[of] >= 0)]
    before, after = of[:-1], of[1:]
    beer = raw.beer
    follows = (raw.instrument[before] == raw.instrument[after]) & (raw.session[before] == raw.session[after])
    # two batches of one beer may look the same through the noise; two beers of a house do not
    other = (beer[before] != beer[after]) & (beer[before] != "") & (beer[after] != "")
    return before[follows & other], after[follows & other]


def _excess_over_noise(paired: Paired, one: Ints, other: Ints) -> Floats:
    """Mean square of the logarithm of the quotient of scans, less a gain of the lamp, over that of noise."""
    live = paired.live()
    a, b = paired.net.values[one][:, live], paired.net.values[other][:, live]
    good = np.isfinite(a) & np.isfinite(b) & (a > 0) & (b > 0)
    a, b = np.where(good, a, 1.0), np.where(good, b, 1.0)
    dark, shot = paired.dark_noise[one, None] ** 2, paired.shot[one, None]
    variance = np.where(good, (dark + shot * a) / a**2 + (dark + shot * b) / b**2, np.inf)
    weight = 1.0 / np.fmax(variance, 1e-12)
    total = np.fmax(weight.sum(axis=1, keepdims=True), 1e-300)
    apart = np.log(b / a)
    gain = (weight * apart).sum(axis=1, keepdims=True) / total
    excess: Floats = (weight * (apart - gain) ** 2).sum(axis=1) / np.fmax(good.sum(axis=1) - 1, 1)
    # where noise is above a hundredth of the light, as in the darkest beers, two batches may well look the same
    quiet = row_quantiles(np.where(good, variance, np.nan), (0.5,))[0] < 1e-4
    usual = quiet & (np.abs(gain[:, 0]) < LAMP_GAIN) & (good.mean(axis=1) > 0.8) & (good.sum(axis=1) > 20)
    return np.where(usual, excess, np.inf)
