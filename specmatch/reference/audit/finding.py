"""One finding of an audit, and the table of them, worst first."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass

import pandas as pd

from specmatch.reference.audit.remedies import remedy_of

# From what makes a set wrong to what only makes it thin; findings of one code stand by their size.
CODES = (
    "mislabelled",
    "unit_doubtful",
    "swapped_lab_values",
    "lab_bias",
    "lab_value",
    "duplicate_scans",
    "odd_pour",
    "drifted_reference",
    "recipe_change",
    "two_clusters",
    "mixed_conditions",
    "few_sessions",
    "missing_lab",
    "thin_beer",
    "colour_gap",
)
LEVELS = ("scan", "pour", "sample", "batch", "beer", "session", "set")
FINDING_COLUMNS = ("code", "level", "subject", "size", "sentence", "action", "suggestion", "finding", "python")


@dataclass(frozen=True)
class Finding:
    """What an audit found."""

    code: str  # code, level: from `CODES` and `LEVELS`
    level: str
    subject: str  # name of the scan, pour, sample, batch, beer, session or set
    size: float  # how large, in the unit that the sentence names
    sentence: str  # the evidence
    action: str  # what to do
    suggestion: str = ""  # what the set should say instead, where the audit can tell: a beer, a batch, a scan, a colour

    @property
    def name(self) -> str:
        """Return the name by which it is known for as long as the set lives."""
        return f"{self.code}:{self.subject}"


def findings_table(findings: Iterable[Finding], scans: pd.DataFrame, batches: pd.DataFrame) -> pd.DataFrame:
    """Return findings as a table, worst first, each with its lasting name and what carries out its advice."""
    ranked = sorted(findings, key=lambda finding: (CODES.index(finding.code), -finding.size, finding.subject))
    rows = []
    for finding in ranked:
        remedy = remedy_of(finding.code, finding.level, finding.subject, finding.suggestion, scans, batches)
        rows.append({**asdict(finding), "finding": finding.name, "python": remedy.python(finding.name)})
    table = pd.DataFrame(rows, columns=list(FINDING_COLUMNS))
    return table.astype({name: object for name in FINDING_COLUMNS if name != "size"} | {"size": float})
