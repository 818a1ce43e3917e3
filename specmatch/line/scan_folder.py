"""A whole measured folder, or one file of reflectance, measured with the file behind every scan."""

from pathlib import Path

from specmatch.errors import MissingScanError
from specmatch.line.measured import Measured, ScanFile, ScanReader, measure_bare, measure_listed
from specmatch.measurement.folder import listed_scans
from specmatch.measurement.folder_sheets import scans_sheet


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
        raise MissingScanError(f"{path}: no such file or folder")
    rows, left_out, _ = listed_scans(scans_sheet(path))
    reader = ScanReader(path)
    measured = measure_listed(rows, [_read(reader, name) for name in rows["file"]], folder=str(path))
    table = measured.session.left_out
    for name, reason in left_out:
        table.loc[len(table)] = [name, reason]
    return measured


def _read(reader: ScanReader, name: str) -> ScanFile:
    try:
        return reader.read(name)
    except FileNotFoundError:
        return ScanFile(name, "", 0.0, (), "listed in scans.csv, not found in the folder; copy the file there")
