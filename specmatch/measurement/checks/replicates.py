"""Scans of one pour and pours of one sample that disagree, and which of them is the odd one."""

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.faults.diagnosis import NO_FAULT, Diagnosis, in_words
from specmatch.maths.faults.fault_model import usual_fault_model
from specmatch.maths.faults.replicates import find_outlying_replicates
from specmatch.maths.statistics.levels import mean_by, parent_codes
from specmatch.measurement.checks.counts import CheckRow, check_table
from specmatch.measurement.readers.axis import fill_gaps

_DARKEST = 2e-3  # below this reflectance the logarithm tells nothing


def replicate_checks(spectra: pd.DataFrame, scans: pd.DataFrame, *, usable: Mask | None = None) -> pd.DataFrame:
    """Find the scans that disagree with the other scans of their pour, and the pours with those of their sample.

    An odd one is named where at least two others agree; else all of them are, because nothing tells which is right.
    """
    # spectra (n, p), usable (p,)
    # spectra: reflectance as a fraction, index `scan_id`, columns in nm
    values = spectra.to_numpy(float)
    if usable is None:
        with np.errstate(invalid="ignore"):
            usable = ((values > -0.02) & (values < 1.2)).mean(axis=0) > 0.9
    if not usable.any() or values.shape[0] < 2:
        return check_table([])
    reflectance = fill_gaps(values[:, usable])
    nm = spectra.columns.to_numpy(float)[usable]
    table = scans.loc[spectra.index]
    ids = spectra.index.to_numpy(dtype=object)
    pour, pour_names = pd.factorize(table["pour"].to_numpy(dtype=object))
    sample, sample_names = pd.factorize(table["sample"].to_numpy(dtype=object))
    rows: list[CheckRow] = []
    if len(pour_names) < len(ids):
        for odd, size, said in _odd_members(reflectance, pour, nm):
            sentence = f"scan {ids[odd]!s} of pour {pour_names[pour[odd]]!s} {said}"
            rows.append(CheckRow(ids[odd], "replicates_disagree", size, sentence))
    of_pour = parent_codes(pour, sample)
    for odd, size, said in _odd_members(mean_by(reflectance, pour)[0], of_pour, nm):
        sentence = f"pour {pour_names[odd]!s} of sample {sample_names[of_pour[odd]]!s} {said}"
        rows += [CheckRow(ids[k], "replicates_disagree", size, sentence) for k in np.flatnonzero(pour == odd)]
    return check_table(rows)


def _odd_members(reflectance: Floats, group: Ints, nm: Floats) -> list[tuple[int, float, str]]:
    """Return the members of groups that depart from their mates: row, relative change of absorbance, and words."""
    counts = np.bincount(group)
    if counts.max() < 2:
        return []
    found = find_outlying_replicates(usual_fault_model(reflectance, group, wavelength_nm=nm), reflectance, group)
    absorbance = -np.log10(np.fmax(reflectance, _DARKEST))
    odd: list[tuple[int, float, str]] = []
    for code in np.unique(group[found.pours]).tolist():
        mates = np.flatnonzero((group == code) & ~found.odd)
        middle = np.median(absorbance[mates], axis=0)
        for k in np.flatnonzero(group[found.pours] == code).tolist():
            row = int(found.pours[k])
            odd.append((row, *_told(absorbance[row], middle, mates.size, _cause(found.finding, k), "")))
    for k, worst in enumerate(found.unsettled.tolist()):
        members = np.flatnonzero(group == group[worst])
        which = "the two" if members.size == 2 else f"the {members.size}"
        tail = f"; nothing tells which of {which} is right"
        for row in members.tolist():
            cause = _cause(found.difference, k) if row == worst else ""
            middle = np.median(absorbance[members[members != row]], axis=0)
            odd.append((row, *_told(absorbance[row], middle, members.size - 1, cause, tail)))
    return odd


def _cause(found: Diagnosis, k: int) -> str:
    if found.fault[k] == NO_FAULT:
        return ", in a way that no known fault explains"
    return f", like {in_words(found, k, usual='than in the others')}"


def _told(own: Floats, middle: Floats, n_mates: int, cause: str, tail: str) -> tuple[float, str]:
    absorbing = middle >= min(0.1, float(np.median(middle)))
    relative = float(np.median((own - middle)[absorbing] / np.fmax(middle[absorbing], 0.02)))
    how = "less" if relative < 0 else "more"
    others = "the other" if n_mates == 1 else f"the {n_mates} others"
    return relative, f"absorbs {how} than {others} by {abs(relative):.1%}{cause}{tail}: pour again"
