"""A folder of reflectance tables: `spectra.csv`, `scans.csv` and `batches.csv`, as any program may export them."""

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.errors import ReferenceSetError, SheetError

SPECTRA, SCANS, BATCHES = "spectra.csv", "scans.csv", "batches.csv"
_INDEX = {SPECTRA: "scan_id", SCANS: "scan_id", BATCHES: "batch"}


def holds_tables(folder: str | Path) -> bool:
    """Say whether a folder holds reflectance tables rather than raw scans.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    bool
    """
    return (Path(folder) / SPECTRA).is_file()


def read_tables(folder: str | Path) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Read the three tables of a folder; identifiers and everything that is not spectra stay text.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    spectra, scans, batches : DataFrame

    Raises
    ------
    SheetError
        A table that is missing or damaged, or a cell of the spectra that is no number; file and line are named.
    ReferenceSetError
        If there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ReferenceSetError(f"{folder} is no folder")
    spectra, scans, batches = (_read(folder / name) for name in (SPECTRA, SCANS, BATCHES))
    return _as_numbers(spectra, folder / SPECTRA), scans, batches


def _read(file: Path) -> pd.DataFrame:
    try:
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise SheetError(f"{file} is missing; a folder of tables holds {SPECTRA}, {SCANS} and {BATCHES}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise SheetError(f"cannot read {file}: {error}; save it as CSV in UTF-8") from error
    head = text.partition("\n")[0]
    delimiter = max(";\t,", key=head.count)
    rows = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) if any(row)]
    key = _INDEX[file.name]
    if not rows or key not in (heading := [cell.strip() for cell in rows[0]]):
        raise SheetError(f"{file} has no column {key!r} in its first line")
    for line, row in enumerate(rows[1:], start=2):
        if len(row) != len(heading):
            raise SheetError(f"{file} row {line} has {len(row)} cells; its first line has {len(heading)}")
    cells = [[cell.strip() for cell in row] for row in rows[1:]]
    table = pd.DataFrame(cells, columns=heading, dtype=object)
    if delimiter == ";" and file.name != SCANS:
        numeric = [name for name in table.columns if file.name == SPECTRA or name.startswith("colour")]
        for name in (name for name in numeric if name != key):
            table[name] = [cell.replace(",", ".") for cell in table[name]]
    return table.set_index(key)


def _as_numbers(spectra: pd.DataFrame, file: Path) -> pd.DataFrame:
    columns = {}
    for name in spectra.columns:
        try:
            columns[name] = np.array([np.nan if cell == "" else float(cell) for cell in spectra[name]])
        except ValueError as error:
            raise SheetError(f"{file} column {name!r} holds text among its numbers: {error}") from error
    return pd.DataFrame(columns, index=spectra.index)
