"""Excel files as rows of text, where pandas has an engine for them."""

from datetime import date, datetime
from pathlib import Path

from specmatch.errors import SheetError


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
