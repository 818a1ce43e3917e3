"""Lab colours come late, repeated and from more than one lab: one value a batch, with its scatter and its count."""

import numpy as np
import pandas as pd

from specmatch.batches import check_batches
from specmatch.errors import ParentsError
from specmatch.spectra import text_ids


def average_lab_values(rows: pd.DataFrame, *, colour_unit: str = "EBC") -> pd.DataFrame:
    """Bring several rows a batch to one: lab colours averaged, everything else taken where it is given.

    Parameters
    ----------
    rows : DataFrame
        Index (or column) `batch`, not unique; `beer`, `colour` and what else is known. A row stands for `colour_n`
        determinations (1 where blank) with the standard deviation `colour_sd` of a single one.
    colour_unit : {"EBC", "SRM"}
        Unit of the result.

    Returns
    -------
    DataFrame
        One row a batch, in order of first appearance. Where a batch has several lab values: `colour` is the mean over
        all determinations, `colour_sd` the standard deviation of a single one, `colour_n` their number, and `lab` and
        `colour_method` name all that took part.

    Raises
    ------
    ParentsError
        If a batch stands under two beers.
    TableError, UnitError
        As for `check_batches`.

    Examples
    --------
    >>> rows = pd.DataFrame({"batch": ["b", "b"], "beer": ["Pale", ""], "colour": [8.0, 8.4], "lab": ["A", "B"]})
    >>> one = average_lab_values(rows)
    >>> round(float(one.loc["b", "colour"]), 2), float(one.loc["b", "colour_n"]), one.loc["b", "lab"]
    (8.2, 2.0, 'A + B')
    """
    if "batch" in rows.columns:
        rows = rows.set_index("batch")
    rows = rows.set_axis(text_ids(rows.index, "batch"), axis=0)
    if rows.index.is_unique or "beer" not in rows.columns or "colour" not in rows.columns:
        return check_batches(rows, colour_unit=colour_unit)
    rows = rows.assign(beer=_beers(rows))
    names = rows.index
    checked = check_batches(rows.set_axis([str(at) for at in range(len(rows))], axis=0), colour_unit=colour_unit)
    groups = checked.groupby(names, sort=False)
    merged = [_one_row(group) for _, group in groups]
    table = pd.DataFrame(merged, index=pd.Index([name for name, _ in groups], dtype=object, name="batch"))
    return table[[*checked.columns, *[name for name in table.columns if name not in checked.columns]]]


def _beers(rows: pd.DataFrame) -> pd.Series:
    """A later row of a batch may leave its beer blank; two beers for one batch are a contradiction."""
    beers = rows["beer"].map(lambda cell: "" if pd.isna(cell) else str(cell).strip())
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
