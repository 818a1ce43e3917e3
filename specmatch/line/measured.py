"""What has just been measured, with the file behind every scan: a part of a measured folder, or bare spectra."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.errors import ScanFileError, SpecmatchError, UnitError
from specmatch.line.moments import moment
from specmatch.measurement.files import scans_from_bytes
from specmatch.measurement.folder import join_scans, within_folder
from specmatch.measurement.scan import Scan
from specmatch.measurement.session import Session, session_of
from specmatch.storage import sha256_of

# a scan file is a few kilobytes; beyond this many the oldest are read again when they are needed
LARGEST_CACHE = 400


@dataclass(frozen=True)
class ScanFile:
    """One scan file as it was read.

    Attributes
    ----------
    path : str
        Within the folder, parts joined by `/`.
    sha256 : str
        Of its bytes.
    modified : float
        Seconds since 1970.
    scans : tuple of Scan
        Empty where it could not be read.
    reason : str
        Why it could not be read, or "".
    """

    path: str
    sha256: str
    modified: float
    scans: tuple[Scan, ...]
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Measured:
    """Samples, controls and references measured, and the files that they came from.

    Attributes
    ----------
    session : Session
    file_of : dict of str to ScanFile
        By scan id.
    rows : DataFrame
        Rows of `scans.csv`, index scan id.
    files : dict of str to ScanFile
        By path, those that could not be used too; without those that are not there.
    """

    session: Session
    file_of: Mapping[str, ScanFile]
    rows: pd.DataFrame
    files: Mapping[str, ScanFile]

    def time_of(self, scan_id: str) -> tuple[str, float]:
        """Return when a scan was measured, ISO 8601 with its offset and in seconds since 1970.

        Raises
        ------
        TableError
            If the sheet states a time without an offset.
        """
        stated = self.rows.at[scan_id, "measured_at"] if "measured_at" in self.rows else ""
        if isinstance(stated, str) and stated:
            return stated, moment(stated, f"scan {scan_id!r}")
        # nobody stated a time: the file's own stands in
        modified = self.file_of[scan_id].modified
        return datetime.fromtimestamp(modified, UTC).isoformat(timespec="seconds"), modified


class ScanReader:
    """Reads scan files of one folder and keeps what it read as long as a file stays as it is.

    Parameters
    ----------
    folder : Path

    Examples
    --------
    >>> ScanReader(Path("monday")).folder.name
    'monday'
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._kept: dict[str, tuple[tuple[int, int], ScanFile]] = {}

    def read(self, path: str) -> ScanFile:
        """Read one file, or return what it held when it was last read.

        Parameters
        ----------
        path : str
            Within the folder.

        Returns
        -------
        ScanFile
        """
        whole = self.folder / path
        state = whole.stat()
        mark = (state.st_mtime_ns, state.st_size)
        kept = self._kept.get(path)
        if kept is not None and kept[0] == mark:
            return kept[1]
        data = whole.read_bytes()
        try:
            scans = tuple(within_folder(scans_from_bytes(data, name=whole.name), path))
            reason = ""
        except SpecmatchError as error:
            scans, reason = (), str(error)
        file = ScanFile(path, sha256_of(data), state.st_mtime, scans, reason)
        self._kept[path] = (mark, file)
        while len(self._kept) > LARGEST_CACHE:
            self._kept.pop(next(iter(self._kept)))
        return file


def measure_listed(rows: pd.DataFrame, files: Sequence[ScanFile], *, folder: str, **found_before: Any) -> Measured:
    """Measure rows of `scans.csv`: samples and controls with the darks and references that they need.

    Parameters
    ----------
    rows : DataFrame
        Of `listed_scans`.
    files : sequence of ScanFile
        In the order of the rows.
    folder : str
    **found_before
        Batches, what was left out and notes, as `join_scans` takes them.

    Returns
    -------
    Measured

    Raises
    ------
    SpecmatchError
        If nothing of it can be used.

    Examples
    --------
    >>> from specmatch.measurement.folder import listed_scans
    >>> from specmatch.measurement.folder_sheets import scans_sheet
    >>> rows, _, _ = listed_scans(scans_sheet(Path("tuesday")))
    >>> reader = ScanReader(Path("tuesday"))
    >>> measured = measure_listed(rows, [reader.read(name) for name in rows["file"]], folder="tuesday")
    >>> measured.session.claims.tolist(), measured.time_of("scans/D1-001-04.csv")[0]
    (['Night Porter', 'Meadow Pils', 'Amber Lane'], '2025-06-24T08:06:00+01:00')
    """
    results = [list(file.scans) if file.scans else (file.reason or "holds no spectrum") for file in files]
    found = join_scans(rows, results, **found_before)
    by_path = {file.path: file for file in files}
    file_of = {str(scan): by_path[path] for scan, path in found.rows["file"].items()}
    there = {path: file for path, file in by_path.items() if file.sha256}
    return Measured(session_of(found, folder=folder), file_of, found.rows, there)


def measure_bare(files: Sequence[ScanFile]) -> Measured:
    """Take files of reflectance spectra, each spectrum a sample of its own of one pour.

    Parameters
    ----------
    files : sequence of ScanFile
        On one grid, as one instrument writes them.

    Returns
    -------
    Measured

    Raises
    ------
    ScanFileError
        If a file holds no spectrum.
    UnitError
        If one holds counts: those need `scans.csv`, which says which scans are dark and reference.

    Examples
    --------
    >>> _ = Path("bare.csv").write_text("wavelength_nm,reflectance\\n430.5,0.2\\n440.5,0.3\\n450.5,0.5\\n")
    >>> measure_bare([ScanReader(Path(".")).read("bare.csv")]).session.spectra.values.tolist()
    [[0.2, 0.3, 0.5]]
    """
    for file in files:
        refuse_bare(file)
    rows = pd.DataFrame({"file": [file.path for file in files], "role": "sample", "order": range(len(files))})
    for column in ("sample", "pour", "batch", "beer", "instrument", "session", "reference_kind"):
        rows[column] = ""
    rows["integration_ms"], rows["time"] = float("nan"), None
    return measure_listed(rows, files, folder=files[0].path)


def refuse_bare(file: ScanFile) -> None:
    """Refuse a file that no sheet describes unless every spectrum in it is reflectance.

    Parameters
    ----------
    file : ScanFile

    Raises
    ------
    ScanFileError, UnitError
        As `measure_bare`.

    Examples
    --------
    >>> _ = Path("raw.csv").write_text("wavelength_nm,counts\\n430.5,20\\n440.5,30\\n450.5,50\\n")
    >>> refuse_bare(ScanReader(Path(".")).read("raw.csv"))
    Traceback (most recent call last):
    specmatch.errors.UnitError: raw.csv: scan 'raw.csv' holds counts, and a reading needs reflectance; counts need \
scans.csv, which says which scans are dark and reference
    """
    if not file.scans:
        raise ScanFileError(file.reason or f"{file.path} holds no spectrum")
    for scan in file.scans:
        if scan.quantity != "reflectance":
            raise UnitError(
                f"{file.path}: scan {scan.scan_id!r} holds {scan.quantity}, and a reading needs reflectance; "
                "counts need scans.csv, which says which scans are dark and reference"
            )
