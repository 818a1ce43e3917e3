"""How the light of reference scans went on over time, across folders measured at different times."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Mask
from specmatch.errors import TableError
from specmatch.measurement.checks.counts import jumps
from specmatch.measurement.session import Session

WEAK, DRIFTED = "low_light", "lamp_drift"
_TEXT = ("folder", "measured_at", "instrument", "session")


def reference_history(sessions: Sequence[Session]) -> pd.DataFrame:
    """Return the level of every reference scan as a share of the first of its instrument, in the order of time.

    A level is the median of the quotient over the wavelengths that are usable in every folder, so that folders with
    other masked channels, or a slightly narrower band, stay comparable. The first that carries light is what the others
    are held against; where none does, levels are NaN. The rule for `lamp_drift` is that of `measure`, held over all
    folders: a lamp may be changed between two of them.
    """
    parts = [_rows(session) for session in sessions]
    history = pd.concat(parts) if parts else pd.DataFrame(columns=[*_TEXT, "level", "code"])
    # one way of sorting for all instruments: an order by date with undated scans in it would be made up
    times = reference_times(history)
    order = np.argsort(times.to_numpy(), kind="stable") if times is not None else np.arange(len(history))
    light = [
        (row, session.references.columns.to_numpy(float), session.usable.to_numpy(bool))
        for session in sessions
        for row in session.references.to_numpy(float)
    ]
    level, instrument = np.full(len(history), np.nan), history["instrument"].to_numpy()
    code = history["code"].to_numpy(dtype=object, copy=True)
    carries = code != WEAK
    for name in dict.fromkeys(instrument):
        own = [i for i in order if instrument[i] == name]
        lit = next((i for i in own if carries[i]), None)
        if lit is not None:
            level[own] = _levels([light[i] for i in own], own.index(lit))
            lit_ones = [i for i in own if carries[i]]
            for place in jumps(level[lit_ones]):
                code[lit_ones[place]] = DRIFTED
    return history.assign(level=level, code=code).iloc[order]


def reference_times(history: pd.DataFrame) -> pd.Series | None:
    """Return the times of a history in UTC, or None where any reference has none."""
    times = pd.to_datetime(history["measured_at"].replace("", None), utc=True, errors="coerce", format="ISO8601")
    return times if len(times) and times.notna().all() else None


def _rows(session: Session) -> pd.DataFrame:
    rows, checks = session.reference_scans, session.checks
    codes = dict.fromkeys(rows.index, "")
    for name, code in zip(checks["scan_id"], checks["code"], strict=True):
        if name in codes and code == WEAK:
            codes[name] = WEAK
    known = {column: rows[column].fillna("").astype(str) if column in rows else "" for column in _TEXT[1:]}
    return pd.DataFrame({"folder": session.folder, **known, "code": pd.Series(codes, dtype=object)}, index=rows.index)


def _levels(light: Sequence[tuple[Floats, Floats, Mask]], first: int) -> Floats:
    """Return the median quotient of each to the first, over the wavelengths where all can be used."""
    # light: of each scan its light, its wavelengths, and which of them are usable
    seen = []
    for y, nm, usable in light:
        known = np.isfinite(y)
        # where nothing of a scan is usable (no light at all), whatever was measured still has a level
        keep = known & usable if (known & usable).any() else known
        seen.append((nm[keep], y[keep]))
    low, high = max(x[0] for x, _ in seen), min(x[-1] for x, _ in seen)
    grid = seen[first][0]
    grid = grid[(grid >= low) & (grid <= high)]
    if grid.size == 0:
        raise TableError(
            "the reference scans of one instrument share no usable wavelength; make a history of each folder"
        )
    on_grid = [np.interp(grid, x, y) for x, y in seen]
    return np.array([float(np.median(values / on_grid[first])) for values in on_grid])
