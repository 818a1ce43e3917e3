"""Wavelength shift, seen on the flanks of the lamp's own blue peak."""

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.measurement.checks.check_table import CheckRow
from specmatch.measurement.readers.axis import fill_gaps
from specmatch.measurement.reflectance.pairing import Paired

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
    """Estimate by how much scans are shifted against the light that they are divided by.

    A shift by `d` multiplies the quotient by `1 + d * dlog(light)/dnm`, a pattern with the lamp's flanks in it, while
    the quotient of unshifted scans is smooth.
    """
    # ratio (n, p), light (p,), wavelength_nm (p,) -> (n,)
    y = _log(ratio)
    shift: Floats = y @ _estimator(light, wavelength_nm)
    return shift


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
    estimate: Floats = np.linalg.pinv(design * weight[:, None])[0] * weight
    return estimate


def shift_rows(paired: Paired) -> list[CheckRow]:
    """Find scans shifted against their reference, and references shifted against those before them."""
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
    """Shift that a slit of variance 1 nm**2 feigns in each scan.

    A slit of variance s**2 moves the middle of the light that it passes by `s**2 dlog(light)/dnm`, so the logarithm of
    a sloping beer changes by that times its own slope: more, the darker the beer.
    """
    basis = _smooth_basis(nm)
    weight = np.sqrt(light)
    smooth = (basis @ (np.linalg.pinv(basis * weight[:, None]) * weight @ _log(ratio).T)).T
    pattern = np.gradient(np.log(light), nm) * np.gradient(smooth, nm, axis=1)
    response: Floats = pattern @ _estimator(light, nm)
    return response


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
    out: Floats = np.sqrt(variance @ _estimator(light, nm) ** 2)
    return out
