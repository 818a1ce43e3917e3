"""Content of a large set, hashed in blocks of rows: what is added later leaves the hashes of full blocks as they are.

The hash of the whole is over the hashes of its blocks, so it says the same however many files the rows stand in.
"""

import hashlib
import json
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.reference.disk.table_csv import encode_table
from specmatch.storage import sha256_of

BLOCK_ROWS = 4096
# what a large set is told apart by: scans, pours and samples must not share a name with others of their kind
_KINDS = ("scan", "pour", "sample")


def block_digests(values: Floats, scans: pd.DataFrame) -> list[str]:
    """Return the hash of each block of rows, spectra and scans together; the last block may be short."""
    # values (n, p)
    return [
        sha256_of(
            [encode_table(scans.iloc[start : start + BLOCK_ROWS]), plain_bytes(values[start : start + BLOCK_ROWS])]
        )
        for start in range(0, len(values), BLOCK_ROWS)
    ]


def plain_bytes(values: Floats) -> bytes:
    """Return numbers as bytes, every kind of NaN as one and the same."""
    missing = np.isnan(values)
    return (np.where(missing, np.nan, values) if missing.any() else values).astype("<f8", copy=False).tobytes()


def hash_of_blocks(
    digests: Sequence[str],
    n_rows: int,
    wavelength_nm: Floats,
    tables: Sequence[pd.DataFrame | None],
    settings: Sequence[object],
) -> str:
    """Return the hash of a large set from those of its blocks and of its small tables."""
    whole = hashlib.sha256(json.dumps([*settings, n_rows, BLOCK_ROWS, *digests]).encode())
    for table in tables:
        whole.update(hashlib.sha256(b"" if table is None else encode_table(table)).digest())
    whole.update(np.asarray(wavelength_nm).astype("<f8").tobytes())
    return whole.hexdigest()


def name_keys(scans: pd.DataFrame) -> np.ndarray:
    """Return 64 bits of the hash of each name of a scan, pour and sample, sorted: to see whether a name is taken."""
    # -> (m,) uint64
    return np.unique(np.fromiter((_key(kind, name) for kind, name in _names(scans)), dtype=np.uint64))


def _names(scans: pd.DataFrame) -> Iterator[tuple[str, str]]:
    for kind, cells in zip(_KINDS, (scans.index, scans["pour"], scans["sample"]), strict=True):
        for name in dict.fromkeys(cells):
            yield kind, str(name)


def _key(kind: str, name: str) -> int:
    return int.from_bytes(
        hashlib.blake2b(f"{kind}\0{name}".encode("utf-8", "surrogatepass"), digest_size=8).digest(), "little"
    )
