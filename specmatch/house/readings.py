"""From spectra to samples to the table of readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import check_scans
from specmatch.house.averaging import Averages, average, bridge_missing
from specmatch.house.fitting import FittedHouse
from specmatch.maths.typicality import Match
from specmatch.spectra import check_spectra, match_wavelengths

READING_COLUMNS = (
    "colour", "colour_low", "colour_high", "colour_unit", "interval_method", "nearest_beer", "p_value",
    "p_value_method", "plausible_beers", "nearest_batch", "distance", "n_pours", "warnings",
)  # fmt: skip


@dataclass(frozen=True)
class Samples:
    """Samples ready to be read: means over pours, and the warning codes that their scans carry."""

    averages: Averages
    warnings: dict[str, list[str]]

    @property
    def index(self) -> pd.Index:
        """Names of the samples, in the order given."""
        return pd.Index(self.averages.names, dtype=object, name="sample")


def gather_samples(fitted: FittedHouse, spectra: Any, scans: Any) -> Samples:
    """Check scans, bring them to the model's wavelengths and average them, scans to pours to samples.

    Parameters
    ----------
    fitted : FittedHouse
    spectra, scans : object
        As in `HouseModel.read`.

    Returns
    -------
    Samples

    Raises
    ------
    WavelengthMismatchError
        If the scans do not cover the model's wavelengths.

    Examples
    --------
    >>> gather_samples(house.fitted, session, None)  # doctest: +SKIP
    """
    checks = None
    if hasattr(spectra, "checks") and hasattr(spectra, "spectra"):
        spectra, scans, checks = spectra.spectra, spectra.scans if scans is None else scans, spectra.checks
    checked = check_spectra(spectra)
    table = check_scans(scans, checked.scan_ids)
    values = match_wavelengths(checked, fitted.wavelength_nm)
    values, bridged = bridge_missing(values, fitted.wavelength_nm, checked.scan_ids)
    warnings: dict[str, list[str]] = {}
    sample_of = dict(zip(checked.scan_ids, table["sample"], strict=True))
    for scan_id in checked.scan_ids[bridged]:
        warnings.setdefault(sample_of[scan_id], []).append("missing_channels")
    if checks is not None:
        for scan_id, code in zip(checks["scan_id"], checks["code"], strict=True):
            if scan_id in sample_of:
                warnings.setdefault(sample_of[scan_id], []).append(code)
    pours = average(values, table["pour"])
    sample_of_pour = table["sample"].groupby(table["pour"].to_numpy(), sort=False).first()
    return Samples(average(pours.reflectance, sample_of_pour), warnings)


def readings_table(
    fitted: FittedHouse, samples: Samples, match: Match, coverage: float, false_reject_rate: float
) -> pd.DataFrame:
    """Return a row a sample: colour with an interval, identity, warnings.

    Parameters
    ----------
    fitted : FittedHouse
    samples : Samples
    match : Match
        The samples against the beers of the set.
    coverage, false_reject_rate : float
        In (0, 1).

    Returns
    -------
    DataFrame
        Columns `READING_COLUMNS`, index `sample`.

    Examples
    --------
    >>> readings_table(fitted, samples, match, 0.90, 0.05)  # doctest: +SKIP
    """
    f, means = fitted, samples.averages
    n = len(means.names)
    nearest = match.distance.argmin(axis=1)
    rows = np.arange(n)
    plausible = match.p_value > false_reject_rate
    outside_domain = f.domain.check(means.reflectance, means.counts).outside
    if f.colour is None:
        colour = low = high = np.full(n, np.nan)
        method, normal = "none: the set holds too few lab colours", False
    else:
        got = f.colour.interval(means.reflectance, means.counts, coverage)
        colour, low, high, method, normal = got.colour, got.low, got.high, got.method, got.normal_errors_assumed
    thin = np.asarray(f.identity.too_few_batches)
    warnings = []
    for row, name in enumerate(means.names):
        codes = list(samples.warnings.get(name, ()))
        if not f.lowest_colour <= colour[row] <= f.highest_colour and f.colour is not None:
            codes.append("outside_colour_range")
        if not plausible[row].any():
            codes += ["unlike_any_beer", "interval_not_covered"]
        elif outside_domain[row]:
            # it may pass for a beer of the set, but the colour regression has not seen its kind
            codes.append("interval_not_covered")
        if plausible[row].sum() > 1:
            codes.append("ambiguous_beer")
        if thin[nearest[row]]:
            codes.append("too_few_batches")
        if normal:
            codes.append("normal_errors_assumed")
        warnings.append(tuple(dict.fromkeys(codes)))
    beers, batches = np.array(f.beers, dtype=object), np.array(f.batches, dtype=object)
    columns = {
        "colour": colour,
        "colour_low": low,
        "colour_high": high,
        "colour_unit": f.colour_unit,
        "interval_method": method,
        "nearest_beer": beers[nearest],
        "p_value": match.p_value[rows, nearest],
        "p_value_method": [match.p_method[beer] for beer in nearest],
        "plausible_beers": [tuple(beers[row]) for row in plausible],
        "nearest_batch": batches[match.nearest_batch],
        "distance": match.nearest_distance,
        "n_pours": means.counts,
        "warnings": warnings,
    }
    return pd.DataFrame(columns, index=samples.index, columns=list(READING_COLUMNS))
