"""From scans to samples: checked, on the model's wavelengths, averaged over the pours that agree."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import check_scans
from specmatch.house.fitting.averaging import Averages, average, bridge_missing
from specmatch.house.fitting.conditions import departures_from, not_used
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.depth import Brought, SampleDepths, bring_scans, depths_of_samples, depths_unstated
from specmatch.maths.classification.class_model import Doubts, Match
from specmatch.maths.faults.replicates import OddPours, find_outlying_replicates
from specmatch.maths.statistics.levels import mean_by
from specmatch.spectra import PLAUSIBLE_NM, check_spectra, match_wavelengths


@dataclass(frozen=True)
class SampleSet:
    """Samples ready to be read."""

    averages: Averages  # of the pours of each sample that agree
    warnings: dict[str, list[str]]  # sample -> codes that its scans carry
    pours: Averages  # of the scans of each pour
    sample_of_pour: Ints  # (n_pours,): row of `averages` that each pour belongs to, whether it was averaged or not
    odd: OddPours | None  # none where every sample has one pour
    conditions: dict[str, list[str]]  # sample -> sentences about conditions that the set does not hold
    measured_on: list[str]  # ISO date of each sample's first scan, "" where it is not known
    missing: Mask | None  # (n_samples, p): channels that no neighbour can stand for; None when there are none
    told: dict[str, list[str]] = field(default_factory=dict)  # sample -> sentences of what its conditions cost
    depths: SampleDepths | None = None  # what bringing them to the model's depth did; None where it knows no depth
    instruments: tuple[str, ...] = ()  # name of the module of each sample, as stated; empty where none is stated

    @property
    def partial(self) -> Mask:
        """Which samples lack a stretch of the spectrum, shape (n_samples,)."""
        none = np.zeros(len(self.averages.names), bool)
        return none if self.missing is None else np.asarray(self.missing.any(axis=1))

    @property
    def index(self) -> pd.Index:
        """Names of the samples, in the order given."""
        names = self.averages.names
        return (names if names.dtype == object else names.astype(object)).rename("sample")


def scans_alone(fitted: FittedHouse, spectra: pd.DataFrame, scans: pd.DataFrame) -> Floats:
    """Return each scan by itself as the model takes samples: on its wavelengths, without gaps, at its depth."""
    # -> (n, p)
    checked = check_spectra(spectra, any_wavelength=bool(fitted.wavelength_nm[-1] > PLAUSIBLE_NM[1]))
    values = bridge_missing(match_wavelengths(checked, fitted.wavelength_nm), fitted.wavelength_nm).reflectance
    brought = bring_scans(fitted, values, scans.loc[spectra.index])
    return values if brought is None else brought.reflectance


def prepare_samples(
    fitted: FittedHouse, spectra: Any, scans: Any, checks: pd.DataFrame | None = None, *, every_pour: bool = False
) -> SampleSet:
    """Check scans, bring them to the model's wavelengths and depth, and average them, scans to pours to samples.

    A pour that departs from at least two others which agree is not averaged in.
    """
    # checks: of the session of the scans
    far = bool(fitted.wavelength_nm[-1] > PLAUSIBLE_NM[1])
    checked = check_spectra(spectra, any_wavelength=far, copied=False)
    values = match_wavelengths(checked, fitted.wavelength_nm)
    filled = bridge_missing(values, fitted.wavelength_nm)
    values, bridged = filled.reflectance, filled.lacking
    if scans is None and checks is None:
        # each row is a sample of its own: no table to check, nothing to average
        own = Averages(checked.scan_ids, values, np.arange(len(values)), np.ones(len(values), np.int64))
        lacking = {name: ["missing_channels"] for name in checked.scan_ids[bridged]}
        depths = depths_unstated(fitted, len(values))
        return SampleSet(own, lacking, own, own.codes, None, {}, [""] * len(values), filled.wide, depths=depths)
    table = check_scans(scans, checked.scan_ids)
    brought = bring_scans(fitted, values, table)
    values = values if brought is None else brought.reflectance
    warnings: dict[str, list[str]] = {}
    disagreeing: set[str] = set()
    if bridged.any() or checks is not None:
        sample_of = dict(zip(checked.scan_ids, table["sample"], strict=True))
        for scan_id in checked.scan_ids[bridged]:
            warnings.setdefault(sample_of[scan_id], []).append("missing_channels")
        if checks is not None:
            for scan_id, code in zip(checks["scan_id"], checks["code"], strict=True):
                if scan_id in sample_of:
                    warnings.setdefault(sample_of[scan_id], []).append(code)
                    if code == "replicates_disagree":
                        disagreeing.add(scan_id)
    pours = average(values, table["pour"])
    one_each = len(pours.names) == len(table)
    of_pour = table["sample"] if one_each else table["sample"].groupby(pours.codes, sort=True).first()
    whole = average(pours.reflectance, of_pour)
    # a filling whose depth is made good, or said not to be known, is no other condition
    compared = table if brought is None else table.drop(columns=["fill_ml", "cup_mm"], errors="ignore")
    conditions = {} if scans is None else departures_from(fitted.conditions, compared)
    told = {} if scans is None else _cost_of_temperature(fitted, table)
    for name, sentences in not_used(fitted.conditions, compared).items() if scans is not None else ():
        told[name] = [*told.get(name, ()), *sentences]
    days = _measured_on(table)
    missing = None if filled.wide is None else mean_by(filled.wide, whole.codes[pours.codes])[0] > 0.0
    of_scan = whole.codes[pours.codes]
    if every_pour or len(whole.names) == len(pours.names):
        together = SampleSet(whole, warnings, pours, whole.codes, None, conditions, days, missing, told)
        return _with_depths(fitted, together, brought, of_scan)
    suspected = None
    if disagreeing:
        # a pour is suspected when all of its scans are
        named = np.isin(table.index.to_numpy(dtype=object), list(disagreeing))
        suspected = np.flatnonzero(np.bincount(pours.codes, named) == pours.counts)
    odd = find_outlying_replicates(fitted.faults, pours.reflectance, whole.codes, suspected)
    means = whole
    if odd.odd.any():
        codes = whole.codes[~odd.odd]
        kept, counts = mean_by(pours.reflectance[~odd.odd], codes)
        means = Averages(whole.names, kept, codes, counts)
    parted = SampleSet(means, warnings, pours, whole.codes, odd, conditions, days, missing, told)
    return _with_depths(fitted, parted, brought, of_scan)


def _with_depths(fitted: FittedHouse, samples: SampleSet, brought: Brought | None, of_scan: Ints) -> SampleSet:
    if brought is None:
        return samples
    return replace(samples, depths=depths_of_samples(fitted, brought, samples.averages.names, of_scan))


def _cost_of_temperature(fitted: FittedHouse, table: pd.DataFrame) -> dict[str, list[str]]:
    """Say what the temperatures of samples cost, where the set holds several and tells it."""
    if fitted.temperature is None or "temperature_c" not in table:
        return {}
    means = pd.to_numeric(table["temperature_c"], errors="coerce").groupby(table["sample"]).mean().dropna()
    said = {str(name): fitted.temperature.sentence(float(value)) for name, value in means.items()}
    return {name: [sentence] for name, sentence in said.items() if sentence}


def match_samples(fitted: FittedHouse, samples: SampleSet) -> Match:
    """Hold samples against the beers that were offered on their day."""
    means = samples.averages
    doubts = None
    if samples.depths is not None and samples.depths.rows.size:
        doubts = Doubts(samples.depths.rows, samples.depths.directions, samples.depths.gain)
    match = fitted.identity.match(means.reflectance, means.counts, missing=samples.missing, doubts=doubts)
    offered = fitted.offered.on(samples.measured_on)
    if offered.all():
        return match
    p_value, distance = np.where(offered, match.p_value, np.nan), np.where(offered, match.distance, np.inf)
    return replace(match, p_value=p_value, distance=distance)


def _measured_on(table: pd.DataFrame) -> list[str]:
    samples = table["sample"].drop_duplicates()
    if "measured_at" not in table:
        return [""] * len(samples)
    first = dict(zip(samples, table.loc[samples.index, "measured_at"], strict=True))
    return ["" if pd.isna(at) else str(at)[:10] for at in first.values()]
