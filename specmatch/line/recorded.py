"""What a journal holds of samples, as a table of verified readings."""

from typing import Any

import numpy as np
import pandas as pd

from specmatch.house.readings import READING_COLUMNS
from specmatch.line.journal import Journal, Record
from specmatch.line.measured import Measured


def readings_of(journal: Journal, measured: Measured) -> pd.DataFrame:
    """Return what the journal holds of the samples measured, as `HouseModel.verify` shows it, with `entry`.

    Parameters
    ----------
    journal : Journal
    measured : Measured

    Returns
    -------
    DataFrame
        Index `sample`; the last word on each sample.

    Examples
    --------
    >>> from specmatch.line.scan_folder import measure_source
    >>> with Journal("line1.db", read_only=True) as journal:
    ...     readings_of(journal, measure_source("tuesday"))["entry"].to_dict()
    {'NP-1-001-S1': 3, 'MP-1-001-S1': 4, 'AL-1-001-S1': 5}
    """
    rows: dict[str, Record] = {}
    for sample, ids in measured.session.scans.groupby("sample", sort=False).groups.items():
        files = [measured.file_of[scan_id] for scan_id in ids]
        entries = [journal.seen(file.sha256)[file.path] for file in files if file.path in journal.seen(file.sha256)]
        if entries:
            rows[str(sample)] = journal.entry(max(entries))
    table = pd.DataFrame(
        [[_cell(row["reading"].get(column), column) for column in READING_COLUMNS] for row in rows.values()],
        index=pd.Index(list(rows), dtype=object, name="sample"),
        columns=list(READING_COLUMNS),
    )
    for column in ("claimed", "decision", "reason", "advice", "entry", "run_state"):
        table[column] = pd.Series([row.get(column) for row in rows.values()], index=table.index, dtype=object)
    return table


def _cell(value: Any, column: str) -> Any:
    if value is None and column in ("colour_low", "colour_high"):
        return -np.inf if column == "colour_low" else np.inf
    if value is None and column in ("colour", "p_value", "distance"):
        return np.nan
    return tuple(value) if isinstance(value, list) else value
