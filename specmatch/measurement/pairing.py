"""Which reference each scan is held against, and the channels that the references carry."""

import numpy as np
from numpy.typing import NDArray

from specmatch.measurement.live_band import live_channels
from specmatch.measurement.reflectance import Net, RawScans, candidates, nearest


def pair_references(raw: RawScans, net: Net) -> tuple[NDArray[np.int64], dict[int, str]]:
    """Return the row of the reference of each sample and control scan (-1 for none), and why there is none."""
    reference = np.full(raw.role.size, -1)
    reasons = dict(net.reasons)
    rows_of = candidates(raw, "reference")
    good = np.asarray(np.isfinite(net.values).any(axis=1))
    for i in np.flatnonzero(np.isin(raw.role, ("sample", "control"))):
        if int(i) in reasons:
            continue
        own = rows_of.get((raw.instrument[i], raw.session[i]), np.empty(0, np.int64))
        rows = own[good[own]]
        if rows.size == 0:
            every = rows_of.get((raw.instrument[i], None), np.empty(0, np.int64))
            rows = every[good[every]]
            if rows.size == 0:
                why = f": {reasons[int(every[0])]}" if every.size and int(every[0]) in reasons else ""
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


def of_instrument(instrument: str) -> str:
    """Name an instrument in a sentence, if it has a name."""
    return f" of instrument {instrument!r}" if instrument else ""


def live_of_session(raw: RawScans, net: Net) -> NDArray[np.bool_]:
    """The channels that the references of every instrument carry."""
    p = raw.wavelength_nm.size
    usable = np.ones(p, bool)
    for instrument in dict.fromkeys(raw.instrument[raw.role == "reference"]):
        of_it = raw.instrument == instrument
        references = np.flatnonzero(of_it & (raw.role == "reference") & np.isfinite(net.values).any(axis=1))
        if references.size == 0:
            continue
        usable &= live_channels(net.values[references], _dark_noise(raw, of_it))
    return usable


def _dark_noise(raw: RawScans, of_it: NDArray[np.bool_]) -> float:
    """Standard deviation of a channel in the dark, per ms: from repeated darks, else between neighbouring channels."""
    darks = np.flatnonzero(of_it & (raw.role == "dark"))
    if darks.size == 0:
        return 0.0
    time = np.where(np.isnan(raw.integration_ms[darks]), 1.0, raw.integration_ms[darks])
    counts = raw.counts[darks] / time[:, None]
    if darks.size >= 2:
        apart = np.diff(counts, axis=0)
        apart = apart - np.nanmedian(apart, axis=1, keepdims=True)
        return float(1.4826 * np.nanmedian(np.abs(apart)) / np.sqrt(2.0))
    bend = counts[:, 1:-1] - 0.5 * (counts[:, :-2] + counts[:, 2:])
    return float(1.4826 * np.nanmedian(np.abs(bend)) / np.sqrt(1.5)) if bend.size else 0.0
