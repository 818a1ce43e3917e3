"""What a settled finding rests on: it comes back only where that has changed."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from specmatch.reference.disk.table_csv import encode_table

_OF_SCANS = ("scan", "pour", "sample", "session")
# what one of these says instead is the name of a beer: another name is another finding
_NAMED = ("mislabelled", "duplicate_scans")


def evidence_of(
    finding: Mapping[str, Any],
    spectra: pd.DataFrame,
    scans: pd.DataFrame,
    batches: pd.DataFrame,
    known: Sequence[str] | None = None,
) -> dict[str, Any]:
    """Return what a finding rests on: batches of a beer known by now, and a hash of spectra, labels and lab colours."""
    # known: batches that a beer had when its finding was settled; later ones do not bring it back
    level, subject = str(finding["level"]), str(finding["subject"])
    said = str(finding["suggestion"]) if finding["code"] in _NAMED else ""
    listed: list[str] = []
    if level == "set":
        content = _kinds(subject, scans)
    elif level in _OF_SCANS:
        of_scan = scans.index if level == "scan" else scans[level]
        content = _bytes_of(np.asarray(of_scan == subject), spectra, batches.iloc[:0])
    else:
        listed = [subject] if level == "batch" else list(batches.index[batches["beer"] == subject])
        listed = listed if known is None else [name for name in known if name in batches.index]
        content = _bytes_of(scans["batch"].isin(listed).to_numpy(), spectra, batches.loc[listed, ["beer", "colour"]])
    digest = hashlib.sha256(b"\0".join([said.encode(), content])).hexdigest()
    return {"digest": digest} | ({"batches": listed} if level == "beer" else {})


def still_settled(
    finding: Mapping[str, Any],
    settled: Mapping[str, Any],
    spectra: pd.DataFrame,
    scans: pd.DataFrame,
    batches: pd.DataFrame,
) -> bool:
    """Say whether a settled finding rests on what it rested on then."""
    known = settled.get("batches")
    if known is not None and str(finding["suggestion"]) in batches.index and finding["suggestion"] not in known:
        return False  # it is about a batch that came later
    return bool(evidence_of(finding, spectra, scans, batches, known)["digest"] == settled.get("digest"))


def _kinds(column: str, scans: pd.DataFrame) -> bytes:
    if column not in scans.columns:
        return column.encode()
    return "\0".join([column, *sorted({str(cell) for cell in scans[column].dropna()})]).encode()


def _bytes_of(rows: np.ndarray, spectra: pd.DataFrame, batches: pd.DataFrame) -> bytes:
    mine = spectra[rows].sort_index()
    values = mine.to_numpy()
    ids = "\0".join(map(str, mine.index)).encode()
    return b"\0".join([ids, np.where(np.isnan(values), np.nan, values).astype("<f8").tobytes(), encode_table(batches)])
