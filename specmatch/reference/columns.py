"""What stands in the columns of a reference set: the type of each, and the one form in which a set keeps them."""

import numpy as np
import pandas as pd

from specmatch.errors import TableError

# Numbers by name; every other column with a name of the library is text. Columns of the house keep their own type.
NUMBER_COLUMNS = frozenset(
    {"cup_mm", "fill_ml", "integration_ms", "temperature_c", "colour", "colour_sd", "colour_n", "replicate"}
)
_SCAN_TEXT = ("scan_id", "pour", "sample", "batch", "measured_at", "instrument", "session", "cup", "operator", "stage")
_BATCH_TEXT = ("beer", "colour_unit", "colour_method", "lab", "packaged_on", "valid_from", "valid_to", "recipe")
TEXT_COLUMNS = frozenset({*_SCAN_TEXT, *_BATCH_TEXT, "reference_kind", "role", "file"})
# A spreadsheet runs a cell that begins with one of these (also in full width) as a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def tidy_columns(table: pd.DataFrame, what: str) -> pd.DataFrame:
    """Bring every column of a table to float, whole number, boolean or text; blank text is `""`, blank numbers NaN.

    Parameters
    ----------
    table : DataFrame
        Not written to.
    what : str
        Name of the table, for messages.

    Returns
    -------
    DataFrame
        Same index and columns.

    Raises
    ------
    TableError
        A heading that is no text, is blank, stands twice or begins like a formula; text in a column of numbers.

    Examples
    --------
    >>> tidy_columns(pd.DataFrame({"fill_ml": ["10", None], "lab": ["A", None]}), "scans").values.tolist()
    [[10.0, 'A'], [nan, '']]
    """
    _check_headings(table.columns, what)
    return pd.DataFrame(
        {name: _tidy_column(table[name], what) for name in table.columns},
        index=table.index,
        columns=pd.Index(list(table.columns), dtype=object),
    )


def type_of(column: pd.Series) -> str:
    """Return the Table Schema type of a tidy column: `number`, `integer`, `boolean` or `string`.

    Parameters
    ----------
    column : Series

    Returns
    -------
    str

    Examples
    --------
    >>> type_of(pd.Series([1.5])), type_of(pd.Series(["x"], dtype=object))
    ('number', 'string')
    """
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
