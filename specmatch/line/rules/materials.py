"""What a control is known to be: the statement of its material in `materials.csv`."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.batches import COLOUR_UNITS, in_colour_unit
from specmatch.errors import SheetError


@dataclass(frozen=True)
class Statement:
    """What the maker or the lab says of one lot of a material."""

    colour: float
    sd: float  # 0.0 where none is stated
    unit: str


Statements = Mapping[tuple[str, str], Statement]


def statements_of(materials: pd.DataFrame, *, unit: str) -> dict[tuple[str, str], Statement]:
    """Return what is stated of each material and lot of a session, in a unit of colour."""
    found = {}
    for row in materials.to_dict("records"):
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
