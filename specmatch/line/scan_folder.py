"""A whole measured folder, or one file of reflectance, measured with the file behind every scan."""

from pathlib import Path

import pandas as pd

from specmatch.errors import MissingScanError
from specmatch.line.measured import Measured, ScanFile, ScanReader, measure_bare, measure_listed, refuse_bare
from specmatch.measurement.folder import NOT_FOUND, listed_scans
from specmatch.measurement.folder_sheets import scans_sheet
from specmatch.measurement.known_batches import read_batches


def measure_source(source: str | Path) -> Measured:
    """Measure all that a folder lists, or the spectra of one file.

    Parameters
    ----------
    source : str or Path

    Returns
    -------
    Measured

    Raises
    ------
    SheetError
        If the folder has no `scans.csv`, or it is damaged.
    MissingScanError
        If there is nothing at the path, or a dark or reference is missing for every scan.

    Examples
    --------
    >>> len(measure_source("tuesday").file_of)  # a dark, a reference, a control, three pours of three samples
    12
    """
    path = Path(source)
    if path.is_file():
        return measure_bare([ScanReader(path.parent).read(path.name)])
    if not path.is_dir():
        raise MissingScanError(
            f"{path}: no such file or folder; name the folder that holds scans.csv, or a file of spectra"
        )
    rows, left_out, notes = listed_scans(scans_sheet(path))
    batches = read_batches(path, left_out, notes)
    reader = ScanReader(path)
    files = [_read(reader, name) for name in rows["file"]]
    return measure_listed(rows, files, folder=str(path), batches=batches, left_out=left_out, notes=notes)


def bare_spectra(path: Path) -> pd.DataFrame:
    """Return the reflectance spectra of one file as they stand in it, a row a spectrum.

    Parameters
    ----------
    path : Path

    Returns
    -------
    DataFrame
        Index scan id, columns wavelength in nm.

    Raises
    ------
    ScanFileError, UnitError
        As `measure_bare`.

    Examples
    --------
    >>> _ = Path("bare.csv").write_text("wavelength_nm,reflectance\\n430.5,0.2\\n440.5,0.3\\n450.5,0.5\\n")
    >>> bare_spectra(Path("bare.csv")).values.tolist()
    [[0.2, 0.3, 0.5]]
    """
    file = ScanReader(path.parent).read(path.name)
    refuse_bare(file)
    return pd.DataFrame([pd.Series(scan.values, index=scan.wavelength_nm, name=scan.scan_id) for scan in file.scans])


def _read(reader: ScanReader, name: str) -> ScanFile:
    try:
        return reader.read(name)
    except FileNotFoundError:
        return ScanFile(name, "", 0.0, (), NOT_FOUND)
    except OSError as error:
        return ScanFile(name, "", 0.0, (), f"cannot be read ({error.strerror}); check the name and the folder")
