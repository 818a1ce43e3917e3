"""A folder of reflectance tables: `spectra.csv`, `scans.csv` and `batches.csv`, as any program may export them."""

from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.errors import ReferenceSetError, SheetError, UnitError
from specmatch.measurement.files import read_scans
from specmatch.measurement.sheets import BATCH_COLUMNS, SCAN_COLUMNS, number_columns, read_sheet
from specmatch.reference.columns import NUMBER_COLUMNS
from specmatch.spectra import check_spectra, match_wavelengths, spectra_table

SPECTRA, SCANS, BATCHES = "spectra.csv", "scans.csv", "batches.csv"


def holds_tables(folder: str | Path) -> bool:
    """Say whether a folder holds reflectance tables rather than raw scans.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    bool

    Examples
    --------
    >>> holds_tables("monday")  # raw scans
    False
    """
    return (Path(folder) / SPECTRA).is_file()


def read_tables(folder: str | Path) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Read the three tables of a folder; identifiers stay text.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    spectra, scans, batches : DataFrame
        `batches` may hold several rows a batch.

    Raises
    ------
    SheetError
        A table that is missing or damaged, or a cell of numbers that is none; file and line are named.
    UnitError
        If the spectra are counts.
    ReferenceSetError
        If there is no such folder.

    Examples
    --------
    >>> Path("tables").mkdir(exist_ok=True)
    >>> for name in ("spectra", "scans", "batches"):
    ...     getattr(refs, name).to_csv(f"tables/{name}.csv")
    >>> [len(table) for table in read_tables("tables")]
    [54, 54, 18]
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ReferenceSetError(f"{folder} is no folder")
    for name in (SCANS, BATCHES):
        if not (folder / name).is_file():
            raise SheetError(f"{folder / name} is missing; a folder of tables holds {SPECTRA}, {SCANS} and {BATCHES}")
    scans = _sheet(folder / SCANS, "scan_id", ("scan_id", *SCAN_COLUMNS))
    batches = _sheet(folder / BATCHES, "batch", BATCH_COLUMNS)
    return _spectra(folder / SPECTRA), scans, batches


def _spectra(file: Path) -> pd.DataFrame:
    scans = read_scans(file)
    if scans[0].quantity == "counts":
        raise UnitError(f"{file} holds counts; measure the raw scans, or export reflectance")
    quantity = "absorbance" if scans[0].quantity == "absorbance" else "reflectance"
    grid = scans[0].wavelength_nm
    rows = [check_spectra(pd.Series(s.values, index=s.wavelength_nm, name=s.scan_id), quantity=quantity) for s in scans]
    values = np.vstack([match_wavelengths(row, grid) for row in rows])
    index = pd.Index([scan.scan_id for scan in scans], dtype=object, name="scan_id")
    return spectra_table(check_spectra(pd.DataFrame(values, index=index, columns=grid)))


def _sheet(file: Path, key: str, known: tuple[str, ...]) -> pd.DataFrame:
    sheet = read_sheet(file, known=known)
    if key not in sheet.table.columns:
        raise SheetError(f"{file} has no column {key!r} in its first line")
    numbers = number_columns(sheet, sorted(NUMBER_COLUMNS & set(known)), name=file.name)
    table = sheet.table.assign(**{name: numbers[name] for name in numbers.columns})
    return table.set_index(key)
