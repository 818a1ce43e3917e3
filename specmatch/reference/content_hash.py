"""One hash for what a reference set holds, the same in memory and on disk, whatever its name and history."""

import hashlib
import json
from collections.abc import Sequence

import numpy as np
import pandas as pd

from specmatch.reference.table_csv import encode_table

_ROWS_AT_A_TIME = 4096


def content_hash(spectra: pd.DataFrame, tables: Sequence[pd.DataFrame | None], settings: Sequence[object]) -> str:
    """Return the SHA-256 of spectra, tables and settings.

    Parameters
    ----------
    spectra : DataFrame, shape (n, p)
    tables : sequence of DataFrame or None
        In a fixed order; None for a table that the set does not have.
    settings : sequence
        Whatever JSON takes.

    Returns
    -------
    str
        64 hexadecimal digits.

    Examples
    --------
    >>> spectra = pd.DataFrame([[0.1, 0.2]], index=["s"], columns=[400.0, 410.0])
    >>> content_hash(spectra, [None], ["EBC"]) == content_hash(spectra, [None], ["SRM"])
    False
    """
    digest = hashlib.sha256(json.dumps([*settings, spectra.shape]).encode())
    for table in tables:
        digest.update(hashlib.sha256(b"" if table is None else encode_table(table)).digest())
    digest.update(spectra.columns.to_numpy().astype("<f8").tobytes())
    values = spectra.to_numpy()
    for start in range(0, len(values), _ROWS_AT_A_TIME):
        block = values[start : start + _ROWS_AT_A_TIME]
        # every kind of NaN is written as one and the same
        digest.update(np.where(np.isnan(block), np.nan, block).astype("<f8").tobytes())
    return digest.hexdigest()
