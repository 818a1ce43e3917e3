"""Excel files as rows of text, where pandas has an engine for them."""

import re
from datetime import date, datetime
from pathlib import Path

from specmatch.errors import SheetError

_ERROR_MARK = re.compile(r"#(?:REF|VALUE|NAME|DIV/0|NUM|NULL|N/A)[!?]?\Z|#{2,}\Z", re.I)
_REWRITTEN_NUMBER = re.compile(r"\d(?:[.,]\d+)?E\+\d{2,}\Z")
_REWRITTEN_DATE = re.compile(
    r"(?:\d{1,2}[-. ](?:jan|feb|mar|m\u00e4r|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?(?:[-. ]\d{2,4})?"
    r"|(?:jan|feb|mar|m\u00e4r|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?[-. ]\d{2,4})\Z",
    re.I,
)


def read_spreadsheet(path: Path) -> tuple[list[list[str]], list[int]]:
    """Read the first sheet of an Excel file, every cell as text.

    Parameters
    ----------
    path : Path

    Returns
    -------
    rows : list of list of str
        Without blank rows.
    lines : list of int
        Spreadsheet row of each.

    Raises
    ------
    SheetError
        If the file cannot be read or no engine for it is installed.

    Examples
    --------
    >>> _ = Path("no_sheet.xlsx").write_bytes(b"")  # a file that is no spreadsheet is refused with its way out
    >>> read_spreadsheet(Path("no_sheet.xlsx"))
    Traceback (most recent call last):
    specmatch.errors.SheetError: no_sheet.xlsx: ... export the sheet as CSV
    """
    import pandas as pd

    try:
        table = pd.read_excel(path, header=None, dtype=object, keep_default_na=False, na_filter=False)
    except ImportError as error:
        raise SheetError(
            f"{path.name}: reading it needs another package ({error}); install it, or export the sheet as CSV"
        ) from None
    except FileNotFoundError:
        raise SheetError(f"{path}: cannot be read; check the name and the folder") from None
    except Exception as error:  # the engines raise errors of many kinds for a damaged file
        raise SheetError(f"{path.name}: is no readable spreadsheet ({error}); export the sheet as CSV") from None
    rows, lines = [], []
    for number, row in enumerate(table.itertuples(index=False, name=None), 1):
        cells = [_as_text(cell) for cell in row]
        if any(cells):
            rows.append(cells)
            lines.append(number)
    return rows, lines


def _as_text(cell: object) -> str:
    if cell is None or (isinstance(cell, float) and cell != cell):
        return ""
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    return str(cell)


def is_error_mark(cell: str) -> bool:
    """Say whether a spreadsheet has left an error mark in a cell in place of a value.

    Parameters
    ----------
    cell : str

    Returns
    -------
    bool
        False for `#N/A`, which stands for a value that is not known.

    Examples
    --------
    >>> [is_error_mark(cell) for cell in ("#REF!", "#N/A", "#3 Pale")]
    [True, False, False]
    """
    return _ERROR_MARK.match(cell) is not None and cell.upper() != "#N/A"


def damage(cell: str, *, is_name: bool) -> str:
    """Say what a spreadsheet has likely done to a cell.

    Parameters
    ----------
    cell : str
    is_name : bool
        Whether the cell holds a name, which is no number and no date.

    Returns
    -------
    str
        "" where nothing is seen.

    Examples
    --------
    >>> damage("1E+05", is_name=True)
    'looks like a long number that a spreadsheet rewrote; format the column as text and export again'
    """
    if is_error_mark(cell):
        return "is a spreadsheet's error mark, not a value"
    if is_name and _REWRITTEN_NUMBER.match(cell):
        return "looks like a long number that a spreadsheet rewrote; format the column as text and export again"
    if is_name and _REWRITTEN_DATE.match(cell):
        return "looks like a name that a spreadsheet made a date; format the column as text and export again"
    return ""
