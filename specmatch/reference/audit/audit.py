"""Judge a reference set before anything is fitted on it: ranked findings with evidence and a suggested action."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.batches import COLOUR_UNITS, VALUE_NAME
from specmatch.maths.classification.left_out import judge_batches
from specmatch.maths.regression.colour_model import regressions_for
from specmatch.reference.audit.batches import (
    COMMON_FACTOR,
    lab_bias_findings,
    lab_findings,
    lab_residuals,
    label_findings,
    parted_lab_values,
    parted_labels,
    unit_findings,
)
from specmatch.reference.audit.beers import beer_findings
from specmatch.reference.audit.finding import Finding, findings_table
from specmatch.reference.audit.records import (
    depth_findings,
    duplicate_findings,
    filling_findings,
    odd_pour_findings,
    record_findings,
    session_findings,
)
from specmatch.reference.tables.edits import batch_times
from specmatch.reference.tables.pours import pours_of, scans_of_module, sessions_of


def audit_tables(
    spectra: pd.DataFrame,
    scans: pd.DataFrame,
    batches: pd.DataFrame,
    *,
    colour_unit: str = "EBC",
    value_name: str = VALUE_NAME,
    band_nm: tuple[float, float] | None = None,
) -> pd.DataFrame:
    """Return what is wrong, doubtful or thin in a set, every batch judged by a model of the others."""
    findings: list[Finding] = list(record_findings(scans, batches, colour_unit, value_name))
    findings += duplicate_findings(spectra, scans)
    # what a further module sees otherwise is for the transfer to learn, and no fault of the set
    every_scan, every_batch, scans = scans, batches, scans_of_module(scans)
    if len(scans) < len(every_scan):
        spectra, batches = spectra.loc[scans.index], batches.loc[batches.index.isin(scans["batch"])]
    pours = pours_of(spectra, scans, batches, band_nm, colour_unit)
    findings += depth_findings(pours)
    odd = list(odd_pour_findings(pours))
    findings += odd
    pours = pours.without({finding.subject for finding in odd if finding.level == "pour"})
    names = list(pours.batch_names)
    labs = _laboratories(batches.loc[names])
    colour = batches.loc[names, "colour"].to_numpy(dtype=np.float64)
    common_factor_told = True
    lab = lab_residuals(pours, colour, labs, regressions=regressions_for(colour_unit))
    scored = judge_batches(pours.reflectance, pours.levels)
    fillings = list(filling_findings(pours, colour if colour_unit in COLOUR_UNITS else colour * np.nan))
    parted = fillings or ([] if lab is None else list(parted_lab_values(lab, value_name)))
    findings += parted
    # where no value goes with its spectrum, or no spectrum with its depth, there is nothing to hold single ones against
    lab = None if parted else lab
    if colour_unit in COLOUR_UNITS and not parted:
        doubtful, common_factor_told = unit_findings(pours, colour, labs, scans, colour_unit)
        findings += doubtful
    if lab is not None:
        findings += lab_findings(pours, lab, scored, colour_unit, value_name)
        findings += lab_bias_findings(lab, labs, value_name)
    if scored is not None:
        parted = fillings or list(parted_labels(scored))
        findings += [] if fillings else parted
        scored = None if parted else scored
    if scored is not None:
        session, typical = sessions_of(scans, names).astype(np.str_), pours.levels.mean(pours.reflectance, to="beer")
        drifted = list(session_findings(scored, typical, session))
        off = set(np.array(names)[np.isin(session, [finding.subject for finding in drifted])])
        # a batch that fits no beer needs no finding of its own where its whole session is off
        findings += [found for found in label_findings(pours, scored) if found.suggestion or found.subject not in off]
        findings += drifted
        level = scored.up(typical, strength=True) if lab is None else lab.log_read
        times = batch_times(scans, batches.loc[names]).to_numpy(dtype=np.str_)
        findings += beer_findings(pours, scored, level, times, value_name)
    table = findings_table(findings, every_scan, every_batch)
    table.attrs["notes"] = () if common_factor_told else (COMMON_FACTOR,)
    return table


def _laboratories(batches: pd.DataFrame) -> NDArray[np.str_]:
    """Name who measured each batch and how, as far as it is known."""
    columns = [name for name in ("lab", "colour_method") if name in batches.columns]
    if not columns:
        return np.full(len(batches), "", dtype=np.str_)
    return np.array([", ".join(cell for cell in row if cell) for row in batches[columns].itertuples(index=False)])
