"""The gate for what is known of scans and batches, and folds that keep a batch whole."""
# a scan is of one pour, a pour of one sample, a sample of one batch, a batch of one beer; anything seen under two
# parents is refused, because every count in the library rests on that tree

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, check_whole, is_number
from specmatch.colour import ebc_from_srm, srm_from_ebc
from specmatch.errors import OptionError, ParentsError, TableError, UnitError
from specmatch.maths.regression.lab_effects import BOTH, LabValues, extra_variance
from specmatch.spectra import by_scan_id, text_ids, tidy_name
from specmatch.wording import COLOUR_UNITS as COLOUR_UNITS
from specmatch.wording import counted
from specmatch.wording import in_digits as in_digits

# what the value of a batch is called, unless the set says otherwise
VALUE_NAME = "colour"
_LEVELS = ("pour", "sample", "batch")
# kind of argument -> a part that it has, and how one is come by
_KINDS = {
    "set": ("relabel", "a ReferenceSet: ReferenceSet(spectra, scans, batches) or ReferenceSet.load(folder)"),
    "model": ("read_chunks", "a HouseModel: HouseModel().fit(refs) or HouseModel.load(path)"),
    "session": ("claims", "a Session, as measure(folder) returns it"),
    "specification": ("limits_of", "a Specification, as load_specification(model) returns it"),
}  # fmt: skip


def must_be(kind: str, *things: object) -> None:
    """Refuse arguments that are no set, model, session or specification, such as the path of one."""
    part, expected = _KINDS[kind]
    for thing in things:
        if not hasattr(thing, part):
            said = f" {thing!r}" if isinstance(thing, str) else ""
            raise TableError(f"got a {type(thing).__name__}{said}; expected {expected}")


def unit_of(cell: str) -> str:
    """Return a colour unit as its name alone: `°ebc` is EBC."""
    return cell.strip().upper().removeprefix("°").strip()


def values_of(what: str) -> str:
    """Say in words several of what the lab measures of each batch."""
    return "colours" if what == VALUE_NAME else f"values of {what}"


def check_scans(scans: pd.DataFrame | pd.Series | None, scan_ids: pd.Index) -> pd.DataFrame:
    """Bring what is known of scans to one form: a row a scan, in the order of `scan_ids`."""
    # scans: A scans table (index or column `scan_id`), a Series scan_id -> sample, or None: each scan its own sample
    index = pd.Index(scan_ids, name="scan_id")
    if scans is None:
        table = pd.DataFrame(index=index)
    else:
        if isinstance(scans, pd.Series):
            scans = scans.to_frame("sample")
        if not isinstance(scans, pd.DataFrame):
            raise TableError(f"scans are a {type(scans).__name__}; expected a DataFrame or a Series scan_id -> sample")
        scans = by_scan_id(scans)
        table = scans.set_axis(text_ids(scans.index, "scan_id"), axis=0)
        if not table.index.is_unique:
            raise TableError(
                f"scan {table.index[table.index.duplicated()][0]!r} has more than one row in the scans table"
            )
        missing = index.difference(table.index, sort=False)
        if len(missing):
            raise TableError(
                f"{len(missing)} of {len(index)} scans have no row in the scans table, the first {missing[0]!r}; "
                "identifiers are matched as text"
            )
        table = table.loc[index]
    own: list[str] = index.tolist()
    levels: dict[str, list[str]] = {}
    for level in _LEVELS:
        if level in table.columns:
            own = [given or below for given, below in zip(_texts(table[level], level), own, strict=True)]
        levels[level] = own
    _check_parents(levels["pour"], levels["sample"], "pour", "sample")
    _check_parents(levels["sample"], levels["batch"], "sample", "batch")
    others = [column for column in table.columns if column not in _LEVELS]
    return pd.concat([pd.DataFrame(levels, index=index, dtype=object), table[others]], axis=1)


def _text_column(column: pd.Series, name: str) -> pd.Series:
    return pd.Series(_texts(column, name), index=column.index, dtype=object)


def _texts(column: pd.Series, name: str) -> list[str]:
    if isinstance(column, pd.DataFrame):
        raise TableError(f"several columns are headed {name!r}; give each column one name")
    blank = column.isna()
    if not blank.all():
        text_ids(column[~blank], name)  # floats and dates are refused there, with the reason
    return [
        "" if empty else tidy_name(value) for value, empty in zip(column.to_numpy(dtype=object), blank, strict=True)
    ]


def _check_parents(children: list[str], parents: list[str], child_name: str, parent_name: str) -> None:
    parent_of: dict[str, str] = {}
    for child, parent in zip(children, parents, strict=True):
        first = parent_of.setdefault(child, parent)
        if first != parent:
            raise ParentsError(
                f"{child_name} {child!r} stands under {parent_name} {first!r} and under {parent_name} {parent!r}; "
                f"give each {child_name} a name of its own, such as '{parent}-{child}'"
            )


def by_sample(stated: Mapping[str, Any] | pd.Series) -> dict[str, str | None]:
    """Return the beer or lab of each sample that is named; a sample may be named twice, as rows of scans do."""
    table: dict[str, str | None] = {}
    for sample, beer in stated.items():
        if not pd.api.types.is_scalar(beer):
            raise TableError(f"sample {sample!r} is said to be {beer!r:.60}; expected one name, or nothing")
        name, said = tidy_name(sample), None if pd.isna(beer) or not str(beer).strip() else tidy_name(beer)
        if table.setdefault(name, said) != said:
            raise TableError(f"sample {name!r} is said to be {table[name]!r} and {said!r}; keep the one that is meant")
    return table


def check_batches(batches: pd.DataFrame, *, colour_unit: str = "EBC") -> pd.DataFrame:
    """Bring a table of batches to one form, lab colours in one unit; values of another kind stay in theirs."""
    # batches: index (or column) `batch`; `beer` and `colour` are enough
    if not isinstance(batches, pd.DataFrame):
        raise TableError(f"batches are a {type(batches).__name__}; expected a DataFrame with beer and colour")
    if batches.columns.nlevels > 1:
        raise TableError("the batches table has headings of several levels; give each column one name")
    if "batch" in batches.columns:
        batches = batches.set_index("batch")
    absent = [name for name in ("beer", "colour") if name not in batches.columns]
    if absent:
        raise TableError(f"the batches table lacks column {absent[0]!r}; beer and colour are needed")
    table = batches.set_axis(text_ids(batches.index, "batch"), axis=0)
    table["beer"] = _text_column(table["beer"], "beer")
    if (table["beer"] == "").any():
        raise TableError(f"batch {table.index[(table['beer'] == '').to_numpy().argmax()]!r} has no beer; name it")
    if not table.index.is_unique:
        name = table.index[table.index.duplicated()][0]
        beers = table.loc[[name], "beer"].unique()
        if len(beers) > 1:
            raise ParentsError(
                f"batch {name!r} stands under two beers, {beers[0]!r} and {beers[1]!r}; keep one of them"
            )
        raise TableError(f"batch {name!r} has more than one row in the batches table; average its lab values first")
    named, above, least = ("value", "", -np.inf)
    if colour_unit in COLOUR_UNITS:
        named, above, least = VALUE_NAME, " > 0", float(np.finfo(np.float64).smallest_subnormal)
    table["colour"] = _numbers(table["colour"], named, least, f"expected a number{above}")
    for column, least in (("colour_sd", 0.0), ("colour_n", 1.0)):
        if column in table.columns:
            _numbers(table[column], column, least, f"expected a number of {least:g} or more, or nothing")
    if "lab" in table.columns:
        table["lab"] = _one_spelling(_text_column(table["lab"], "lab"))
    return _in_one_unit(table, colour_unit)


def _numbers(cells: pd.Series, named: str, least: float, expected: str) -> pd.Series:
    """Return cells as numbers, NaN where blank; pandas would take truth values for 1 and 0, and times for numbers."""
    numbers = pd.to_numeric(cells, errors="coerce").astype(np.float64)
    wrong = (numbers.isna() & cells.notna() & (cells != "")) | (numbers < least) | np.isinf(numbers)
    wrong |= cells.map(lambda cell: isinstance(cell, bool | np.bool_)).astype(bool) | (cells.dtype.kind in "mM")
    if wrong.any():
        row = int(wrong.to_numpy().argmax())
        raise TableError(f"batch {cells.index[row]!r} has the {named} {str(cells.iloc[row])!r}; {expected}")
    return numbers


def _one_spelling(labs: pd.Series) -> pd.Series:
    """Return labs with names that differ by case only as they are first written."""
    first: dict[str, str] = {}
    return labs.map(lambda cell: BOTH.join(first.setdefault(name.casefold(), name) for name in cell.split(BOTH)))


def _in_one_unit(table: pd.DataFrame, colour_unit: str) -> pd.DataFrame:
    units = _text_column(table["colour_unit"], "colour_unit") if "colour_unit" in table.columns else None
    if units is not None:
        of_colour = colour_unit in COLOUR_UNITS
        units = (units.map(unit_of) if of_colour else units).where(units != "", colour_unit)
        unknown = ~units.isin(COLOUR_UNITS if of_colour else [colour_unit])
        if unknown.any():
            batch, unit = table.index[unknown][0], units[unknown].iloc[0]
            if of_colour:
                raise UnitError(f"batch {batch!r} has the colour unit {unit!r}; expected EBC or SRM")
            raise UnitError(
                f"batch {batch!r} has the unit {unit!r}, the set {colour_unit!r}; only EBC and SRM are converted: "
                "bring the values to one unit"
            )
        other = (units != colour_unit).to_numpy()
        own = "SRM" if colour_unit == "EBC" else "EBC"
        for name in ("colour", "colour_sd"):
            if other.any() and name in table.columns:
                numbers = pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=np.float64)
                table[name] = np.where(other, in_colour_unit(numbers, own, colour_unit), numbers)
    table["colour_unit"] = colour_unit
    first = ["beer", "colour", "colour_unit"]
    return table[[*first, *[name for name in table.columns if name not in first]]]


def lab_values_of(batches: pd.DataFrame) -> LabValues | None:
    """Take from a batches table who measured each colour and how well; None where nothing is stated."""
    known = [name for name in ("lab", "colour_sd", "colour_n") if name in batches.columns]
    if not known:
        return None
    numbers = {
        name: pd.to_numeric(batches[name], errors="coerce").to_numpy(dtype=np.float64)
        if name in batches.columns
        else np.full(len(batches), np.nan)
        for name in ("colour", "colour_sd", "colour_n")
    }
    labs = _text_column(batches["lab"], "lab") if "lab" in batches.columns else pd.Series("", index=batches.index)
    return LabValues(tuple(labs), extra_variance(**numbers))


def in_ebc(value: Floats, unit: str) -> Floats:
    """Return colours in EBC, and NaN for values of another kind."""
    return in_colour_unit(value, unit, "EBC") if unit in COLOUR_UNITS else np.full(np.shape(value), np.nan)


def in_colour_unit(colour: Floats, own: str, wanted: str) -> Floats:
    """Convert colours between EBC and SRM."""
    for unit in (own, wanted):
        if unit not in COLOUR_UNITS:
            raise OptionError(
                f"colour unit {unit!r}; expected EBC or SRM: limits and readings of another value are no colours"
            )
    if own == wanted:
        return colour
    return np.asarray(ebc_from_srm(colour) if wanted == "EBC" else srm_from_ebc(colour))


def beer_lines(batches: pd.DataFrame, colour_unit: str) -> list[str]:
    """Return a line a beer, from pale to dark: its batches and the span of its lab values."""
    rows = batches.groupby("beer")["colour"].agg(["size", "min", "max"]).sort_values("min")
    return [
        f"{beer}: {counted(int(n), 'batch')}, "
        + ("no lab value" if np.isnan(low) else f"{low:.4g} to {high:.4g} {colour_unit}")
        for beer, n, low, high in rows.itertuples()
    ]


def batch_folds(batches: Sequence[str], n_folds: int, *, seed: int = 0, strata: Sequence[str] | None = None) -> Ints:
    """Assign batches to folds by their names and a seed alone, so that every machine makes the same folds."""
    # -> (n,)
    if not (is_number(n_folds, whole=True) and n_folds >= 2):
        raise OptionError(f"n_folds is {n_folds!r}; expected 2 or more, whole")
    check_whole(seed, "seed")
    groups = [""] * len(batches) if strata is None else [str(value) for value in strata]
    keys = [
        (group, hashlib.sha256(f"{seed}:{name}".encode()).digest()) for group, name in zip(groups, batches, strict=True)
    ]
    order = sorted(range(len(keys)), key=keys.__getitem__)
    folds = np.empty(len(keys), dtype=np.int64)
    folds[order] = np.arange(len(keys)) % min(n_folds, max(len(keys), 1))
    return folds
