"""Retests: what a departure comes to within its run of one beer, one lot, one line.

The first departure asks for another pour. Then all pours since then are judged together, and the run is held if the
departure stands. No pour is left out without a fault of its scan, and the best of several is never taken: a check that
is repeated until it passes lets a wrong beer through. A run that is held stays held until a person reviews it.
"""

from dataclasses import dataclass
from typing import Any

from specmatch.house.decision import CONSISTENT, HOLD
from specmatch.line.journal import Journal, Record
from specmatch.warning_codes import RESCAN, WARNING_CODES

CLEAR, OPEN, HELD = "clear", "open", "held"
READING, RETEST, REVIEW = "reading", "retest", "review"


@dataclass(frozen=True)
class Run:
    """A run and where it stands.

    Attributes
    ----------
    state : str
        `clear`, `open` (a departure waits for its retest) or `held`.
    first : int or None
        Entry of the first departure, unless clear.
    pours : tuple of dict
        Scans kept since then, as `Judged.pours`.
    """

    state: str = CLEAR
    first: int | None = None
    pours: tuple[Record, ...] = ()


@dataclass(frozen=True)
class Judged:
    """One sample, judged on its own, as `HouseModel.verify` does.

    Attributes
    ----------
    reading : dict
        Columns of the reading.
    decision : str or None
        None where nothing was claimed.
    reason, advice : str
    faults : tuple of str
        Codes that ask for a rescan.
    departs : bool
        Whether its pours without a fault depart from the claim.
    pours : dict
        Those scans: `wavelength_nm`, and `scans`: scan id -> `pour`, `reflectance`.
    """

    reading: Record
    decision: str | None
    reason: str
    advice: str
    faults: tuple[str, ...]
    departs: bool
    pours: Record


@dataclass(frozen=True)
class LineDecision:
    """What the line does with a sample.

    Attributes
    ----------
    kind : str
        `reading`, or `retest` where pours were pooled.
    concerns : int or None
        Entry of the first departure that a retest answers.
    reading : dict
        The reading that the decision rests on: pooled in a retest.
    decision, reason, advice : str
    run_state : str
        Of the run after it.
    pours : dict or None
        Scans to be kept for a later retest.
    """

    kind: str
    concerns: int | None
    reading: Record
    decision: str | None
    reason: str
    advice: str
    run_state: str
    pours: Record | None


def find_run(journal: Journal, line: str, claimed: str, lot: str) -> Run:
    """Return where the run of a beer, a lot and a line stands by the journal.

    Parameters
    ----------
    journal : Journal
    line, claimed, lot : str
        "" where not known.

    Returns
    -------
    Run
    """
    key = (line, claimed, lot)
    last = journal.query(
        "SELECT run_state, concerns, entry FROM entries WHERE line = ? AND claimed = ? AND lot = ? "
        "AND run_state IS NOT NULL ORDER BY entry DESC LIMIT 1",
        key,
    )
    if not last or last[0][0] == CLEAR:
        return Run()
    state, concerns, entry = last[0]
    first = entry if concerns is None else concerns
    rows = journal.select("line = ? AND claimed = ? AND lot = ? AND entry >= ?", (*key, first))
    return Run(state, first, tuple(row["pours"] for row in rows if row.get("pours")))


def judge_in_run(run: Run, judged: Judged, pooled: Judged | None, *, control: tuple[str, str] | None) -> LineDecision:
    """Decide on a sample in the light of its run and of the line's control.

    Parameters
    ----------
    run : Run
    judged : Judged
        The sample alone.
    pooled : Judged or None
        All pours since the first departure together, where the run is not clear and a pour has no fault.
    control : (code, sentence) or None
        What is the matter with the control: then nothing is decided until there is a good one.

    Returns
    -------
    LineDecision
    """
    if control is not None:
        code, sentence = control
        reading = _with_codes(judged.reading, code)
        return LineDecision(
            READING, run.first, reading, RESCAN, sentence, "measure the control, then pour again", run.state, None
        )
    kept = judged.pours if judged.pours.get("scans") else None
    if run.state == CLEAR:
        if not judged.departs:
            return LineDecision(
                READING, None, judged.reading, judged.decision, judged.reason, judged.advice, CLEAR, None
            )
        reason = judged.reason if judged.faults else f"{judged.reason}; {WARNING_CODES['first_departure'].sentence}"
        advice = "keep the packages of this run apart and pour again, from a fresh package"
        reading = _with_codes(judged.reading, "first_departure")
        return LineDecision(READING, None, reading, RESCAN, reason, advice, OPEN, kept)
    if judged.faults or pooled is None:
        return LineDecision(READING, run.first, judged.reading, RESCAN, judged.reason, judged.advice, run.state, kept)
    n_pours = pooled.reading["n_pours"]
    if run.state == HELD:
        reason = f"the run is held since entry {run.first}; all {n_pours} pours together: {pooled.reason}"
        advice = "a person reviews the run before anything else happens to it"
        return LineDecision(RETEST, run.first, pooled.reading, HOLD, reason, advice, HELD, kept)
    reason = f"all {n_pours} pours since entry {run.first} together: {pooled.reason}"
    state = HELD if pooled.decision == HOLD else CLEAR if pooled.decision == CONSISTENT else OPEN
    return LineDecision(RETEST, run.first, pooled.reading, pooled.decision, reason, pooled.advice, state, kept)


def _with_codes(reading: Record, *codes: str) -> dict[str, Any]:
    return {**reading, "warnings": [*reading["warnings"], *codes]}
