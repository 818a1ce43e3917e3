"""All checks of scans paired with their references: what is in the cup, and a shift of the axis."""

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.spectra.channels import SPIKE_SIGMAS, row_quantiles, spike_residuals
from specmatch.measurement.checks.counts import CheckRow, ambient_rows, reference_rows, saturated_rows, span, stale_rows
from specmatch.measurement.readers.axis import fill_gaps
from specmatch.measurement.reflectance.reflectance import Paired

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


def _beer_rows(paired: Paired) -> list[CheckRow]:
    rows = _flat_rows(paired)
    # without light, or with a wrong dark, nothing further can be said of a scan
    spoilt = {row.scan_id for row in rows}
    rows += [row for row in _out_of_range_rows(paired) if row.scan_id not in spoilt]
    spoilt |= {row.scan_id for row in rows}
    rows += [row for row in _spike_rows(paired) if row.scan_id not in spoilt]
    return [*rows, *_empty_cup_rows(paired), *_repeated_rows(paired)]


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
    raw, net, live = paired.raw, paired.net, paired.live()
    of, _ = paired.leaning("reference")
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
    of, reference = paired.leaning("reference")
    if of.size == 0 or live.sum() < 9:
        return []
    values = paired.values[of][:, live]
    light = paired.net.values[reference][:, live]
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


# Wavelength shift, seen on the flanks of the lamp's own blue peak.

# half a nanometre moves the steep flanks by as much as a pour error does
SHIFT_NM = 0.5
# beer and lamp ageing are smooth over the band: a polynomial of this degree follows them but no flank
_DEGREE = 6
# variance of a slit of 12-15 nm full width, in nm**2, and how far it may be off where it cannot be estimated
_SLIT_NM2, _SLIT_DOUBT = 33.0, 0.4
_ENOUGH_SCANS = 12
# the slit's part is known to a tenth even where it is estimated: the formula is of first order
_ORDER_DOUBT = 0.1
_SIGMAS = 5.0
_FEWEST = 25


def wavelength_shift(ratio: Floats, light: Floats, wavelength_nm: Floats) -> Floats:
    """Estimate by how much scans are shifted against the light that they are divided by."""
    # A shift by `d` multiplies the quotient by `1 + d * dlog(light)/dnm`, a pattern with the lamp's flanks in it, while
    # the quotient of unshifted scans is smooth.
    # ratio (n, p), light (p,), wavelength_nm (p,) -> (n,)
    return np.asarray(_log(ratio) @ _estimator(light, wavelength_nm))


def _log(ratio: Floats) -> Floats:
    y = np.log(np.fmax(ratio, 1e-3))
    return np.where(np.isfinite(y), y, 0.0)


def _smooth_basis(nm: Floats) -> Floats:
    return np.polynomial.legendre.legvander(2.0 * (nm - nm[0]) / (nm[-1] - nm[0]) - 1.0, _DEGREE)


def _estimator(light: Floats, nm: Floats) -> Floats:
    """Weights that give the shift from the logarithm of a quotient: least squares beside a smooth curve."""
    slope = -np.gradient(np.log(light), nm)
    weight = np.sqrt(light / light.max())
    design = np.column_stack([slope, _smooth_basis(nm)])
    return np.asarray(np.linalg.pinv(design * weight[:, None])[0] * weight)


def _shift_rows(paired: Paired) -> list[CheckRow]:
    raw, net = paired.raw, paired.net
    rows: list[CheckRow] = []
    if not paired.banded or paired.usable.sum() < _FEWEST:
        return rows
    advice = "have the wavelengths of the instrument checked, take a new reference and measure again"
    parts = []
    for j in paired.rows("reference"):
        used = paired.usable & (np.nan_to_num(net.values[j]) > 0)
        if used.sum() < _FEWEST:
            continue
        light, nm = net.values[j, used], raw.wavelength_nm[used]
        leaning = np.flatnonzero(paired.reference == j)
        if leaning.size:
            ratio = fill_gaps(paired.values[leaning][:, used])
            shifts, noise = wavelength_shift(ratio, light, nm), _noise(paired, leaning, ratio, light, nm)
            parts.append((leaning, shifts, _slit_response(ratio, light, nm), noise))
    if parts:
        scans, apparent, response, noise = map(np.concatenate, zip(*parts, strict=True))
        shift, doubt = _without_slit(apparent, response)
        for k in np.flatnonzero(np.abs(shift) > SHIFT_NM + doubt + _SIGMAS * noise):
            what = f"shifted by {shift[k]:+.1f} nm against its reference {raw.scan_ids[paired.reference[scans[k]]]}"
            rows.append(CheckRow(raw.scan_ids[scans[k]], "wavelength_shift", float(shift[k]), f"{what}: {advice}"))
    for instrument in dict.fromkeys(raw.instrument):
        of_it = paired.rows("reference")
        of_it = of_it[raw.instrument[of_it] == instrument]
        of_it = of_it[np.isfinite(net.values[of_it]).any(axis=1)]
        if of_it.size < 2:
            continue
        middle = np.median(np.nan_to_num(net.values[of_it]), axis=0)
        used = paired.usable & (middle > 0)
        if used.sum() < _FEWEST:
            continue
        ratio = fill_gaps(net.values[of_it][:, used] / middle[used])
        for i, shift in zip(of_it, wavelength_shift(ratio, middle[used], raw.wavelength_nm[used]), strict=True):
            if abs(shift) > SHIFT_NM:
                what = f"the reference is shifted by {shift:+.1f} nm against the others of its instrument"
                rows.append(CheckRow(raw.scan_ids[i], "wavelength_shift", float(shift), f"{what}: {advice}"))
    return rows


def _slit_response(ratio: Floats, light: Floats, nm: Floats) -> Floats:
    """Shift that a slit of variance 1 nm**2 feigns in each scan."""
    # A slit of variance s**2 moves the middle of the light that it passes by `s**2 dlog(light)/dnm`, so the logarithm
    # of a sloping beer changes by that times its own slope: more, the darker the beer.
    basis = _smooth_basis(nm)
    weight = np.sqrt(light)
    smooth = (basis @ (np.linalg.pinv(basis * weight[:, None]) * weight @ _log(ratio).T)).T
    pattern = np.gradient(np.log(light), nm) * np.gradient(smooth, nm, axis=1)
    return np.asarray(pattern @ _estimator(light, nm))


def _without_slit(apparent: Floats, response: Floats) -> tuple[Floats, Floats]:
    """Take out of apparent shifts what the slit feigns, and say how far that may be off."""
    if apparent.size < _ENOUGH_SCANS or np.ptp(response) < 0.01:
        return apparent - _SLIT_NM2 * response, _SLIT_DOUBT * _SLIT_NM2 * np.abs(response)
    slit = _SLIT_NM2
    for _ in range(10):
        rest = apparent - slit * response
        weight = 1.0 / (1.0 + (rest / 0.2) ** 2)  # scans that are really shifted do not count
        slit = float(np.clip((weight * apparent) @ response / ((weight * response) @ response), 0.0, 100.0))
    return apparent - slit * response, _ORDER_DOUBT * slit * np.abs(response)


def _noise(paired: Paired, scans: Ints, ratio: Floats, light: Floats, nm: Floats) -> Floats:
    """Standard deviation of each scan's shift from the noise of its counts and of its reference's."""
    r = np.fmax(ratio, 1e-3)
    dark, shot = paired.dark_noise[scans, None], paired.shot[scans, None]
    variance = (dark**2 * (1.0 + r**2) + shot * light * r * (1.0 + r)) / (light * r) ** 2
    return np.asarray(np.sqrt(variance @ _estimator(light, nm) ** 2))


# All checks of a session's scans: each a code of the registry with a size and a sentence to act on.

_SPOILT = ("saturated", "flat", "reflectance_out_of_range", "spike")


def check_paired_scans(
    paired: Paired, *, full_scale: float | None, dark_age_h: float, reference_age_h: float
) -> list[CheckRow]:
    """Check counts, darks, references and reflectance."""
    rows = [
        *saturated_rows(paired, full_scale=full_scale),
        *reference_rows(paired),
        *stale_rows(paired, dark_age_h=dark_age_h, reference_age_h=reference_age_h),
        *ambient_rows(paired),
        *_beer_rows(paired),
    ]
    # steps and cut-offs in a spoilt scan look like flanks of the lamp; its shift tells nothing
    spoilt = {row.scan_id for row in rows if row.code in _SPOILT}
    return [*rows, *(row for row in _shift_rows(paired) if row.scan_id not in spoilt)]
