"""What a control is known to be: the statement of its material in `materials.csv`."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import COLOUR_UNITS, in_colour_unit
from specmatch.errors import SheetError
from specmatch.measurement.folder.sheets import find_sheet, number_columns, read_sheet

_COLUMNS = ("material", "material_lot", "colour", "colour_unit", "colour_sd")


@dataclass(frozen=True)
class Statement:
    """What the maker or the lab says of one lot of a material."""

    colour: float
    sd: float  # 0.0 where none is stated
    unit: str


Statements = Mapping[tuple[str, str], Statement]


def statements_of(session: Any, folder: Path, *, unit: str) -> dict[tuple[str, str], Statement]:
    """Return what is stated of each material and lot of a folder, in a unit of colour."""
    table = getattr(session, "materials", None)
    if table is None:
        table = _read(folder)
    found = {}
    for row in table.to_dict("records"):
        if pd.isna(row["colour"]):
            continue
        own = str(row.get("colour_unit") or unit).upper()
        if own not in COLOUR_UNITS:
            raise SheetError(f"materials.csv: colour_unit is {own!r}; write EBC or SRM")
        sd = row.get("colour_sd")
        values = [float(row["colour"]), 0.0 if sd is None or pd.isna(sd) else float(sd)]
        colour, spread = in_colour_unit(np.array(values), own, unit) if own != unit else values
        found[str(row["material"]), str(row.get("material_lot") or "")] = Statement(float(colour), float(spread), unit)
    return found


def _read(folder: Path) -> pd.DataFrame:
    path = find_sheet(folder, "materials") if folder.is_dir() else None
    if path is None:
        return pd.DataFrame(columns=list(_COLUMNS))
    sheet = read_sheet(path, known=_COLUMNS)
    if "material" not in sheet.table or "colour" not in sheet.table:
        raise SheetError(f"{path.name}: the columns material and colour are needed, got {', '.join(sheet.table)}")
    numbers = number_columns(sheet, ("colour", "colour_sd"), name=path.name)
    return sheet.table.drop(columns=list(numbers.columns)).join(numbers)
