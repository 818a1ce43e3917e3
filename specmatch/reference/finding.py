"""One finding of an audit, and the table of them, worst first."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass

import pandas as pd

# From what makes a set wrong to what only makes it thin; findings of one code stand by their size.
CODES = (
    "mislabelled",
    "swapped_lab_values",
    "lab_value",
    "duplicate_scans",
    "odd_pour",
    "drifted_reference",
    "recipe_change",
    "two_clusters",
    "mixed_conditions",
    "missing_lab",
    "thin_beer",
    "colour_gap",
)
LEVELS = ("scan", "pour", "sample", "batch", "beer", "session", "set")
FINDING_COLUMNS = ("code", "level", "subject", "size", "sentence", "action", "suggestion")


@dataclass(frozen=True)
class Finding:
    """What an audit found.

    Attributes
    ----------
    code, level : str
        From `CODES` and `LEVELS`.
    subject : str
        Name of the scan, pour, sample, batch, beer, session or set.
    size : float
        How large, in the unit that the sentence names.
    sentence : str
        The evidence.
    action : str
        What to do.
    suggestion : str
        What the set should say instead, where the audit can tell: a beer, a batch, a scan, a colour.
    """

    code: str
    level: str
    subject: str
    size: float
    sentence: str
    action: str
    suggestion: str = ""


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return findings as a table, worst first.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    DataFrame
        Columns `code, level, subject, size, sentence, action, suggestion`.

    Examples
    --------
    >>> rows = [Finding("thin_beer", "beer", "Pale", 2.0, "", ""), Finding("odd_pour", "pour", "p1", 0.1, "", "")]
    >>> findings_table(rows)["code"].tolist()
    ['odd_pour', 'thin_beer']
    """
    ranked = sorted(findings, key=lambda finding: (CODES.index(finding.code), -finding.size, finding.subject))
    table = pd.DataFrame([asdict(finding) for finding in ranked], columns=list(FINDING_COLUMNS))
    return table.astype({name: object for name in FINDING_COLUMNS if name != "size"} | {"size": float})
