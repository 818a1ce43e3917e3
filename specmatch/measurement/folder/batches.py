"""Lab rows of a folder's batches: read from `batches.csv`, and kept where there are scans of them."""

from pathlib import Path

import pandas as pd

from specmatch.errors import DoubtfulDate, ParentsError, SheetError
from specmatch.measurement.folder.columns import BATCH_COLUMNS
from specmatch.measurement.folder.dates import read_dates
from specmatch.measurement.folder.sheets import find_sheet, number_columns, read_sheet, refuse_units_in_part

_BATCH_NUMBERS = ("colour", "colour_sd", "colour_n")


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
    sheet = read_sheet(path, known=BATCH_COLUMNS)
    notes += [(path.name, note) for note in sheet.notes]
    table = sheet.table
    if "batch" not in table:
        raise SheetError(
            f"{path.name}: no column 'batch', got {', '.join(table.columns)}; name the batch of each lab value"
        )
    numbers = number_columns(sheet, _BATCH_NUMBERS, name=path.name)
    refuse_units_in_part(sheet, name=path.name)
    if "packaged_on" in table:
        dates = read_dates(table["packaged_on"], sheet.lines, "packaged_on", name=path.name, date_order=date_order)
        notes += [(path.name, note) for note in dates.notes]
        table = table.assign(packaged_on=dates.text)
        doubtful += dates.doubtful
    keep = []
    for batch, own in table.groupby("batch", sort=False):
        places = table.index.get_indexer(own.index)
        lines = ", ".join(str(sheet.lines[i]) for i in places)
        stated = list(own["beer"].unique()) if "beer" in own else []
        if not batch:
            left_out.append((path.name, f"line {lines}: no batch named; fill the column batch"))
        elif len(stated) > 1:
            raise ParentsError(
                f"{path.name}, lines {lines}: batch {batch!r} stands under two beers, {stated[0]!r} and {stated[1]!r}; "
                "keep one of them"
            )
        elif len(own.drop_duplicates()) > 1:
            said = f"lines {lines}: batch {batch!r} is listed more than once with different values; keep one row"
            left_out.append((path.name, said))
        else:
            keep.append(places[0])
            if len(own) > 1:
                said = f"lines {lines}: batch {batch!r} is repeated with the same values; one row kept"
                notes.append((path.name, said))
    return table.assign(**numbers).iloc[sorted(keep)].set_index("batch")


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
        hint = f"; {near!r} differs from it only in marks or case" if near and near not in known else ""
        left_out.append(("batches.csv", f"batch {name!r} has no scan in this folder{hint}"))
    for name in (name for name in measured if name not in known):
        notes.append((name, f"batch {name!r} has no usable row in batches.csv: neither beer nor lab colour is known"))
    return batches[batches.index.isin(measured)]


def _bare(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter.isalnum())
