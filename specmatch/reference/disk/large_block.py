"""Spectra of a large set: numbers in files that are mapped into memory, not read."""

# Opening checks sizes and header; a file is hashed before its first use, because hashing gigabytes takes seconds that a
# look at the batches should not cost. Rows that are added stand in files of their own; full blocks stay as they are.

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unicodedata import normalize

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.batches import check_scans
from specmatch.errors import ReferenceSetError
from specmatch.reference.disk.encoding import BLOCK_ROWS, block_digests, encode_table, name_keys
from specmatch.reference.tables.alignment import joined, tidy_columns
from specmatch.spectra import text_ids, wavelengths_from
from specmatch.storage import sha256_of, write_atomic

# 16 MB as numbers, three times that and a second or two of reading as text; no spreadsheet helps beyond it.
LARGE_CELLS = 2_000_000
_LONGEST_HEADER = 1024
_ROWS_AT_A_TIME = 1 << 14

Entry = Mapping[str, Any]  # `path`, `bytes`, `hash` of a file


def is_large(cells: int) -> bool:
    """Say whether spectra of so many numbers stand in blocks rather than in a table of text."""
    return cells > LARGE_CELLS


@dataclass(frozen=True)
class Part:
    """Rows of a large set that stand in files of their own."""

    n_rows: int
    spectra: Entry
    scans: Entry
    keys: Entry


@dataclass(frozen=True)
class LargeTables:
    """Spectra and scans of a large set, checked when first asked for."""

    folder: Path
    spectra_files: tuple[tuple[Path, str, int], ...]  # file, SHA-256, rows
    wavelength_nm: Floats  # (p,)
    read_scans: Callable[[Sequence[int] | None], pd.DataFrame]  # reads the scans tables of parts, hashes checked
    batch_names: pd.Index
    scan_types: Mapping[str, str]  # column -> type
    # of sets that can be added to without reading all of them
    parts: tuple[Part, ...] = ()
    digests: tuple[str, ...] = ()  # of blocks of rows
    # rows in memory that come after the parts: what was read of the last one, and what is new
    tail: tuple[pd.DataFrame, pd.DataFrame] | None = None

    @property
    def n_scans(self) -> int:
        """Return how many scans there are."""
        return sum(n for _, _, n in self.spectra_files) + (0 if self.tail is None else len(self.tail[0]))

    def blank(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return tables of spectra and scans like those of the set, without a row."""
        none = pd.Index([], dtype=object)
        columns = pd.Index(self.wavelength_nm, dtype="float64", name="wavelength_nm")
        cells = {name: np.array([], float if kind == "number" else object) for name, kind in self.scan_types.items()}
        spectra = pd.DataFrame(np.empty((0, columns.size)), columns=columns, index=none)
        return spectra, pd.DataFrame(cells, index=none.rename("scan_id"))

    def scans(self) -> pd.DataFrame:
        """Return the scans table."""
        table = self.read_scans(None if self.tail is None else range(len(self.parts)))
        if self.tail is not None:
            table = joined(table, self.tail[1])
        if len(table) != self.n_scans or not table.index.is_unique:
            raise ReferenceSetError(
                f"the scans table of {self.folder} has {len(table)} rows and the spectra {self.n_scans}; restore both"
            )
        checked = tidy_columns(check_scans(table, text_ids(table.index, "scan_id")), "scans")
        strange = ~checked["batch"].isin(text_ids(self.batch_names, "batch"))
        if strange.any():
            raise ReferenceSetError(f"scan {checked.index[strange.to_numpy().argmax()]!r} is of no batch of the set")
        return checked

    def spectra(self, scan_ids: pd.Index) -> pd.DataFrame:
        """Return the spectra as a table over the mapped files, after hashing all of them."""
        # -> (n, p)
        arrays: list[Any] = [self._mapped(*one) for one in self.spectra_files]
        if self.tail is not None and len(self.tail[0]):
            arrays.append(self.tail[0].to_numpy(dtype="<f8"))
        values = arrays[0]
        if len(arrays) > 1:
            # one table needs one block: the parts are copied to a file without a name, which takes no memory for good
            shape = (self.n_scans, self.wavelength_nm.size)
            with tempfile.TemporaryFile() as nameless:  # mapped, it stays until the table goes
                values = np.memmap(nameless, dtype="<f8", mode="w+", shape=shape)
            np.concatenate(arrays, out=values)
            values.flags.writeable = False
        columns = pd.Index(self.wavelength_nm, dtype="float64", name="wavelength_nm")
        return pd.DataFrame(values, index=scan_ids, columns=columns, copy=False)

    def _mapped(self, file: Path, digest: str, n_rows: int) -> Any:
        if sha256_of(file) != digest:
            raise ReferenceSetError(f"{file} does not match its hash; it was changed or damaged: restore the file")
        shape = (n_rows, self.wavelength_nm.size)
        values = np.memmap(file, dtype="<f8", mode="r", offset=len(_header(shape)), shape=shape)
        for start in range(0, n_rows, _ROWS_AT_A_TIME):
            if np.isinf(values[start : start + _ROWS_AT_A_TIME]).any():
                raise ReferenceSetError(f"{file} holds infinite values; restore the file")
        return values

    def takes(self, folder: str, scans: pd.DataFrame, scan_ids: pd.Index) -> bool:
        """Say whether rows can be added without reading what is there: new names, and no column that it lacks."""
        scans = tidy_columns(check_scans(scans, scan_ids), "scans")
        # the same scans under the names that a folder's own name before them makes
        more_names = scans.assign(pour=[f"{folder}/{name}" for name in scans["pour"]])
        more_names.index = pd.Index([f"{folder}/{name}" for name in scans.index], dtype=object, name="scan_id")
        if not self.parts or not self.digests or set(scans.columns) - set(self.scan_types):
            return False
        wanted = np.unique(
            np.concatenate([name_keys(one) for two in (scans, more_names) for one in (two, _loose(two))])
        )
        for part in self.parts:
            file, digest = self.folder / str(part.keys["path"]), str(part.keys["hash"]).rpartition(":")[2]
            if not (file.is_file() and digest == sha256_of(file)):
                return False
            taken = np.load(file, mmap_mode="r", allow_pickle=False)
            place = np.minimum(np.searchsorted(taken, wanted), max(len(taken) - 1, 0))
            if len(taken) and (taken[place] == wanted).any():
                return False
        return True

    def added(self, spectra: pd.DataFrame, scans: pd.DataFrame, batch_names: pd.Index) -> "LargeTables":
        """Return the tables with rows more; of what is there only the last block, where it is not full, is read."""
        parts, files, tail = self.parts, self.spectra_files, self.tail
        if tail is None and parts[-1].n_rows % BLOCK_ROWS:
            last = self.read_scans([len(parts) - 1])
            values = np.array(self._mapped(*files[-1]))
            tail = (pd.DataFrame(values, index=last.index, columns=spectra.columns), last)
            parts, files = parts[:-1], files[:-1]
        new = _conformed(scans, self.scan_types)
        if tail is not None:
            spectra, new = joined(tail[0], spectra), joined(tail[1], new)
        full = sum(part.n_rows for part in parts) // BLOCK_ROWS
        digests = (*self.digests[:full], *block_digests(spectra.to_numpy(dtype=np.float64), new))
        return replace(
            self, parts=parts, spectra_files=files, tail=(spectra, new), digests=digests, batch_names=batch_names
        )


def _loose(scans: pd.DataFrame) -> pd.DataFrame:
    """Return the names of scans, pours and samples as sets of before may have them, with accents by themselves."""
    return pd.DataFrame(
        {name: [normalize("NFD", cell) for cell in scans[name]] for name in ("pour", "sample")},
        index=[normalize("NFD", name) for name in scans.index],
    )


def _conformed(scans: pd.DataFrame, types: Mapping[str, str]) -> pd.DataFrame:
    cells = {
        name: scans[name] if name in scans.columns else pd.Series(np.nan if kind == "number" else "", index=scans.index)
        for name, kind in types.items()
    }
    return tidy_columns(pd.DataFrame(cells, index=scans.index), "scans")


def write_parts(folder: Path, spectra: pd.DataFrame, scans: pd.DataFrame, *, first: bool) -> list[Part]:
    """Write rows as files named by their content: full blocks in one part, and what is left in another."""
    full = len(spectra) // BLOCK_ROWS * BLOCK_ROWS
    parts = []
    for start, stop in ((0, full), (full, len(spectra))):
        if stop > start:
            parts.append(
                _write_part(folder, spectra.iloc[start:stop], scans.iloc[start:stop], first=first and start == 0)
            )
    return parts


def _write_part(folder: Path, spectra: pd.DataFrame, scans: pd.DataFrame, *, first: bool) -> Part:
    values, keys = np.ascontiguousarray(spectra.to_numpy(dtype="<f8")), name_keys(scans)
    return Part(
        len(values),
        written(folder, "spectra", ".npy", [_header(values.shape), values.data.cast("B")]),
        written(folder, "scans", ".csv", [encode_table(scans, header=first)]),
        written(folder, "keys", ".npy", [_header(keys.shape, "<u8"), keys.astype("<u8").data.cast("B")]),
    )


def written(folder: Path, name: str, suffix: str, content: Sequence[bytes | memoryview]) -> Entry:
    """Write a file under its name and the beginning of its hash, unless it is there, and return its entry."""
    digest = sha256_of(content)
    file = folder / f"{name}-{digest[:12]}{suffix}"
    if not (file.is_file() and sha256_of(file) == digest):
        write_atomic(file, content)
    return {"path": file.name, "bytes": sum(len(part) for part in content), "hash": f"sha256:{digest}"}


def several(entries: Sequence[Entry]) -> dict[str, Any]:
    """Return `path`, `bytes` and `hash` of one file, or of several under `parts`."""
    if len(entries) == 1:
        return dict(entries[0])
    return {"path": [entry["path"] for entry in entries], "parts": [dict(entry) for entry in entries]}


def rows_of_block(file: Path, resource: Mapping[str, Any], wavelength_nm: Floats) -> tuple[Path, str, int]:
    """Check a block's size and header against its descriptor without reading it; return file, hash and rows."""
    kind, _, digest = str(resource.get("hash")).rpartition(":")
    if kind != "sha256":
        raise ReferenceSetError(f"resource 'spectra' at {file} needs a sha256 hash and ascending wavelengths")
    size, row = file.stat().st_size, 8 * wavelength_nm.size
    with open(file, "rb") as opened:
        start = opened.read(_LONGEST_HEADER)
    # what is left of the size beside the header must be whole rows; then only one header can be right
    for n_scans in {(size - length) // row for length in (64, 128, 192, 256) if size > length}:
        header = _header((n_scans, wavelength_nm.size))
        if n_scans > 0 and start.startswith(header) and len(header) + n_scans * row == size:
            return file, digest.lower(), n_scans
    raise ReferenceSetError(
        f"{file} is no block of {wavelength_nm.size} wavelengths of the size stated; restore the file"
    )


def wavelengths_of(resource: Mapping[str, Any], file: Path) -> Floats:
    """Return the wavelengths that a resource of spectra lists."""
    try:
        wavelength_nm = wavelengths_from(pd.Index([float(nm) for nm in resource["wavelength_nm"]]), any_wavelength=True)
    except (KeyError, TypeError, ValueError) as error:
        raise ReferenceSetError(f"resource 'spectra' at {file} lacks wavelengths or hash: {error}") from error
    if wavelength_nm.size < 2 or not (np.diff(wavelength_nm) > 0).all():
        raise ReferenceSetError(f"resource 'spectra' at {file} needs a sha256 hash and ascending wavelengths")
    return wavelength_nm


def _header(shape: tuple[int, ...], kind: str = "<f8") -> bytes:
    """Return the header of an `.npy` file of version 1.0 in the form that is written here, and only here."""
    size = f"{shape[0]}, {shape[1]}" if len(shape) == 2 else f"{shape[0]},"
    text = f"{{'descr': '{kind}', 'fortran_order': False, 'shape': ({size}), }}"
    length = -(-(10 + len(text) + 1) // 64) * 64 - 10
    return b"\x93NUMPY\x01\x00" + length.to_bytes(2, "little") + text.ljust(length - 1).encode() + b"\n"
