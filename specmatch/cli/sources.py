"""What `read` and `verify` are pointed at: a measured folder, or one file of reflectance spectra."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.batches import in_colour_unit
from specmatch.errors import ScanFileError, UnitError


@dataclass(frozen=True)
class Source:
    """Spectra (or a session that brings its own scans table) and what could not be used."""

    scans_or_session: Any
    scans: pd.DataFrame | None
    left_out: list[dict[str, Any]]


def load_source(path: str) -> Source:
    """Load a measured folder, or a file of reflectance spectra, each a sample of its own.

    Parameters
    ----------
    path : str

    Returns
    -------
    Source

    Raises
    ------
    UnitError
        If the file holds counts or something else that is no reflectance.
    """
    if not Path(path).is_file():
        from specmatch.measurement.session import measure

        session = measure(path)
        return Source(session, None, session.left_out.to_dict("records"))
    from specmatch.measurement.files import read_scans

    scans = read_scans(path)
    if not scans:
        raise ScanFileError(f"{path} holds no spectrum")
    for scan in scans:
        if scan.quantity != "reflectance":
            raise UnitError(
                f"{path}: scan {scan.scan_id!r} holds {scan.quantity}, and a reading needs reflectance; "
                "put raw counts with their dark and reference scans in a measured folder"
            )
    rows = [pd.Series(scan.values, index=scan.wavelength_nm, name=scan.scan_id) for scan in scans]
    return Source(pd.DataFrame(rows), None, [])


def in_unit(readings: pd.DataFrame, unit: str | None) -> pd.DataFrame:
    """Return readings with their colours in another unit; the readings themselves when it is None or their own.

    Parameters
    ----------
    readings : DataFrame
    unit : {"EBC", "SRM"} or None

    Returns
    -------
    DataFrame
    """
    if unit is None or readings.empty:
        return readings
    shown = readings.copy()
    own = readings["colour_unit"].iloc[0]
    for column in ("colour", "colour_low", "colour_high", "colour_without_fault"):
        shown[column] = in_colour_unit(readings[column].to_numpy(), own, unit)
    shown["colour_unit"] = unit
    return shown
