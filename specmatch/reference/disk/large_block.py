"""Spectra of a large set: one block of numbers in a file that is mapped into memory, not read.

Opening checks sizes and header; the block is hashed before its first use, because hashing gigabytes takes seconds that
a look at the batches should not cost.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.batches import check_scans
from specmatch.errors import ReferenceSetError
from specmatch.reference.tables.alignment import tidy_columns
from specmatch.spectra import wavelengths_from
from specmatch.storage import sha256_of, write_atomic

# 16 MB as numbers, three times that and a second or two of reading as text; no spreadsheet helps beyond it.
LARGE_CELLS = 2_000_000
_LONGEST_HEADER = 1024
_ROWS_AT_A_TIME = 1 << 14


def write_block(folder: Path, spectra: pd.DataFrame) -> dict[str, Any]:
    """Write spectra as an `.npy` file named by its content, and return its resource for the descriptor."""
    # spectra (n, p)
    values = np.ascontiguousarray(spectra.to_numpy(dtype="<f8"))
    header = _header(values.shape)
    digest = sha256_of([header, values.data.cast("B")])
    file = folder / f"spectra-{digest[:12]}.npy"
    if not (file.is_file() and sha256_of(file) == digest):
        write_atomic(file, [header, values.data.cast("B")])
    return {
        "name": "spectra",
        "path": file.name,
        "format": "npy",
        "mediatype": "application/octet-stream",
        "bytes": len(header) + values.nbytes,
        "hash": f"sha256:{digest}",
        "wavelength_nm": [float(nm) for nm in spectra.columns],
    }


@dataclass(frozen=True)
class LargeTables:
    """Spectra and scans of a large set, checked when first asked for."""

    file: Path  # the block
    digest: str  # its SHA-256
    wavelength_nm: Floats  # (p,)
    n_scans: int
    read_scans_table: Callable[[], pd.DataFrame]  # reads the scans table, its hash checked
    batch_names: pd.Index

    def scans(self) -> pd.DataFrame:
        """Return the scans table."""
        table = self.read_scans_table()
        if len(table) != self.n_scans or not table.index.is_unique:
            raise ReferenceSetError(
                f"the scans table has {len(table)} rows and {self.file} {self.n_scans}; restore both"
            )
        checked = tidy_columns(check_scans(table, table.index), "scans")
        strange = ~checked["batch"].isin(self.batch_names)
        if strange.any():
            raise ReferenceSetError(f"scan {checked.index[strange.to_numpy().argmax()]!r} is of no batch of the set")
        return checked

    def spectra(self, scan_ids: pd.Index) -> pd.DataFrame:
        """Return the spectra as a table over the mapped file, after hashing all of it."""
        # -> (n, p)
        if sha256_of(self.file) != self.digest:
            raise ReferenceSetError(f"{self.file} does not match its hash; it was changed or damaged: restore the file")
        shape = (self.n_scans, self.wavelength_nm.size)
        values = np.memmap(self.file, dtype="<f8", mode="r", offset=len(_header(shape)), shape=shape)
        for start in range(0, self.n_scans, _ROWS_AT_A_TIME):
            if np.isinf(values[start : start + _ROWS_AT_A_TIME]).any():
                raise ReferenceSetError(f"{self.file} holds infinite values; restore the file")
        columns = pd.Index(self.wavelength_nm, dtype="float64", name="wavelength_nm")
        return pd.DataFrame(values, index=scan_ids, columns=columns, copy=False)


def open_block(
    file: Path, resource: Mapping[str, Any], read_scans_table: Callable[[], pd.DataFrame], batch_names: pd.Index
) -> LargeTables:
    """Check a block's size and header against its descriptor without reading it."""
    try:
        wavelength_nm = wavelengths_from(pd.Index([float(nm) for nm in resource["wavelength_nm"]]))
        kind, _, digest = str(resource["hash"]).rpartition(":")
        size = file.stat().st_size
    except (KeyError, TypeError, ValueError) as error:
        raise ReferenceSetError(f"resource 'spectra' at {file} lacks wavelengths or hash: {error}") from error
    if kind != "sha256" or wavelength_nm.size < 2 or not (np.diff(wavelength_nm) > 0).all():
        raise ReferenceSetError(f"resource 'spectra' at {file} needs a sha256 hash and ascending wavelengths")
    row = 8 * wavelength_nm.size
    with open(file, "rb") as opened:
        start = opened.read(_LONGEST_HEADER)
    # what is left of the size beside the header must be whole rows; then only one header can be right
    for n_scans in {(size - length) // row for length in (64, 128, 192, 256) if size > length}:
        header = _header((n_scans, wavelength_nm.size))
        if n_scans > 0 and start.startswith(header) and len(header) + n_scans * row == size:
            return LargeTables(file, digest.lower(), wavelength_nm, n_scans, read_scans_table, batch_names)
    raise ReferenceSetError(
        f"{file} is no block of {wavelength_nm.size} wavelengths of the size stated; restore the file"
    )


def _header(shape: tuple[int, int]) -> bytes:
    """Return the header of an `.npy` file of version 1.0 in the form that is written here, and only here."""
    text = f"{{'descr': '<f8', 'fortran_order': False, 'shape': ({shape[0]}, {shape[1]}), }}"
    length = -(-(10 + len(text) + 1) // 64) * 64 - 10
    return b"\x93NUMPY\x01\x00" + length.to_bytes(2, "little") + text.ljust(length - 1).encode() + b"\n"
