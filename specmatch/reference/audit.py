"""Judge a reference set before anything is fitted on it."""

import pandas as pd

FINDING_COLUMNS = ("code", "level", "subject", "size", "sentence", "action", "suggestion")


def audit_tables(
    spectra: pd.DataFrame,
    scans: pd.DataFrame,
    batches: pd.DataFrame,
    *,
    colour_unit: str = "EBC",
    band_nm: tuple[float, float] | None = None,
) -> pd.DataFrame:
    return pd.DataFrame(columns=list(FINDING_COLUMNS))
