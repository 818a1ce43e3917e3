"""Rows of the table of checks."""

from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

CHECK_COLUMNS = ("scan_id", "code", "size", "sentence")


class CheckRow(NamedTuple):
    """One finding about one scan.

    Attributes
    ----------
    scan_id : str
    code : str
        Of the registry (`specmatch.WARNING_CODES`).
    size : float
        How large it is, in the unit that its sentence names.
    sentence : str
        What is wrong, and what to do.
    """

    scan_id: str
    code: str
    size: float
    sentence: str


def check_table(rows: Iterable[CheckRow]) -> pd.DataFrame:
    """Return findings as a table.

    Parameters
    ----------
    rows : iterable of CheckRow

    Returns
    -------
    DataFrame
        Columns `scan_id, code, size, sentence`, in the order given.

    Examples
    --------
    >>> check_table([CheckRow("a.csv", "flat", 0.0, "no shape")])["code"].tolist()
    ['flat']
    """
    table = pd.DataFrame(list(rows), columns=list(CHECK_COLUMNS), dtype=object)
    return table.astype({"size": float})
