"""What `read` and `verify` are pointed at: a measured folder, or one file of reflectance spectra."""

from pathlib import Path
from typing import Any

import pandas as pd

from specmatch.batches import in_colour_unit


def load_source(source: str) -> tuple[Any, list[dict[str, Any]]]:
    """Return the session of a measured folder, or the spectra of a file of reflectance, and what could not be used."""
    from specmatch.line.scan_folder import bare_spectra, measure_source

    if Path(source).is_file():
        return bare_spectra(Path(source)), []
    session = measure_source(source).session
    return session, session.left_out.to_dict("records")


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
