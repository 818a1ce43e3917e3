"""What a folder knows of its batches, kept where there are scans of them, and of what its controls are."""

import re
from datetime import date, timedelta
from pathlib import Path

import pandas as pd

from specmatch.errors import DoubtfulDate, ParentsError, SheetError
from specmatch.maths.statistics.levels import rows_of
from specmatch.measurement.folder.columns import BATCH_COLUMNS, LAB_NUMBERS, MATERIAL_COLUMNS
from specmatch.measurement.folder.sheets import Sheet, find_sheet, keyed_sheet


def no_batches() -> pd.DataFrame:
    """Return the table of a folder that states no lab values."""
    return pd.DataFrame(columns=["beer", "colour"], index=pd.Index([], name="batch", dtype=object))


def read_batches(
    folder: Path,
    left_out: list[tuple[str, str]],
    notes: list[tuple[str, str]],
    doubtful: list[DoubtfulDate],
    *,
    date_order: str | None = None,
) -> pd.DataFrame:
    """Read `batches.csv`; rows that repeat a batch with other values are all left out and listed."""
    path = find_sheet(folder, "batches")
    if path is None:
        return no_batches()
    sheet, numbers = keyed_sheet(
        path, "batch", "name the batch of each lab value", doubtful, known=BATCH_COLUMNS, numbers=LAB_NUMBERS,
        dates=("packaged_on",), date_order=date_order,
    )  # fmt: skip
    table = sheet.table.assign(**numbers)  # `6` and `6.0` are one value
    notes += [(path.name, note) for note in (*sheet.notes, *_days_ahead(sheet, path.name))]
    for line, n in zip(sheet.lines, numbers.get("colour_n", ()), strict=False):
        if n % 1 > 0:
            raise SheetError(
                f"{path.name}, line {line}, column colour_n: {n:g} is no count; write how often the lab measured it"
            )
    keep, none = [], table.iloc[:0]
    code, names = pd.factorize(table["batch"])
    for batch, places in zip(names, rows_of(code) if len(names) else (), strict=True):
        lines = ", ".join(str(sheet.lines[i]) for i in places)
        own = table.iloc[places].drop_duplicates() if len(places) > 1 else none
        said = f"lines {lines}: batch {batch!r}"
        if not batch:
            left_out.append((path.name, f"line {lines}: no batch named; fill the column batch"))
        elif len(own) > 1 and "beer" in own and len(named := own["beer"][own["beer"] != ""].unique()) > 1:
            one, other = named[:2]
            raise ParentsError(f"{path.name}, {said} stands under two beers, {one!r} and {other!r}; keep one of them")
        elif len(own) > 1:
            said += " is listed more than once with different values; keep one row; "
            left_out.append(
                (path.name, f"{said}values of a second lab are added by extend, from a folder with a batches.csv alone")
            )
        else:
            keep.append(places[0])
            if len(places) > 1:
                notes.append((path.name, f"{said} is repeated with the same values; one row kept"))
    return table.iloc[sorted(keep)].set_index("batch")


def _days_ahead(sheet: Sheet, name: str) -> list[str]:
    """Say which batches were packaged on a day that has not come."""
    days, today = sheet.table.get("packaged_on", []), (date.today() + timedelta(days=1)).isoformat()
    return [
        f"{name}, line {line}, column packaged_on: {day[:10]} has not come yet; check the year"
        for line, day in zip(sheet.lines, days, strict=False)
        if day[:10] > today
    ]


def known_batches(
    batches: pd.DataFrame, scans: pd.DataFrame, left_out: list[tuple[str, str]], notes: list[tuple[str, str]]
) -> pd.DataFrame:
    """Keep the lab rows of batches that were measured; list those that match no scan, and batches without a row."""
    if batches.empty:
        return batches
    measured = list(dict.fromkeys(scans["batch"]))
    known, there = set(batches.index), set(measured)
    bare = {_bare(name): name for name in measured}
    for name in (name for name in batches.index if name not in there):
        near = bare.get(_bare(name))
        hint = f"; {near!r} differs from it only in marks, case or zeros" if near and near not in known else ""
        left_out.append(("batches.csv", f"batch {name!r} has no scan in this folder{hint}"))
    for name in (name for name in measured if name not in known):
        notes.append((name, f"batch {name!r} has no usable row in batches.csv: neither beer nor lab colour is known"))
    return batches[batches.index.isin(measured)]


def _bare(name: str) -> str:
    """Return a name without case, marks, zeros that lead a number and what a spreadsheet adds to a number."""
    plain = re.sub(r"\A(\d+)\.0\Z", r"\1", name.strip().lower())
    return re.sub(r"(?<!\d)0+(?=\d)", "", "".join(letter for letter in plain if letter.isalnum()))


def no_materials() -> pd.DataFrame:
    """Return the table of a folder that states no materials."""
    return pd.DataFrame(columns=list(MATERIAL_COLUMNS), dtype=object).astype({"colour": float, "colour_sd": float})


def read_materials(folder: Path, notes: list[tuple[str, str]]) -> pd.DataFrame:
    """Read `materials.csv`: text, and `colour` and `colour_sd` as numbers."""
    path = find_sheet(folder, "materials")
    if path is None:
        return no_materials()
    sheet, numbers = keyed_sheet(
        path, "material", "name what each control is", [], known=MATERIAL_COLUMNS, numbers=("colour", "colour_sd")
    )
    notes += [(path.name, note) for note in sheet.notes]
    table = no_materials().reindex(sheet.table.index)
    for column in MATERIAL_COLUMNS:
        if column in sheet.table:
            table[column] = numbers[column] if column in numbers else sheet.table[column]
        elif column not in ("colour", "colour_sd"):
            table[column] = ""
    twice = table.duplicated(["material", "material_lot"])
    for at in table.index[twice | (table["material"] == "")]:
        one = table.loc[at]
        what = (
            f"material {one['material']!r}, lot {one['material_lot']!r} is stated twice" if twice[at] else "no material"
        )
        raise SheetError(f"{path.name}, line {sheet.lines[at]}: {what}; keep one row a material and lot")
    return table
