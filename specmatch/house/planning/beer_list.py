"""The list of a house's beers and colours, from a table, a mapping or a sheet."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.batches import COLOUR_UNITS, in_colour_unit
from specmatch.errors import SheetError, TableError, UnitError
from specmatch.measurement.folder.sheets import number_columns, read_sheet

COLUMNS = ("beer", "colour", "colour_unit", "batches_a_week")
_LARGEST_COLOUR_EBC = 1000.0


def read_beers(path: str | Path) -> tuple[pd.DataFrame, list[str]]:
    """Read a sheet of beers and colours; what was odd about it comes second."""
    sheet = read_sheet(path, known=COLUMNS, optional=("colour_unit", "batches_a_week"))
    name = Path(path).name
    absent = [column for column in ("beer", "colour") if column not in sheet.table]
    if absent:
        raise SheetError(
            f"{name}: no column {absent[0]!r}, got {', '.join(sheet.table.columns)}; a row a beer, with beer and colour"
        )
    table = sheet.table.copy()
    numbers = number_columns(sheet, ("colour", "batches_a_week"), name=name)
    table[list(numbers.columns)] = numbers
    return table.set_index("beer"), sheet.notes


@dataclass(frozen=True)
class BeerList:
    """The beers of a house, pale to dark."""

    names: tuple[str, ...]
    colour_ebc: Floats
    batches_a_week: Floats
    unit: str
    notes: tuple[str, ...]


def beer_list(beers: pd.DataFrame | Mapping[str, float], unit: str, usual_rate: float) -> BeerList:
    """Bring a list of beers and colours to one form, and say what it cannot promise."""
    table = beers if isinstance(beers, pd.DataFrame) else pd.DataFrame({"colour": pd.Series(dict(beers), dtype=object)})
    if "beer" in table.columns:
        table = table.set_index("beer")
    if unit not in COLOUR_UNITS:
        raise UnitError(f"colour_unit is {unit!r}; expected EBC or SRM")
    if "colour" not in table.columns:
        raise TableError(f"the list of beers lacks the column 'colour', got {', '.join(map(str, table.columns))}")
    names = [str(name).strip() for name in table.index]
    if len(names) == 0 or "" in names:
        raise TableError("the list of beers is empty, or a beer in it has no name; give one row a beer")
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise TableError(f"beer {twice[0]!r} stands twice in the list; keep the row that counts")
    units = [unit] * len(names)
    if "colour_unit" in table.columns:
        said = table["colour_unit"].fillna("").astype(str).str.strip().str.upper()
        units = [one or unit for one in said]
        if set(units) - set(COLOUR_UNITS):
            raise UnitError(f"the list of beers has the colour unit {min(set(units) - set(COLOUR_UNITS))!r}; "
                            "expected EBC or SRM")  # fmt: skip
    colour = pd.to_numeric(table["colour"], errors="coerce").to_numpy(float)
    colour = np.array([in_colour_unit(np.array([c]), u, "EBC")[0] for c, u in zip(colour, units, strict=True)])
    wrong = ~((colour > 0) & (colour < _LARGEST_COLOUR_EBC))
    if wrong.any():
        row = int(wrong.argmax())
        raise TableError(f"beer {names[row]!r} has the colour {table['colour'].iloc[row]!r}; expected a number > 0")
    rate = np.full(len(names), usual_rate)
    if "batches_a_week" in table.columns:
        own = pd.to_numeric(table["batches_a_week"], errors="coerce").to_numpy(float)
        if (own <= 0).any():
            raise TableError(f"beer {names[int((own <= 0).argmax())]!r}: batches_a_week must be above 0, or blank")
        rate = np.where(np.isfinite(own), own, usual_rate)
    order = np.argsort(colour, kind="stable")
    named = tuple(names[i] for i in order)
    colour = colour[order]
    notes = [
        f"{named[i]} and {named[i + 1]} are of one colour on the list: only the shape of their spectra may tell them "
        "apart, which no list says; measure two batches of each before anything is promised of this pair"
        for i in range(len(named) - 1)
        if colour[i + 1] - colour[i] <= 1e-9 * colour[i]
    ]
    if len(named) == 1:
        notes.append("one beer: there is no mix-up within the house to catch, so only its colour is planned")
    return BeerList(named, colour, rate[order], unit, tuple(notes))
