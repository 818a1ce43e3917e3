"""Retests: what a departure comes to within its run of one beer, one lot, one line."""
# The first departure asks for another pour. Then all pours of the run are judged together, and the run is held if the
# departure stands. No pour is left out without a fault of its scan, and the best of several is never taken: a check
# that is repeated until it passes lets a wrong beer through. A beer that changed in the middle of a run is not excused
# by how the run began: the pours since the departure are judged on their own as well, at a tenth of the rate, and a
# third departure is a hold. A run that is held stays held until a person reviews it. A sample whose lot nobody stated
# is a run of its own. `maths.classification.evidence.SequentialRule` decides; what is here finds and keeps the run that
# it is asked of.

import json
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any
from unicodedata import normalize

from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.schema import UNREPLACED, record_text
from specmatch.maths.classification.evidence import SequentialRule
from specmatch.storage import sha256_of
from specmatch.warning_codes import HOLD, RESCAN, WARNING_CODES
from specmatch.wording import counted

# so long a sample whose lot nobody stated may be poured again under its own name; later the name is another sample's
DAY_S = 86400.0
CLEAR, OPEN, HELD = "clear", "open", "held"
READING, RETEST, REVIEW = "reading", "retest", "review"


@dataclass(frozen=True)
class Run:
    """A run and where it stands."""

    state: str = CLEAR  # `clear`, `open` (a departure waits for its retest) or `held`
    first: int | None = None  # entry of the departure that waits, unless clear
    departures: int = 0  # first departures since the run began or was reviewed
    # what was kept of its samples, where it waits: `entry`, and the mean of pours as in `Judged.kept`
    parts: tuple[Record, ...] = ()
    override: int | None = None  # entry of a review that was made before anything departed, if the last one was


@dataclass(frozen=True)
class Judged:
    """One sample, or the pours of a run together, judged as `HouseModel.verify` does."""

    reading: Record  # columns of the reading
    decision: str | None  # none where nothing was claimed
    reason: str
    advice: str
    faults: tuple[str, ...]  # codes that ask for a rescan
    departs: bool  # whether its pours without a fault depart from the claim
    kept: Record  # their mean: `wavelength_nm`, `reflectance`, `n_pours`; empty where there is none
    stops: bool = False  # whether it is held by itself, whatever its run: claim unknown, or a code that holds


@dataclass(frozen=True)
class Pooled:
    """A run judged for a retest."""

    whole: Judged  # all its pours together
    since_p_value: float  # how typical the pours since the departure are of the claim, on their own
    since_pours: int
    rate: float  # the stated false-reject rate


@dataclass(frozen=True)
class LineDecision:
    """What the line does with a sample."""

    kind: str  # `reading`, or `retest` where pours were pooled
    concerns: int | None  # entry of the first departure that a retest answers
    reading: Record  # the reading that the decision rests on: pooled in a retest
    decision: str | None
    reason: str
    advice: str
    run_state: str  # of the run after it
    overridden: bool = False  # whether a review before the fact kept it from stopping its run


def find_run(
    journal: Journal, line: str, claimed: str, lot: str, sample: str = "", *, at: float | None = None,
    without: Collection[int] = (),
) -> Run:  # fmt: skip
    """Return where the run of a beer, a lot and a line stands by the journal."""
    # sample: where no lot is stated the sample is the run. without: entries that are about to be replaced
    # at: seconds since 1970 when that sample was measured
    of_run, key = _where(line, claimed, lot, sample)
    rows = journal.query(
        f"SELECT entry, kind, run_state, concerns, measured_unix FROM entries WHERE {of_run} AND run_state IS NOT NULL "
        f"AND entry {UNREPLACED} ORDER BY entry DESC LIMIT 1000",
        key,
    )
    rows = [row for row in rows if row[0] not in without]
    if not lot and at is not None:
        # a house that counts its samples anew each day bears no departure from one day to the next
        near = {row[0] for row in rows if row[4] is not None and abs(row[4] - at) <= DAY_S}
        # what has no time, a review, goes with the departure that it concerns
        rows = [row for row in rows if row[0] in near or row[3] in near]
    reviewed = next((place for place, row in enumerate(rows) if row[1] == REVIEW), len(rows))
    before = rows[reviewed] if reviewed < len(rows) else None
    override = before[0] if before is not None and before[3] is None else None
    rows = rows[:reviewed][::-1]
    if not rows:
        return Run(override=override)
    departures = sum(state != CLEAR and concerns is None for _, _, state, concerns, _ in rows)
    entry, _, state, concerns, _ = rows[-1]
    if state == CLEAR:
        return Run(departures=departures, override=override)
    first = entry if concerns is None else concerns
    whole = journal.select(f"{of_run} AND entry >= ? AND entry {UNREPLACED}", (*key, rows[0][0]))
    parts = tuple(
        {"entry": row["entry"], **with_grid(journal, row["kept"])}
        for row in whole
        if row.get("kept") and any(row["entry"] == one[0] for one in rows)
    )
    return Run(state, first, departures, parts, override)


def newest_review(journal: Journal, *concerns: int | None) -> Record | None:
    """Return the newest review of an entry, or of the run that it is of; one before it was corrected by it."""
    found = [row for entry in {*concerns} for row in journal.select("concerns = ? AND kind = ?", (entry, REVIEW))]
    return max(found, key=lambda row: int(row["entry"]), default=None)


def _where(line: str, claimed: str, lot: str, sample: str) -> tuple[str, tuple[str, ...]]:
    of_beer = "line = ? AND claimed IN (?, ?, ?)"
    if lot:
        return f"{of_beer} AND lot IN (?, ?, ?)", (line, *_forms(claimed), *_forms(lot))
    own = f"SELECT entry FROM entries WHERE {of_beer} AND lot = '' AND sample IN (?, ?, ?)"
    # what was recorded of it under other names (a retest by pours of another sample, a review) points at it
    said = f"entry IN ({own} UNION SELECT entry FROM entries WHERE concerns IN ({own}))"
    return said, (line, *_forms(claimed), *_forms(sample)) * 2


def _forms(name: str) -> tuple[str, str, str]:
    """Return the ways in which a journal may hold a name: entries of before have accents as their sheet had them."""
    return name, normalize("NFC", name), normalize("NFD", name)


def without_grid(kept: Record) -> tuple[Record, tuple[str, str, str]]:
    """Return a kept mean that names its wavelengths by their hash, and the document that holds them once for all."""
    text = record_text({"wavelength_nm": kept["wavelength_nm"]})
    name = sha256_of(text.encode())
    rest = {key: value for key, value in kept.items() if key != "wavelength_nm"}
    return {"wavelengths": name, **rest}, (name, "wavelengths", text)


def with_grid(journal: Journal, kept: Record) -> Record:
    """Return a kept mean from `without_grid` with its wavelengths again."""
    return {**kept, **json.loads(journal.document(kept["wavelengths"]))}


def judge_in_run(run: Run, judged: Judged, pooled: Pooled | None, *, control: tuple[str, str] | None) -> LineDecision:
    """Decide on a sample in the light of its run and of the line's control."""
    # pooled: the run with this sample, where it is open and no scan of the sample has a fault
    got = _judged_in_run(run, judged, pooled, control)
    if run.override is None or got.run_state == CLEAR:
        return got
    # a person answered for this run before anything departed: the departure stands in the record and stops nothing
    said = f"{got.reason}; released before the fact, see entry {run.override}"
    return replace(got, decision=HOLD, reason=said, advice="do as the review says", run_state=CLEAR, overridden=True)


def _judged_in_run(run: Run, judged: Judged, pooled: Pooled | None, control: tuple[str, str] | None) -> LineDecision:
    alone = judged.reading
    if judged.stops and run.state != HELD:
        return LineDecision(READING, run.first, alone, HOLD, judged.reason, judged.advice, run.state)
    if control is not None:
        code, said = control
        reading, advice = _with_codes(alone, code), "measure the control, then pour again"
        return LineDecision(READING, run.first, reading, RESCAN, said, advice, run.state)
    if run.state == HELD:
        said = f"the run is held since entry {run.first}; this sample alone: {judged.reason}"
        return LineDecision(RETEST, run.first, alone, HOLD, said, REVIEW_FIRST, HELD)
    if run.state == CLEAR:
        return _in_clear_run(run, judged)
    if judged.faults or pooled is None:
        return LineDecision(READING, run.first, alone, RESCAN, judged.reason, judged.advice, OPEN)
    whole = pooled.whole
    said = f"all {whole.reading['n_pours']} pours of the run together: {whole.reason}"
    rule, departs = SequentialRule(pooled.rate), whole.decision == HOLD
    since = pooled.since_p_value
    changed = since <= rule.since_share * rule.wrong_hold
    held = rule.after(departs=departs, changed=changed, waiting=True) == HOLD
    if held and not departs:
        said += (
            f"; but the {counted(pooled.since_pours, 'pour')} since entry {run.first} alone "
            f"{'is' if pooled.since_pours == 1 else 'are'} not (p = {since:.2g}): the beer changed in the "
            "middle of the run"
        )
        return LineDecision(RETEST, run.first, whole.reading, HOLD, said, REVIEW_FIRST, HELD)
    state = HELD if held else CLEAR
    advice = REVIEW_FIRST if held else whole.advice  # nothing that is poured settles a run that is held
    return LineDecision(RETEST, run.first, whole.reading, whole.decision, said, advice, state)


REVIEW_FIRST = "keep the packages; a person reviews the run before anything else happens to it"


def _in_clear_run(run: Run, judged: Judged) -> LineDecision:
    if not judged.departs:
        return LineDecision(READING, None, judged.reading, judged.decision, judged.reason, judged.advice, CLEAR)
    reading = _with_codes(judged.reading, "first_departure")
    if SequentialRule().after(departs=True, departures=run.departures) == HOLD and not judged.faults:
        said = f"{judged.reason}; departure number {run.departures + 1} of this run, no more retests"
        return LineDecision(READING, None, judged.reading, HOLD, said, REVIEW_FIRST, HELD)
    said = judged.reason if judged.faults else f"{judged.reason}; {WARNING_CODES['first_departure'].sentence}"
    advice = "keep the packages of this run apart and pour again, from a fresh package"
    return LineDecision(READING, None, reading, RESCAN, said, advice, OPEN)


def _with_codes(reading: Record, *codes: str) -> dict[str, Any]:
    return {**reading, "warnings": [*reading["warnings"], *codes]}
