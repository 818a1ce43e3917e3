"""What has just been measured, with the file behind every scan: a whole folder, a part of one, or bare spectra."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.errors import MissingScanError, ScanFileError, SpecmatchError, UnitError
from specmatch.line.journal.schema import unix_time
from specmatch.measurement.folder.folder import NOT_FOUND, FolderSheets, join_scans, read_sheets, within_folder
from specmatch.measurement.readers.files import scans_from_bytes
from specmatch.measurement.readers.scan import Scan
from specmatch.measurement.session import Session, session_of
from specmatch.storage import sha256_of

# a scan file is a few kilobytes; beyond this many the oldest are read again when they are needed
LARGEST_CACHE = 400


@dataclass(frozen=True)
class ScanFile:
    """One scan file as it was read."""

    path: str  # within the folder, parts joined by `/`
    sha256: str  # of its bytes
    modified: float  # seconds since 1970
    scans: tuple[Scan, ...]  # empty where it could not be read
    reason: str = ""  # why it could not be read, or ""


@dataclass(frozen=True, eq=False)
class Measured:
    """Samples, controls and references measured, and the files that they came from."""

    session: Session
    file_of: Mapping[str, ScanFile]  # by scan id
    rows: pd.DataFrame  # rows of `scans.csv`, index scan id
    files: Mapping[str, ScanFile]  # by path, those that could not be used too; without those that are not there

    def time_of(self, scan_id: str) -> tuple[str, float]:
        """Return when a scan was measured, ISO 8601 with its offset and in seconds since 1970."""
        stated = self.rows.at[scan_id, "measured_at"] if "measured_at" in self.rows else ""
        if isinstance(stated, str) and stated:
            return stated, unix_time(stated, f"scan {scan_id!r}")
        # nobody stated a time: the file's own stands in
        modified = self.file_of[scan_id].modified
        return datetime.fromtimestamp(modified, UTC).isoformat(timespec="seconds"), modified


class ScanReader:
    """Reads scan files of one folder and keeps what it read as long as a file stays as it is."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._kept: dict[str, tuple[tuple[int, int], ScanFile]] = {}

    def read(self, path: str) -> ScanFile:
        """Read one file, or return what it held when it was last read."""
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


def measure_listed(sheets: FolderSheets, files: Sequence[ScanFile], *, folder: str) -> Measured:
    """Measure rows of `scans.csv`: samples and controls with the darks and references that they need."""
    found = join_scans(sheets, [list(file.scans) or file.reason or "holds no spectrum" for file in files])
    by_path = {file.path: file for file in files}
    file_of = {str(scan): by_path[path] for scan, path in found.rows["file"].items()}
    there = {path: file for path, file in by_path.items() if file.sha256}
    return Measured(session_of(found, folder=folder), file_of, found.rows, there)


def measure_bare(files: Sequence[ScanFile]) -> Measured:
    """Take files of reflectance spectra, each spectrum a sample of its own of one pour."""
    for file in files:
        bare_spectra(file)
    rows = pd.DataFrame({"file": [file.path for file in files], "role": "sample", "order": range(len(files))})
    for column in ("sample", "pour", "batch", "beer", "instrument", "session", "reference_kind", "lamp", "base"):
        rows[column] = ""
    rows["integration_ms"], rows["time"] = float("nan"), None
    return measure_listed(FolderSheets(rows), files, folder=files[0].path)


def reference_level(light: np.ndarray, usable: np.ndarray) -> float:
    """Return the mean light of a reference over the usable channels."""
    # light (p,), usable (p,)
    # light: counts per ms, the dark taken off; NaN where a channel is missing
    where = usable & np.isfinite(light) if usable.any() else np.isfinite(light)
    return float(light[where].mean())


def peak_position(light: np.ndarray, wavelength_nm: np.ndarray) -> float:
    """Return the wavelength of the highest peak, between channels by the parabola through the top three."""
    # light (p,), wavelength_nm (p,)
    whole = np.where(np.isfinite(light), light, 0.0)
    top = int(np.clip(whole.argmax(), 1, whole.size - 2))
    low, mid, high = whole[top - 1 : top + 2]
    bend = low - 2.0 * mid + high
    shift = 0.0 if bend == 0 else float(np.clip(0.5 * (low - high) / bend, -1.0, 1.0))
    step = (wavelength_nm[top + 1] - wavelength_nm[top - 1]) / 2.0
    return float(wavelength_nm[top] + shift * step)


def measure_source(source: str | Path, *, date_order: str | None = None) -> Measured:
    """Measure all that a folder lists, or the spectra of one file."""
    path = Path(source)
    if path.is_file():
        return measure_bare([ScanReader(path.parent).read(path.name)])
    if not path.is_dir():
        raise MissingScanError(
            f"{path}: no such file or folder; name the folder that holds scans.csv, or a file of spectra"
        )
    sheets = read_sheets(path, date_order=date_order)
    reader = ScanReader(path)
    files = [_read(reader, name) for name in sheets.rows["file"]]
    return measure_listed(sheets, files, folder=str(path))


def bare_spectra(file: ScanFile) -> pd.DataFrame:
    """Return the spectra of a file that no sheet describes, a row a spectrum; refuse it unless all are reflectance."""
    if not file.scans:
        raise ScanFileError(file.reason or f"{file.path} holds no spectrum")
    return spectra_of(file.scans, file.path)


def spectra_of(scans: Sequence[Scan], name: str) -> pd.DataFrame:
    """Return scans that no sheet describes as a table, a row a spectrum; refuse them unless all are reflectance."""
    for scan in scans:
        if scan.quantity != "reflectance":
            raise UnitError(
                f"{name}: scan {scan.scan_id!r} holds {scan.quantity}, and a reading needs reflectance; "
                "counts need scans.csv, which says which scans are dark and reference"
            )
    return pd.DataFrame([pd.Series(scan.values, index=scan.wavelength_nm, name=scan.scan_id) for scan in scans])


def _read(reader: ScanReader, name: str) -> ScanFile:
    try:
        return reader.read(name)
    except FileNotFoundError:
        return ScanFile(name, "", 0.0, (), NOT_FOUND)
    except OSError as error:
        return ScanFile(name, "", 0.0, (), f"cannot be read ({error.strerror}); check the name and the folder")
