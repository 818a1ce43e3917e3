"""The measured folder as the invented brewery leaves it: a text file a scan, `scans.csv`, `batches.csv`, a note."""

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.demo.scanning import RawScans
from specmatch.errors import StorageError
from specmatch.storage import path_of

SCAN_FOLDER = "scans"
NOTE = "NOTE.txt"
INVENTED = """\
Everything in this folder is invented: the brewery, its beers, its spectrometer, its lab and every number.
It was written by a program, for trying things out. It is no evidence about any beer or instrument.
To the extent possible under law it is given to the public domain (CC0-1.0).
"""
_SHEET = (
    "file", "role", "sample", "pour", "batch", "beer", "measured_at", "integration_ms", "fill_ml", "cup", "cup_mm",
    "instrument", "session", "operator", "stage", "reference_kind",
)  # fmt: skip


def write_measured_folder(folder: str | Path, raw: RawScans, batches: pd.DataFrame | None = None) -> None:
    """Write raw scans as a measured folder, whole or not at all."""
    with whole_folder(path_of(folder)) as part:
        _write_scans(part, raw)
        if batches is not None:
            _write(part / "batches.csv", batches.to_csv(lineterminator="\n"))


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a folder to fill beside the one that is meant, which it becomes, with its note, when the block is done."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StorageError(f"{folder} exists and is not an empty folder; name another or remove it first")
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        part.chmod(0o755)
        (part / SCAN_FOLDER).mkdir()
        yield part
        _write(part / NOTE, INVENTED)
        os.replace(part, folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def written_axis(wavelength_nm: Iterable[float]) -> list[str]:
    """Return wavelengths as the invented instrument writes them."""
    return [f"{nm:.2f}".replace(".", ",") for nm in wavelength_nm]


def scan_text(scan_id: str, row: Mapping[str, Any], wavelengths: list[str], counts: list[int]) -> str:
    """Return the text of one scan file, in the one dialect that the invented instrument writes."""
    # wavelengths: in nm, as written
    header = [
        "data;invented",
        f"scan;{scan_id}",
        f"instrument;{row['instrument']}",
        f"measured_at;{row['measured_at']}",
        f"integration_ms;{row['integration_ms']:.1f}".replace(".", ","),
        "readouts_averaged;32",
        "",
        "wavelength_nm;counts",
    ]
    return "\n".join([*header, *map("{};{}".format, wavelengths, counts), ""])


def _write_scans(folder: Path, raw: RawScans) -> None:
    wavelengths = written_axis(raw.wavelength_nm)
    files = [f"{SCAN_FOLDER}/{scan_id}.csv" for scan_id in raw.table.index]
    rows = raw.table[["instrument", "measured_at", "integration_ms"]].to_dict("records")
    for scan_id, file, row, counts in zip(raw.table.index, files, rows, raw.counts.astype(int).tolist(), strict=True):
        _write(folder / file, scan_text(scan_id, row, wavelengths, counts))
    sheet = raw.table.assign(file=files)[list(_SHEET)]
    _write(folder / "scans.csv", sheet.to_csv(index=False, lineterminator="\n"))


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))
