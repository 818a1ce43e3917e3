"""Rows of the table of checks."""

from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

CHECK_COLUMNS = ("scan_id", "code", "size", "sentence")


class CheckRow(NamedTuple):
    """One finding about one scan."""

    scan_id: str
    code: str  # of the registry (`specmatch.WARNING_CODES`)
    size: float  # how large it is, in the unit that its sentence names
    sentence: str  # what is wrong, and what to do


def check_table(rows: Iterable[CheckRow]) -> pd.DataFrame:
    """Return findings as a table."""
    table = pd.DataFrame(list(rows), columns=list(CHECK_COLUMNS), dtype=object)
    return table.astype({"size": float})
