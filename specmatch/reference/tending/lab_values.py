"""Lab values of a batch: which are in already, which are another determination, and their mean, told."""

from typing import Any

import numpy as np
import pandas as pd

from specmatch.reference.tables.alignment import average_lab_values

_KNOWN = ("colour", "colour_sd", "colour_n", "lab", "colour_method")
# Two values of one batch that lie farther apart than this are no repeat of each other: somebody must say which is
# right. Between two labs a tenth is much. Common practice, no source.
FARTHEST_REPEAT = 0.10


class LabValues:
    """Lab values of the batches of a set; `several` holds those that a mean was taken of."""

    def __init__(self, unit: str, several: dict[str, list[list[Any]]]) -> None:
        self.unit = unit
        self.several = {name: [list(value) for value in values] for name, values in several.items()}

    def holds(self, own: pd.Series, row: pd.Series) -> bool:
        """Say whether a lab value is in the set already, alone or in a mean."""
        values = self.several.get(str(own.name), [_value(own)])
        return any(_same(known, _value(row)) for known in values)

    def is_repeat(self, ours: float, row: pd.Series) -> bool:
        """Say whether a value can be another determination of the same batch."""
        new = float(row["colour"])
        if min(new, ours) <= 0.0:  # no ratio tells: as far apart as the larger of them allows
            return abs(new - ours) <= FARTHEST_REPEAT * max(abs(new), abs(ours))
        return abs(float(np.log(new / ours))) <= FARTHEST_REPEAT

    def first(self, table: pd.DataFrame, row: pd.Series) -> pd.DataFrame:
        """Enter a value as the only one of its batch."""
        self.several.pop(str(row.name), None)
        return _entered(table, str(row.name), {name: row.get(name) for name in _KNOWN})

    def averaged(self, table: pd.DataFrame, row: pd.Series) -> pd.DataFrame:
        """Enter a value beside those that the batch has."""
        name = str(row.name)
        values = [*self.several.get(name, [_value(table.loc[name])]), _value(row)]
        self.several[name] = values
        return _entered(table, name, self._mean(name, values))

    def entered(self, rows: pd.DataFrame, told: list[str]) -> pd.DataFrame:
        """Return one row a batch for batches that are new, each mean told."""
        told += self.repeats(rows)
        return average_lab_values(rows, colour_unit=self.unit)

    def repeats(self, rows: pd.DataFrame) -> list[str]:
        """Note the values of batches that stand in several rows, and say what they come to."""
        told = []
        for name in dict.fromkeys(rows.index[rows.index.duplicated()]):
            values: list[list[Any]] = []
            for _, row in rows.loc[[name]].iterrows():
                if not (pd.isna(row["colour"]) or any(_same(known, _value(row)) for known in values)):
                    values.append(_value(row))
            if len(values) > 1:
                self.several[str(name)] = values
                listed = ", ".join(f"{value[0]:.4g}" for value in values)
                mean = self._mean(str(name), values)["colour"]
                told.append(f"batch {str(name)!r}: lab colours {listed} {self.unit} averaged to {mean:.4g}")
        return told

    def _mean(self, name: str, values: list[list[Any]]) -> dict[str, Any]:
        rows = pd.DataFrame([dict(zip(_KNOWN, value, strict=True)) for value in values])
        for column in ("colour_sd", "colour_n"):
            rows[column] = pd.to_numeric(rows[column], errors="coerce")
        rows = rows.assign(beer="?", lab=rows["lab"].fillna(""), colour_method=rows["colour_method"].fillna(""))
        merged = average_lab_values(rows.set_axis([name] * len(rows), axis=0), colour_unit=self.unit)
        return {column: merged.at[name, column] for column in _KNOWN if column in merged.columns}


def _entered(table: pd.DataFrame, name: str, known: dict[str, Any]) -> pd.DataFrame:
    for column in _KNOWN:
        value, is_text = known.get(column), column in ("lab", "colour_method")
        blank = value is None or value == "" or value != value
        if column not in table.columns:
            if blank:
                continue
            table[column] = "" if is_text else np.nan
        table.loc[name, column] = ("" if is_text else np.nan) if blank else value
    return table


def _value(row: pd.Series) -> list[Any]:
    """Return colour, its standard deviation and count, lab and method; None where nothing is said."""
    cells = [row.get(name) for name in _KNOWN]
    return [None if cell is None or cell == "" or cell != cell else cell for cell in cells]


def _same(one: list[Any], two: list[Any]) -> bool:
    if one[0] is None or two[0] is None or not np.isclose(one[0], two[0], rtol=1e-9):
        return False
    return all(a is None or b is None or a == b for a, b in zip(one[3:], two[3:], strict=True))
