"""One sample judged for the line: on its own, and together with the pours kept of its run."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from specmatch.errors import UnknownBeerError
from specmatch.house.decision import HOLD
from specmatch.house.house_model import HouseModel
from specmatch.house.readings import READING_COLUMNS
from specmatch.house.specification import Specification
from specmatch.line.controls import CONTROL_HOURS
from specmatch.line.journal import Record
from specmatch.line.run_rule import Judged
from specmatch.measurement.session import Session
from specmatch.warning_codes import RESCAN, WARNING_CODES

# reflectance is good to four figures; seven keep a record exact and short
DIGITS = 7


@dataclass(frozen=True)
class LineSetting:
    """What a line judges by.

    Attributes
    ----------
    house : HouseModel
    model_hash : str
        SHA-256 of the model file.
    specification : Specification
    line, operator : str
        "" where not given.
    claim : str or None
        Beer or label that every sample is said to be; None leaves it to the sheet.
    control_hours : float
        How long a control vouches for the line; 0 asks for none.
    """

    house: HouseModel
    model_hash: str
    specification: Specification = Specification()
    line: str = ""
    operator: str = ""
    claim: str | None = None
    control_hours: float = CONTROL_HOURS


def part_of(session: Session, scan_ids: Sequence[str], more_checks: pd.DataFrame | None = None) -> Session:
    """Return a session of some of its scans, with their checks (and `more_checks` on top)."""
    ids = pd.Index(scan_ids, dtype=object)
    checks = session.checks if more_checks is None else pd.concat([session.checks, more_checks], ignore_index=True)
    return replace(
        session,
        spectra=session.spectra.loc[ids],
        scans=session.scans.loc[ids],
        checks=checks[checks["scan_id"].isin(set(ids))],
    )


def judge_sample(setting: LineSetting, sample: Session, claim: str | None, on: date | None) -> Judged:
    """Judge the one sample of a session on its own.

    Parameters
    ----------
    setting : LineSetting
    sample : Session
        From `part_of`.
    claim : str or None
    on : date or None

    Returns
    -------
    Judged
    """
    try:
        row = _verify(setting, sample, None, claim, on)
    except UnknownBeerError as error:
        # nobody knows what is to be judged, but the scan and its reading must not be lost
        row = setting.house.read(sample).iloc[0]
        reading = reading_record(row)
        return Judged(reading, HOLD, str(error), "correct the claim and verify again", (), False, {})
    faulty = set(sample.checks["scan_id"][[WARNING_CODES[code].effect == RESCAN for code in sample.checks["code"]]])
    bad_pours = set(sample.scans["pour"][sample.scans.index.isin(faulty)])
    good = sample.scans.index[~sample.scans["pour"].isin(bad_pours)]
    faults = tuple(code for code in row["warnings"] if WARNING_CODES[code].effect == RESCAN)
    departs = row["decision"] == HOLD
    if faults and claim is not None and len(good):
        # a fault in one pour does not excuse the others: they are judged, and kept if they depart
        departs = _verify(setting, part_of(sample, list(good)), None, claim, on)["decision"] == HOLD
    decision = None if pd.isna(row["decision"]) else str(row["decision"])
    return Judged(
        reading_record(row), decision, row["reason"], row["advice"], faults, bool(departs), _pours(sample, list(good))
    )


def judge_pooled(setting: LineSetting, pours: Sequence[Record], claim: str, on: date | None) -> Judged | None:
    """Judge all pours of a run together; None where there is none without a fault.

    Parameters
    ----------
    setting : LineSetting
    pours : sequence of dict
        As `Judged.pours`.
    claim : str
    on : date or None

    Returns
    -------
    Judged or None
    """
    kept = [part for part in pours if part.get("scans")]
    if not kept:
        return None
    grid = np.array(kept[0]["wavelength_nm"])
    rows, pour_of = {}, {}
    for turn, part in enumerate(kept):
        nm = np.array(part["wavelength_nm"])
        for scan_id, scan in part["scans"].items():
            values = np.array([np.nan if v is None else v for v in scan["reflectance"]])
            name = f"{turn}:{scan_id}"
            rows[name] = values if np.array_equal(nm, grid) else np.interp(grid, nm, values, left=np.nan, right=np.nan)
            pour_of[name] = f"{turn}:{scan['pour']}"
    spectra = pd.DataFrame.from_dict(rows, orient="index", columns=grid)
    scans = pd.DataFrame({"pour": pd.Series(pour_of), "sample": "pooled"})
    # in a retest no pour is left out for being at odds with the others: that would be taking the best of several
    row = _verify(setting, spectra, scans, claim, on, every_pour=True)
    return Judged(
        reading_record(row), str(row["decision"]), row["reason"], row["advice"], (), row["decision"] == HOLD, {}
    )


def reading_record(row: pd.Series) -> Record:
    """Return the columns of a reading as JSON holds them: no infinity, no NaN, lists for tuples."""
    return {column: _plain(row[column]) for column in READING_COLUMNS if column in row.index}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value if value is None else str(value)


def _verify(
    setting: LineSetting,
    spectra: Any,
    scans: pd.DataFrame | None,
    claim: str | None,
    on: date | None,
    *,
    every_pour: bool = False,
) -> pd.Series:
    table = setting.house.verify(
        spectra,
        claimed={} if claim is None else claim,
        scans=scans,
        specification=setting.specification,
        on=on,
        every_pour=every_pour,
    )
    return table.iloc[0]


def _pours(sample: Session, scan_ids: list[str]) -> Record:
    if not scan_ids:
        return {}
    table = sample.spectra.loc[scan_ids]
    return {
        "wavelength_nm": [float(nm) for nm in table.columns],
        "scans": {
            scan_id: {
                "pour": str(sample.scans.at[scan_id, "pour"]),
                "reflectance": [None if np.isnan(v) else round(float(v), DIGITS) for v in values],
            }
            for scan_id, values in zip(scan_ids, table.to_numpy(float), strict=True)
        },
    }
