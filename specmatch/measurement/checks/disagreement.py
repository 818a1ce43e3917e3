"""Scans that disagree: with the others of their pour, pours with those of their sample, and a file with its sheet."""

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.faults.diagnosis import NO_FAULT, Diagnosis, in_words
from specmatch.maths.faults.fault_model import usual_fault_model
from specmatch.maths.faults.replicates import find_outlying_replicates
from specmatch.maths.statistics.levels import mean_by, parent_codes
from specmatch.measurement.checks.counts import CheckRow, check_table
from specmatch.measurement.folder.columns import folded
from specmatch.measurement.folder.folder import MeasuredFolder, named_in_header
from specmatch.measurement.readers.axis import fill_gaps
from specmatch.measurement.reflectance.raw_scans import header_integration_ms
from specmatch.measurement.reflectance.reflectance import Paired

_DARKEST = 2e-3  # below this reflectance the logarithm tells nothing


def replicate_checks(spectra: pd.DataFrame, scans: pd.DataFrame, *, usable: Mask | None = None) -> pd.DataFrame:
    """Find the scans that disagree with the other scans of their pour, and the pours with those of their sample."""
    # an odd one is named where at least two others agree; else all of them are, because nothing tells which is right
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


# Where a scan's file states otherwise than the sheet: the sheet's value is used, and the scan carries a code.

CODE = "sheet_disagrees_with_file"
# beyond the rounding of what instruments write into their headers
TOLERANCE = 0.005
# a clock that is an hour off is a matter of summer time; half a day is another day's scan
LARGEST_GAP_H = 12.0
_NAMES = ("instrument", "sample", "batch", "pour", "session", "cup", "material")
_NUMBERS = ("fill_ml", "cup_mm")
_ADVICE = "the sheet's is used: correct the one that is wrong"


def header_rows(found: MeasuredFolder, paired: Paired) -> list[CheckRow]:
    """Compare each file's header with its row of the sheet; what a dark or reference carries, its scans carry too."""
    names = {column: set(found.rows[column]) for column in _NAMES if column in found.rows}
    headers = pd.Series([named_in_header(scan, "instrument") for scan in found.scans], found.rows.index)
    usual = headers[headers != ""].groupby(found.rows["instrument"]).agg(lambda own: own.value_counts().index[0])
    said: dict[str, tuple[float, str]] = {}
    for scan, row in zip(found.scans, found.rows.to_dict("records"), strict=True):
        own, header = row["instrument"], headers[scan.scan_id]
        if scan.meta and (differs := _disagreement(scan.meta, row, names)) is not None:
            said[scan.scan_id] = differs
        elif own and header and header.casefold() != usual[own].casefold():
            others = f"{usual[own]!r} in most files of that name"
            said[scan.scan_id] = float("nan"), f"instrument {own!r} in the sheet, {header!r} in the file, {others}"
    rows = [CheckRow(scan_id, CODE, size, f"{what}; {_ADVICE}") for scan_id, (size, what) in said.items()]
    raw = paired.raw
    for role in ("dark", "reference"):
        for i, used in zip(*paired.leaning(role), strict=True):
            if (other := raw.scan_ids[used]) in said:
                size, what = said[other]
                rows.append(CheckRow(raw.scan_ids[i], CODE, size, f"of its {role} {other}, {what}; {_ADVICE}"))
    return rows


def _disagreement(
    meta: Mapping[str, str], row: Mapping[str, object], names: Mapping[str, set[str]]
) -> tuple[float, str] | None:
    """Return by how much header and sheet differ (NaN for names), and both values; None where they agree."""
    stated = header_integration_ms(meta)
    sheet = row.get("integration_ms")
    if stated is not None and isinstance(sheet, float) and abs(stated - sheet) > TOLERANCE * sheet:
        return abs(stated / sheet - 1.0), f"integration time {sheet:g} ms in the sheet, {stated:g} ms in the file"
    for key, value in meta.items():
        column, text = folded(key), value.strip()
        own = row.get(column)
        if own is None or own == "" or pd.isna(own) or not text:
            continue
        # names are compared only where the header's is one of the sheet's own: a serial number is another word for it
        if column in names and text != own and text in names[column]:
            return float("nan"), f"{column} {own!r} in the sheet, {text!r} in the file"
        if column in _NUMBERS and isinstance(own, float):
            number = pd.to_numeric(text.replace(",", "."), errors="coerce")
            if abs(number - own) > TOLERANCE * own:
                return float(abs(number / own - 1.0)), f"{column} {own:g} in the sheet, {number:g} in the file"
        if column == "measured_at" and (hours := _hours_apart(text, row.get("time"))) > LARGEST_GAP_H:
            return hours, f"measured_at {own} in the sheet, {text} in the file, {hours:.0f} h apart"
    return None


def _hours_apart(text: str, time: object) -> float:
    """Hours between a time of a header in ISO order and the sheet's; 0 where they cannot be compared."""
    try:
        stated = datetime.fromisoformat(text)
    except ValueError:
        return 0.0
    if not isinstance(time, datetime):
        return 0.0
    if stated.tzinfo is None or time.tzinfo is None:
        stated, time = stated.replace(tzinfo=None), time.replace(tzinfo=None)
    return abs((stated - time).total_seconds()) / 3600.0
