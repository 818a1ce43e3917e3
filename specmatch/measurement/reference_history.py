"""How the light of reference scans went on over time, across folders measured at different times."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Mask
from specmatch.errors import TableError
from specmatch.measurement.checks.light import jumps
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
    light = [row for session in sessions for row in session.references.to_numpy(float)]
    nm = [
        session.references.columns.to_numpy(float) for session in sessions for _ in range(session.references.shape[0])
    ]
    usable = [session.usable.to_numpy(bool) for session in sessions for _ in range(session.references.shape[0])]
    level, instrument = np.full(len(history), np.nan), history["instrument"].to_numpy()
    code = history["code"].to_numpy(dtype=object, copy=True)
    carries = code != WEAK
    for name in dict.fromkeys(instrument):
        own = [i for i in order if instrument[i] == name]
        lit = next((i for i in own if carries[i]), None)
        if lit is not None:
            own_light, own_nm, own_usable = ([table[i] for i in own] for table in (light, nm, usable))
            level[own] = _levels(own_light, own_nm, own_usable, own.index(lit))
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


def _levels(light: Sequence[Floats], nm: Sequence[Floats], usable: Sequence[Mask], first: int) -> Floats:
    """Return the median quotient of each to the first, over the wavelengths where all can be used."""
    # where nothing of a scan is usable (no light at all), whatever was measured still has a level
    kept = [
        np.isfinite(y) & (use if (use & np.isfinite(y)).any() else True) for y, use in zip(light, usable, strict=True)
    ]
    seen = [x[keep] for x, keep in zip(nm, kept, strict=True)]
    low, high = max(x[0] for x in seen), min(x[-1] for x in seen)
    grid = seen[first][(seen[first] >= low) & (seen[first] <= high)]
    if grid.size == 0:
        raise TableError(
            "the reference scans of one instrument share no usable wavelength; make a history of each folder"
        )
    on_grid = [np.interp(grid, x, y[keep]) for x, y, keep in zip(seen, light, kept, strict=True)]
    return np.array([float(np.median(values / on_grid[first])) for values in on_grid])
