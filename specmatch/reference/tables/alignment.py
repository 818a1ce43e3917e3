"""Bring the tables of a set into one form and into line; of several lab colours of a batch make one."""

import logging
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import COLOUR_UNITS, VALUE_NAME, check_batches
from specmatch.errors import ParentsError, ReferenceSetError, TableError, UnitError
from specmatch.measurement.folder.columns import BATCH_COLUMNS, LAB_NUMBERS, SCAN_COLUMNS, SCAN_NUMBERS
from specmatch.spectra import Spectra, by_scan_id, text_ids, tidy_name
from specmatch.wording import FORMULA_STARTS

_LOG = logging.getLogger(__name__)
# Numbers by name; every other column with a name of the library is text. Columns of the house keep their own type.
NUMBER_COLUMNS = frozenset((*SCAN_NUMBERS, *LAB_NUMBERS, "replicate"))
# beer absorbs more in the blue than in the red (common practice, no source)
BLUE_NM, RED_NM, FEWEST_COLOURS = 500.0, 600.0, 4
_ELSE = ("scan_id", "valid_from", "valid_to", "recipe")
TEXT_COLUMNS = frozenset((*SCAN_COLUMNS, *BATCH_COLUMNS, *_ELSE)) - NUMBER_COLUMNS


def tidy_columns(table: pd.DataFrame, what: str) -> pd.DataFrame:
    """Bring every column of a table to float, whole number, boolean or text; blank text is `""`, blank numbers NaN."""
    _check_headings(table.columns, what)
    columns = pd.Index(list(table.columns), dtype=object)
    return pd.DataFrame({name: _tidy_column(table[name], what) for name in columns}, table.index, columns)


def type_of(column: pd.Series) -> str:
    """Return the Table Schema type of a tidy column: `number`, `integer`, `boolean` or `string`."""
    return {"f": "number", "i": "integer", "b": "boolean"}.get(column.dtype.kind, "string")


def _check_headings(columns: pd.Index, what: str) -> None:
    for name in columns:
        if not isinstance(name, str) or not name.strip():
            raise TableError(f"the {what} table has a column headed {name!r}; give every column a name in text")
        if name.startswith(FORMULA_STARTS):
            raise TableError(f"the {what} table has a column headed {name!r}, which a spreadsheet runs; rename it")
    if not columns.is_unique:
        raise TableError(f"the {what} table has column {columns[columns.duplicated()][0]!r} twice; keep one of them")


def _tidy_column(column: pd.Series, what: str) -> pd.Series:
    if column.name in NUMBER_COLUMNS:
        return _as_numbers(column, what)
    kind = column.dtype.kind
    if column.name not in TEXT_COLUMNS and not column.hasnans:
        if kind == "b":
            return column.astype(bool)
        if kind in "iu":
            return column.astype(np.int64)
    if column.name not in TEXT_COLUMNS and kind in "fiu":
        return pd.Series(column.to_numpy(dtype=np.float64, na_value=np.nan), index=column.index)
    cells = ["" if blank else str(cell) for cell, blank in zip(column, column.isna(), strict=True)]
    return pd.Series(cells, index=column.index, dtype=object)


def _as_numbers(column: pd.Series, what: str) -> pd.Series:
    cells = column.replace("", np.nan) if column.dtype.kind not in "fiu" else column
    numbers = pd.to_numeric(cells, errors="coerce")
    wrong = (numbers.isna() & cells.notna()).to_numpy()
    if wrong.any():
        row = int(wrong.argmax())
        raise TableError(
            f"{what} {column.index[row]!r} has {column.name} {column.iloc[row]!r}; expected a number or an empty cell"
        )
    return pd.Series(numbers.to_numpy(dtype=np.float64, na_value=np.nan), index=column.index)


def joined(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """Put the rows of one table under those of another; a column that one of them lacks is blank there."""
    if not len(first) or not len(second):
        return second if not len(first) else first
    names = [*first.columns, *[name for name in second.columns if name not in first.columns]]
    cells = {}
    for at, name in enumerate(names):
        known = (first if name in first.columns else second)[name].dtype.kind in "fiu"
        blank, kind = (np.nan, float) if known else ("", object)
        parts = [
            table[name].to_numpy() if name in table.columns else np.full(len(table), blank, kind)
            for table in (first, second)
        ]
        if len({part.dtype.kind for part in parts} - set("fiu")) == 1 and parts[0].dtype != parts[1].dtype:
            parts = [part.astype(object) for part in parts]
        cells[at] = np.concatenate(parts)
    names_of_rows = np.concatenate([first.index.to_numpy(dtype=object), second.index.to_numpy(dtype=object)])
    index = pd.Index(names_of_rows, dtype=object, name=first.index.name)
    table = pd.DataFrame(cells, index=index)
    table.columns = pd.Index(names, dtype=first.columns.dtype, name=first.columns.name)
    return table


def set_aside_unmeasured(
    scans: pd.DataFrame | pd.Series, scan_ids: pd.Index, left_out: list[dict[str, str]]
) -> pd.DataFrame | pd.Series:
    """Set aside rows about scans that have no spectrum, in the open; a second row of a scan is refused later."""
    if not isinstance(scans, (pd.DataFrame, pd.Series)):
        raise TableError(f"scans are a {type(scans).__name__}; expected a DataFrame with pour, sample and batch")
    if isinstance(scans, pd.DataFrame):
        scans = by_scan_id(scans)
    ids = text_ids(scans.index, "scan_id")
    used = ids.isin(scan_ids)
    left_out += [{"table": "scans", "name": name, "reason": "has no spectrum"} for name in ids[~used]]
    return scans if used.all() else scans[used]


def left_out_table(rows: list[dict[str, str]]) -> pd.DataFrame:
    """Return what of a set's tables was not used as a table, and say it."""
    for row in rows:
        _LOG.warning("%s %r left out: %s", row["table"], row["name"], row["reason"])
    return pd.DataFrame(rows, columns=["table", "name", "reason"], dtype=object)


def align_batches(
    batches: pd.DataFrame,
    scans: pd.DataFrame,
    colour_unit: str,
    left_out: list[dict[str, str]],
    value_name: str = VALUE_NAME,
    *,
    reflectance: Spectra | None = None,
) -> pd.DataFrame:
    """Check the batches table, refuse scans whose batch it lacks, and set aside batches without a scan."""
    # reflectance: where it is to be held against the colours of the batches
    batches = with_value(batches, value_name)
    table = tidy_columns(check_batches(batches, colour_unit=colour_unit), "batches")
    needed = pd.Index(scans["batch"].unique())
    absent = needed.difference(table.index, sort=False)
    if len(absent):
        scan_id = scans.index[(scans["batch"] == absent[0]).to_numpy().argmax()]
        raise ReferenceSetError(
            f"{len(absent)} batches of the scans are not in the batches table, the first {absent[0]!r} "
            f"(scan {scan_id!r}); add a row with its beer, or leave its scans out"
        )
    used = table.index.isin(needed)
    left_out += [{"table": "batches", "name": name, "reason": "has no scan"} for name in table.index[~used]]
    table = table[used]
    if reflectance is not None and value_name == VALUE_NAME:
        refuse_absorbance(reflectance, scans, table)
    return table


def with_value(batches: Any, value_name: str) -> Any:
    """Return a batches table whose column of the value, whatever a set calls it, is the one that the library reads."""
    if value_name == VALUE_NAME or not isinstance(batches, pd.DataFrame) or value_name not in batches.columns:
        return batches
    if VALUE_NAME in batches.columns:
        raise TableError(f"the batches table has columns {VALUE_NAME!r} and {value_name!r}; keep the one that counts")
    return batches.rename(columns={value_name: VALUE_NAME})


def refuse_absorbance(spectra: Spectra, scans: pd.DataFrame, batches: pd.DataFrame) -> None:
    """Refuse a table in which darker beers read higher, and every scan falls from blue to red, as absorbance does."""
    nm, colour = spectra.wavelength_nm, scans["batch"].map(batches["colour"]).astype(float)
    blue, red = (pd.DataFrame(spectra.values[:, kept]).mean(axis=1) for kept in (nm < BLUE_NM, nm > RED_NM))
    if colour.nunique() < FEWEST_COLOURS or not (blue > red).all():
        return
    if colour.reset_index(drop=True).rank().corr(blue.rank()) > 0.5:
        raise UnitError(
            "darker beers read higher than pale ones, and every scan falls from blue to red: this is absorbance, where "
            "reflectance of beer does the opposite; expected fractions of the reference, or give quantity='absorbance'"
        )


def enter_colour(table: pd.DataFrame, batch: str, known: Mapping[str, Any]) -> pd.DataFrame:
    """Write a lab colour and what is known of it into a table of batches; what is None is cleared."""
    for column, value in known.items():
        blank: object = "" if column in ("lab", "colour_method") else np.nan
        if column not in table.columns:
            if value is None:
                continue
            table[column] = blank
        table.loc[batch, column] = blank if value is None else value
    return table


def check_beers(beers: pd.DataFrame | None, brewed: Sequence[str] = ()) -> pd.DataFrame | None:
    """Return the table of beers with text names as its index, each beer once; None stays None."""
    # brewed: what the batches call their beers; a row that misses such a name by its letters would be passed over
    if beers is None:
        return None
    if not isinstance(beers, pd.DataFrame):
        raise TableError(f"beers are a {type(beers).__name__}; expected a DataFrame, a row a beer")
    if "beer" in beers.columns:
        beers = beers.set_index("beer")
    table = tidy_columns(beers.set_axis(text_ids(beers.index, "beer"), axis=0), "beers")
    if not table.index.is_unique:
        raise TableError(f"beer {table.index[table.index.duplicated()][0]!r} stands twice in the beers table")
    strange = [name for name in table.index if len(brewed) and name not in set(brewed)]
    meant = {_folded(name): name for name in brewed}
    near = next((name for name in strange if _folded(name) in meant), None)
    if near is not None or (strange and len(strange) == len(table)):
        name = strange[0] if near is None else near
        said = f"where the batches say {meant[_folded(name)]!r}" if near else "and no beer of the batches"
        raise TableError(f"the beers table holds {name!r} {said}; its index or column 'beer' names beers as batches do")
    return table


def _folded(name: str) -> str:
    return " ".join(name.casefold().split())


def check_band(band_nm: Sequence[float] | None) -> tuple[float, float] | None:
    """Return the recorded band as (low, high) in nm, low below high; None stays None."""
    if band_nm is None:
        return None
    try:
        low, high = (float(edge) for edge in band_nm)
    except (TypeError, ValueError):
        raise ReferenceSetError(f"the band is {band_nm!r}; expected two wavelengths in nm") from None
    if not low < high:
        raise ReferenceSetError(f"the band is {low:g}-{high:g} nm; expected the lower edge first")
    return low, high


def one_kind(stated: str | None, scans: pd.DataFrame) -> str | None:
    """Return the kind of reference that is stated, or that all scans with one share; two that differ are refused."""
    kinds = set(scans["reference_kind"]) - {""} if "reference_kind" in scans.columns else set()
    shared = kinds.pop() if len(kinds) == 1 else None
    if stated and shared and str(stated).strip().casefold() != shared.casefold():
        raise UnitError(
            f"reference_kind is {stated!r}, and the scans say {shared!r}; the two differ by about 4 % in level: keep "
            "the one that is right"
        )
    return stated or shared


def named_value(value_name: str, value_unit: str | None, colour_unit: str) -> tuple[str, str]:
    """Return what the value of a set is called, and its unit: EBC or SRM for a colour, any for another value."""
    if value_name == VALUE_NAME:
        unit = value_unit or colour_unit
        if colour_unit not in (COLOUR_UNITS[0], unit):  # the first is what nobody may have stated
            raise UnitError(f"colour_unit is {colour_unit!r} and value_unit {value_unit!r}; state one of them")
        if unit not in COLOUR_UNITS:
            raise UnitError(
                f"the set's colour unit is {unit!r}; expected EBC or SRM (a value that is no beer's colour has a "
                "value_name and a value_unit)"
            )
        return VALUE_NAME, unit
    # a set that is loaded or changed has its unit in the one place
    unit = str(value_unit or ("" if colour_unit in COLOUR_UNITS else colour_unit)).strip()
    if not str(value_name).strip() or not unit or unit in COLOUR_UNITS:
        raise UnitError(
            f"the set's value is {value_name!r} in {unit or 'no unit'!r}; give value_name='glucose', "
            "value_unit='g/L' or the like ('1' where it has none); EBC and SRM are units of a beer's colour"
        )
    return str(value_name).strip(), unit


def with_name(value_name: str, unit: str) -> str:
    """Return the unit, with the name of the value before it where that is no colour."""
    return unit if value_name == VALUE_NAME else f"{value_name}, {unit}"


def refuse_other_value(one: Any, other: Any) -> None:
    """Refuse to put two sets together that hold another value each, or one in units that are not converted."""
    first, second = (with_name(refs.value_name, refs.colour_unit) for refs in (one, other))
    if first != second and {one.value_name, other.value_name} != {VALUE_NAME}:
        raise UnitError(
            f"set {one.name!r} holds {first} and {other.name!r} holds {second}; only sets of one value, in one unit, "
            "are put together"
        )


def unit_of(recorded: str | None, batches: pd.DataFrame, folder: str | Path) -> str:
    """Return the colour unit of a set; one from elsewhere may say it in a column, and is refused where it does not."""
    if recorded:
        return str(recorded)
    units = set(batches["colour_unit"]) - {""} if "colour_unit" in batches.columns else set()
    if len(units) == 1:
        return str(units.pop()).upper()
    raise UnitError(f"the set in {folder} does not say whether its colours are EBC or SRM; add a column colour_unit")


def average_lab_values(rows: pd.DataFrame, *, colour_unit: str = "EBC") -> pd.DataFrame:
    """Bring several rows a batch to one: lab colours averaged, everything else taken where it is given."""
    # rows: index (or column) `batch`, not unique; `beer`, `colour` and what else is known
    if "batch" in rows.columns:
        rows = rows.set_index("batch")
    rows = rows.set_axis(text_ids(rows.index, "batch"), axis=0)
    if rows.index.is_unique or "beer" not in rows.columns or "colour" not in rows.columns:
        return check_batches(rows, colour_unit=colour_unit)
    checked = check_rows(rows.assign(beer=_beers(rows)), colour_unit)
    groups = checked.groupby(rows.index, sort=False)
    merged = [_one_row(group) for _, group in groups]
    table = pd.DataFrame(merged, index=pd.Index([name for name, _ in groups], dtype=object, name="batch"))
    return table[[*checked.columns, *[name for name in table.columns if name not in checked.columns]]]


def check_rows(rows: pd.DataFrame, colour_unit: str) -> pd.DataFrame:
    """Bring rows of batches that may repeat to one form and unit; the index stays."""
    numbered = rows.set_axis([str(at) for at in range(len(rows))], axis=0)
    return check_batches(numbered, colour_unit=colour_unit).set_axis(rows.index, axis=0)


def _beers(rows: pd.DataFrame) -> pd.Series:
    """A later row of a batch may leave its beer blank; two beers for one batch are a contradiction."""
    beers = rows["beer"].map(lambda cell: "" if pd.isna(cell) else tidy_name(cell))
    filled = {}
    for batch, group in beers.groupby(beers.index, sort=False):
        named = [beer for beer in dict.fromkeys(group) if beer]
        if len(named) > 1:
            raise ParentsError(f"batch {batch!r} stands under beer {named[0]!r} and under beer {named[1]!r}; keep one")
        filled[batch] = named[0] if named else ""
    return pd.Series([filled[batch] for batch in beers.index], index=rows.index, dtype=object)


def _one_row(group: pd.DataFrame) -> dict[str, object]:
    row: dict[str, object] = {}
    for column in group.columns:
        given = [cell for cell in group[column] if not (pd.isna(cell) or cell == "")]
        row[column] = given[0] if given else (np.nan if group[column].dtype.kind == "f" else "")
        if column in ("lab", "colour_method"):
            row[column] = " + ".join(dict.fromkeys(str(cell) for cell in given))
    # the same value entered twice by two sheets is one determination, not two
    valued = group[group["colour"].notna()]
    valued = valued[~valued.duplicated([name for name in ("colour", "lab", "colour_method") if name in valued])]
    if len(valued) > 1:
        row.update(_pooled(valued))
    return row


def _pooled(valued: pd.DataFrame) -> dict[str, object]:
    """Pool means, counts and standard deviations of several series of determinations into one."""
    colour = valued["colour"].to_numpy(dtype=np.float64)
    n = _numbers(valued, "colour_n", 1.0)
    sd = _numbers(valued, "colour_sd", 0.0)
    total = n.sum()
    mean = float((n * colour).sum() / total)
    within = ((n - 1.0) * sd**2).sum()
    between = (n * (colour - mean) ** 2).sum()
    return {"colour": mean, "colour_sd": float(np.sqrt((within + between) / (total - 1.0))), "colour_n": float(total)}


def _numbers(table: pd.DataFrame, column: str, blank: float) -> np.ndarray:
    if column not in table.columns:
        return np.full(len(table), blank)
    numbers = pd.to_numeric(table[column], errors="coerce").to_numpy(dtype=np.float64)
    return np.where(np.isnan(numbers), blank, numbers)
