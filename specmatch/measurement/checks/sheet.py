"""Where a scan's file states otherwise than the sheet: the sheet's value is used, and the scan carries a code."""

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import pandas as pd

from specmatch.measurement.checks.counts import CheckRow
from specmatch.measurement.folder.columns import folded
from specmatch.measurement.folder.folder import MeasuredFolder, named_in_header
from specmatch.measurement.reflectance.raw_scans import header_integration_ms
from specmatch.measurement.reflectance.reflectance import Paired

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
    for role, used in (("dark", paired.net.dark), ("reference", paired.reference)):
        for i in np.flatnonzero((used >= 0) & np.isin(raw.role, ("sample", "control"))):
            if (other := raw.scan_ids[used[i]]) in said:
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
