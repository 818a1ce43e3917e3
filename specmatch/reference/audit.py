"""Judge a reference set before anything is fitted on it: ranked findings with evidence and a suggested action."""

import pandas as pd

from specmatch.reference.audit_pours import duplicate_findings, odd_pour_findings
from specmatch.reference.audit_records import record_findings
from specmatch.reference.finding import findings_table
from specmatch.reference.pours import pours_of


def audit_tables(
    spectra: pd.DataFrame,
    scans: pd.DataFrame,
    batches: pd.DataFrame,
    *,
    colour_unit: str = "EBC",
    band_nm: tuple[float, float] | None = None,
) -> pd.DataFrame:
    """Return what is wrong, doubtful or thin in a reference set.

    Parameters
    ----------
    spectra, scans, batches : DataFrame
        Tables of a reference set.
    colour_unit : {"EBC", "SRM"}
    band_nm : tuple of float, optional
        The recorded usable band.

    Returns
    -------
    DataFrame
        Findings, worst first: `code, level, subject, size, sentence, action, suggestion`.
    """
    findings = [*record_findings(scans, batches, colour_unit), *duplicate_findings(spectra, scans)]
    pours = pours_of(spectra, scans, batches, band_nm)
    findings += odd_pour_findings(pours)
    return findings_table(findings)
