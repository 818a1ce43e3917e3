"""The one registry of warning codes: what each means, what it does to a decision, and what is said of each fault."""
# Rows stand in `warning_codes.csv` and `fault_words.csv`. A code is added there or nowhere; codes are never renamed,
# because other programs branch on them. The last codes are a line's own: they rest on earlier readings.

from collections.abc import Iterable
from dataclasses import dataclass

from specmatch.wording import rows_beside

# a `hold` code never lets a claim pass, a `rescan` code sends the sample back to be measured again
NOTE, HOLD, RESCAN = "note", "hold", "rescan"
# what a decision is called beside `HOLD` and `RESCAN`
CONSISTENT = "consistent"


@dataclass(frozen=True)
class WarningCode:
    """One code."""

    code: str  # its name, never changed
    effect: str  # what it does to a decision
    sentence: str  # what it means, and what to do


@dataclass(frozen=True)
class FaultWords:
    """What is said of one known fault of a scan; several faults may share a code."""

    name: str  # of the fault in `specmatch.maths.optics.cup`
    code: str  # of `WARNING_CODES`
    phrase: str  # what was found, `{size}` of it
    advice: str  # what to do about it
    alike: str = ""  # what no spectrum can tell it from, added where `{pours}` agree


FAULT_WORDS = {row[0]: FaultWords(*row) for row in rows_beside(__file__, "fault_words.csv")}
WARNING_CODES = {row[0]: WarningCode(*row) for row in rows_beside(__file__, "warning_codes.csv")}


def worst_effect(codes: Iterable[str]) -> str:
    """Return the strongest effect among codes: `"rescan"`, `"hold"`, `"note"`, or `""` for none."""
    effects = {WARNING_CODES[code].effect for code in codes}
    return next((effect for effect in (RESCAN, HOLD, NOTE) if effect in effects), "")
