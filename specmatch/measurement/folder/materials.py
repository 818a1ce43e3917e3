"""What a folder's controls are known to be: `materials.csv`, a row a material and lot."""

from pathlib import Path

import pandas as pd

from specmatch.errors import SheetError
from specmatch.measurement.folder.columns import MATERIAL_COLUMNS
from specmatch.measurement.folder.sheets import find_sheet, keyed_sheet


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
