"""Tables that a program hands over, held to what sheets are held to before anything rests on them."""

import re
from collections.abc import Callable, Collection, Sequence
from datetime import date
from functools import lru_cache, partial
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import VALUE_NAME
from specmatch.errors import SheetError, TableError
from specmatch.measurement.folder.columns import (
    BATCH_COLUMNS,
    LAB_NUMBERS,
    SCAN_COLUMNS,
    SCAN_NUMBERS,
    check_columns,
    known_name,
    reference_kinds,
    unknown_column,
)
from specmatch.measurement.folder.dates import read_dates
from specmatch.measurement.folder.sheets import Sheet, number_columns, refuse_misnamed, refuse_out_of_range

_DATES = ("measured_at", "packaged_on", "valid_from", "valid_to")
_KEYS = {"scans": "scan_id", "batches": "batch", "beers": "beer", "list of beers": "beer"}
_KNOWN = {
    "scans": ("scan_id", "replicate", *SCAN_COLUMNS), "batches": BATCH_COLUMNS,
    "beers": ("beer", "valid_from", "valid_to", "recipe"),
    "list of beers": ("beer", "colour", "colour_unit", "batches_a_week"),
}  # fmt: skip
# known columns of a sheet of scans that no answer rests on once its files are reflectance
_OPTIONAL = ("file", "role", "beer", "integration_ms", "material", "material_lot")
# a program reads a sample at a time, with the same columns each time
_unknown_column = lru_cache(maxsize=1024)(unknown_column)


_COUNT = re.compile(r"[1-9]\d?\Z")


class _Row(int):
    """A row of a table, counted from 1, that says its name too."""

    name: object = ""

    def __format__(self, form: str) -> str:
        return f"{int(self)} ({self.name!r})"


class _Rows(Sequence[int]):
    """The rows of a table as a sheet has lines."""

    def __init__(self, index: pd.Index, which: Any = None) -> None:
        self._index, self._which = index, range(len(index)) if which is None else which

    def __len__(self) -> int:
        return len(self._which)

    def __getitem__(self, at: Any) -> Any:
        row = _Row(self._which[at] + 1)
        row.name = self._index[self._which[at]]
        return row


def as_stated(table: Any, what: str, *, numbers: Collection[str] = SCAN_NUMBERS) -> Any:
    """Return a table of scans, batches or beers as a sheet gives it, or refuse it as there: names, dates, numbers."""
    # what: scans, batches or beers
    columns = table.columns if isinstance(table, pd.DataFrame) else None
    if columns is None or not all(isinstance(column, str) for column in columns):
        return table  # which its own gate refuses, with the reason
    known, name = _KNOWN[what], f"the {what}" if " " in what else f"the {what} table"
    names = [known_name(column, known) for column in columns]
    if len(set(names)) < len(names):
        twice = next(column for column in names if names.count(column) > 1)
        spelt = "" if len(set(columns)) < len(columns) else ", in two spellings"
        raise TableError(f"{name} has column {twice!r} twice{spelt}; keep one of them")
    if names != list(columns):
        table = table.set_axis(names, axis=1)
    if _KEYS[what] in names:
        table = table.set_index(_KEYS[what])
        names.remove(_KEYS[what])
    if not len(table):
        return table  # its headings are all that can be said of it
    unknown = tuple(_unknown_column(column, known) for column in names if column not in known)
    try:
        refuse_misnamed(unknown, [*names, _KEYS[what], *_OPTIONAL], name)
        cells = {column: _iso_dates(table[column], name) for column in _DATES if column in names}
        if "reference_kind" in names:
            cells["reference_kind"] = _each_once(table["reference_kind"], partial(reference_kinds, name=name))
        cells |= _numbers(table, [column for column in names if column in numbers], name)
        if what == "scans" and {"pour", "sample"} <= {*names} and _COUNT.match(str(table["pour"].iloc[0]).strip()):
            levels = _texts(table[["pour", "sample"]])
            name_counted_pours(levels, name)
            cells["pour"] = levels["pour"].to_numpy()
        told = [column for column in unknown if column.same_fact and column.nearest in names]
        both = {"cup", "cup_mm", *(part for column in told for part in (column.name, column.nearest, "colour_unit"))}
        table = table.assign(**cells) if cells else table
        facts = [column for column in names if column in both]
        if told or len(facts) > 1:  # each combination once: tables are long, cups are few
            first: dict[Any, int] = {}
            for at, cell in enumerate(zip(*(table[column].to_numpy(dtype=object) for column in facts), strict=True)):
                first.setdefault(cell, at)
            rows = list(first.values())
            check_columns(_texts(table[facts].iloc[rows]), _Rows(table.index, rows), told, name=name)
    except SheetError as error:
        raise TableError(str(error)) from None
    return table


def name_counted_pours(full: pd.DataFrame, name: str) -> list[str]:
    """Name pours that are counted from 1 anew in each sample by their sample and number, and say so."""
    named = full[(full["pour"] != "").to_numpy()]
    if (
        named.empty
        or named.groupby("pour")["sample"].nunique().max() == 1
        or not named["pour"].str.fullmatch(r"[1-9]\d?").all()
    ):
        return []
    # numbers above the most scans of a sample run on over the samples, and are no counts within them
    most = named.groupby("sample")["pour"].size().max()
    if (named["sample"] == "").any() or named["pour"].astype(int).max() > most:
        return []
    gaps = [
        f"{name}, column pour: sample {sample!r} has {', '.join(numbers)}; one number stands twice, or one is missing"
        for sample, numbers in named.groupby("sample", sort=False)["pour"]
        if numbers.duplicated().any() and numbers.nunique() < numbers.astype(int).max()
    ]
    full.loc[named.index, "pour"] = named["sample"] + "-" + named["pour"]
    first = full.loc[named.index[0], "pour"]
    said = f"{name}, column pour: counted anew in each sample; pours are named by sample and number, such as {first}"
    return [said, *gaps]


def tables_as_stated(scans: Any, batches: Any, beers: Any, value_name: str) -> tuple[Any, Any, Any]:
    """Return the tables that a set is made of as sheets give them."""
    lab = LAB_NUMBERS if value_name == VALUE_NAME else LAB_NUMBERS[-1:]
    return as_stated(scans, "scans"), as_stated(batches, "batches", numbers=lab), as_stated(beers, "beers")


def _numbers(table: pd.DataFrame, columns: Sequence[str], name: str) -> dict[str, Any]:
    """Return columns as numbers, those that are none yet."""
    worded = [column for column in columns if table[column].dtype.kind not in "fiu"]
    for column in columns:
        if column not in worded and column in SCAN_NUMBERS:  # lab values have a gate of their own
            values = table[column].to_numpy(np.float64, na_value=np.nan)
            refuse_out_of_range(values, column, _Rows(table.index), name=name)
    if not worded:
        return {}
    found = number_columns(Sheet(_texts(table[worded]), list(_Rows(table.index))), worded, name=name)
    return {column: found[column].to_numpy() for column in worded}


def _texts(table: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame({column: _cells(table[column]) for column in table.columns}, dtype=object)


def _cells(column: pd.Series) -> list[str]:
    return [
        "" if blank else cell.isoformat() if isinstance(cell, date) else str(cell).strip()
        for cell, blank in zip(column, column.isna(), strict=True)
    ]


def _iso_dates(column: pd.Series, name: str) -> Any:
    """Return dates as ISO 8601, "" where blank; of a column of times without hours the days alone."""
    if column.dtype.kind == "M":
        whole = column.dt.tz is None and (column.dt.normalize() == column)[column.notna()].all()
        column = column.dt.date if whole else column.dt.floor("us")
    return _each_once(column, lambda cells, rows: _read_dates(cells, rows, str(column.name), name))


def _read_dates(cells: Sequence[str], rows: Sequence[int], column: str, name: str) -> list[str]:
    read = read_dates(cells, rows, column, name=name)
    if read.doubtful:
        one = read.doubtful[0]
        raise TableError(
            f"{name}, line {one.line}, column {column}: {one.cell!r} may be {' or '.join(one.readings)}; write "
            "2024-03-12, or hand over dates: pandas.to_datetime with dayfirst or a format"
        )
    return read.text


def _each_once(column: pd.Series, read: Callable[[list[str], Sequence[int]], list[str]]) -> Any:
    """Return what cells are read as; each different one is read once, with the first row that holds it."""
    codes, cells = pd.factorize(np.array(_cells(column), dtype=object))
    first = np.unique(codes, return_index=True)[1]
    return np.array(read(list(cells), _Rows(column.index, first)), dtype=object)[codes]
