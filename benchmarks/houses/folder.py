"""A draw as a measured folder: raw counts as text, darks, references, `scans.csv` and `batches.csv`."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from benchmarks.houses.house import Draw

Floats = NDArray[np.float64]


def write_measured_folder(path: Path, nm: Floats, drawn: Draw) -> None:
    """Write one dark and one reference a session, one file a scan, and the two sheets."""
    path.mkdir(parents=True, exist_ok=True)
    shot, rows = drawn.exposures, []
    sessions = list(dict.fromkeys(drawn.scans["session"]))
    common = drawn.scans.iloc[0][["integration_ms", "instrument", "cup", "cup_mm", "reference_kind"]].to_dict()
    for k, session in enumerate(sessions):
        for minute, (role, counts) in enumerate((("dark", shot.darks[k]), ("reference", shot.references[k]))):
            file = f"{session}-{role}.csv"
            at = datetime.fromisoformat(shot.started[k]) + timedelta(minutes=minute)
            rows.append({"file": file, "role": role, "session": session, "measured_at": at.isoformat(), **common})
            _write_counts(path / file, nm, counts)
    for scan_id, counts in zip(drawn.scans.index, shot.scans, strict=True):
        _write_counts(path / str(scan_id), nm, counts)
    sheet = drawn.scans.reset_index().rename(columns={"scan_id": "file"})
    sheet.insert(1, "role", "sample")
    sheet["beer"] = drawn.truth["beer"].to_numpy()
    pd.concat([pd.DataFrame(rows), sheet]).to_csv(path / "scans.csv", index=False)
    drawn.batches.to_csv(path / "batches.csv")


def _write_counts(file: Path, nm: Floats, counts: Floats) -> None:
    lines = [f"{x:.3f},{y:.1f}" for x, y in zip(nm, counts, strict=True)]
    file.write_text("\n".join(["wavelength_nm,counts", *lines]) + "\n", encoding="utf-8")
