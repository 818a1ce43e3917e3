"""What a file or folder is and what it holds, found without trusting it."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specmatch.storage import path_of
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.measurement.readers.scan import Scan

SCAN_FILE, SHEET, MODEL = "scan file", "sheet", "house model"
SET, FOLDER, JOURNAL = "reference set", "measured folder", "journal"
_SHEETS = ("scans", "batches", "beers")
_SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods")


def inspect_file(path: str | Path) -> dict[str, Any]:
    """Find out what a file or folder is, and say what it holds; nothing in it is run or trusted.

    Parameters
    ----------
    path : str or Path
        Scan file, sheet, model file, journal, measured folder, or folder of a reference set.

    Returns
    -------
    dict
        `file` (the path), `kind`, and by kind (`doubts` is a list of str, what somebody must look at):

        - `"scan file"`: `scans`, a list of dict (`scan_id`, `quantity`, `points`, `first_nm`, `last_nm`, `lowest` and
          `highest` in the unit of the quantity, `missing` and `saturated` counted, `notes`, `meta`), and `doubts`;
        - `"sheet"`: `rows` (how many), `filled` (column -> cells that are not blank), `doubts`;
        - `"house model"`: `manifest`, `arrays` (name -> `shape`, `dtype`);
        - `"reference set"`: `info`, `rows` (table -> how many), `beers` (beer -> batches);
        - `"measured folder"`: `roles` (role -> scans), `doubts`;
        - `"journal"`: `bytes`.

    Raises
    ------
    ScanFileError
        If a scan file is empty, damaged, cut, or holds no spectrum (`AmbiguousScanFileError`: can be read in two ways).
    SheetError
        If a sheet is damaged, or a folder holds neither a reference set nor `scans.csv`.
    ModelFileError, ReferenceSetError
        If a model file or a reference set is damaged or not what its hashes say.
    OSError
        If there is no such file, or it cannot be read.

    Examples
    --------
    >>> inspect_file("monday/scans.csv")["kind"], inspect_file("sets/house")["rows"]["batches"]
    ('sheet', 18)
    """
    from specmatch.measurement.folder.sheets import looks_like_sheet

    path = path_of(path)
    if path.is_dir():
        found: dict[str, Any] = _set(path) if (path / "datapackage.json").is_file() else _measured_folder(path)
    else:
        with open(path, "rb") as file:
            start = file.read(16)
        if start.startswith(b"SQLite format 3"):
            found = {"kind": JOURNAL, "bytes": path.stat().st_size}
        elif start.startswith(b"PK") and path.suffix.lower() not in (".xlsx", ".xlsm", ".ods"):
            found = _model(path)
        elif path.stem in _SHEETS or path.suffix.lower() in _SPREADSHEETS or looks_like_sheet(path):
            found = _sheet(path)
        else:
            from specmatch.measurement.readers.files import read_scans

            found = scan_file(read_scans(path))
    return {"file": str(path), **found}


def scan_file(scans: "Sequence[Scan]") -> dict[str, Any]:
    """Say what the scans of one file hold."""
    import numpy as np

    from specmatch.measurement.checks.counts import saturated_channels

    rows, doubts = [], []
    for scan in scans:
        full = scan.saturated
        if scan.quantity == "counts":
            full = full | saturated_channels(scan.values[None])[0]
        if full.any():
            doubts.append(f"{scan.scan_id}: {counted(int(full.sum()), 'channel')} saturated")
        doubts += [f"{scan.scan_id}: {doubt}" for doubt in scan.doubts]
        rows.append({
            "scan_id": scan.scan_id, "quantity": scan.quantity, "points": scan.values.size,
            "first_nm": float(scan.wavelength_nm[0]), "last_nm": float(scan.wavelength_nm[-1]),
            "lowest": float(np.nanmin(scan.values)), "highest": float(np.nanmax(scan.values)),
            "missing": int(scan.missing.sum()), "saturated": int(full.sum()), "notes": list(scan.notes),
            "meta": dict(scan.meta),
        })  # fmt: skip
    return {"kind": SCAN_FILE, "scans": rows, "doubts": doubts}


def _sheet(path: Path) -> dict[str, Any]:
    from specmatch.measurement.folder.sheets import read_sheet

    sheet = read_sheet(path, trusted=False)
    filled = {str(name): int((sheet.table[name] != "").sum()) for name in sheet.table}
    return {"kind": SHEET, "rows": len(sheet.table), "filled": filled, "doubts": sheet.notes}


def _model(path: Path) -> dict[str, Any]:
    from specmatch.house.model_file import load_arrays

    arrays, manifest = load_arrays(path)
    shapes = {name: {"shape": list(array.shape), "dtype": str(array.dtype)} for name, array in arrays.items()}
    return {"kind": MODEL, "manifest": manifest, "arrays": shapes}


def _set(path: Path) -> dict[str, Any]:
    from specmatch.reference.disk.package import read_package

    package = read_package(path)
    beers = package.tables["batches"]["beer"].value_counts(sort=False).sort_index()
    rows = {name: len(table) for name, table in package.tables.items()}
    return {"kind": SET, "info": package.info, "rows": rows, "beers": {str(beer): int(n) for beer, n in beers.items()}}


def _measured_folder(path: Path) -> dict[str, Any]:
    from specmatch.measurement.folder.dates import one_refusal
    from specmatch.measurement.folder.folder import listed_scans
    from specmatch.measurement.folder.sheets import scans_sheet

    with one_refusal() as doubtful:
        rows, left_out, notes = listed_scans(scans_sheet(path), doubtful)
    missing = [file for file in rows["file"] if not (path / file).is_file()]
    doubts = [f"{file}: {reason}" for file, reason in left_out] + [f"{file}: listed, not found" for file in missing]
    doubts += [note for _, note in notes]
    return {"kind": FOLDER, "roles": rows["role"].value_counts().to_dict(), "doubts": doubts}
