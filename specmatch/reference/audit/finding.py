"""One finding of an audit, and the table of them, worst first."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from specmatch.reference.audit.remedies import remedy_of
from specmatch.wording import rows_beside

# Each kind of finding: its code, level, evidence and advice; codes stand from what makes a set wrong to what only makes
# it thin, and findings of one code by their size.
_KINDS = {kind: told for kind, *told in rows_beside(__file__, "findings.csv")}
CODES = tuple(dict.fromkeys(code for code, *_ in _KINDS.values()))
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


def found(kind: str, subject: str, size: float, suggestion: str = "", **said: Any) -> Finding:
    """Return a finding of a kind of findings.csv, its words filled with what is said."""
    code, level, sentence, action = _KINDS[kind]
    return Finding(code, level, subject, size, sentence.format(**said), action.format(**said), suggestion)


def findings_table(findings: Iterable[Finding], scans: pd.DataFrame, batches: pd.DataFrame) -> pd.DataFrame:
    """Return findings as a table, worst first, each with its lasting name and what carries out its advice."""
    ranked = sorted(findings, key=lambda finding: (CODES.index(finding.code), -finding.size, finding.subject))
    rows = []
    for finding in ranked:
        remedy = remedy_of(finding.code, finding.level, finding.subject, finding.suggestion, scans, batches)
        rows.append({**asdict(finding), "finding": finding.name, "python": remedy.python(finding.name)})
    table = pd.DataFrame(rows, columns=list(FINDING_COLUMNS))
    return table.astype({name: object for name in FINDING_COLUMNS if name != "size"} | {"size": float})
