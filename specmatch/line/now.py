"""How a line stands now: what was decided last, what waits for a person, how old the control is."""

from dataclasses import dataclass
from datetime import UTC, datetime

from specmatch.line.journal.journal import Journal, Record
from specmatch.line.journal.queries import waiting, when
from specmatch.line.journal.schema import UNREPLACED
from specmatch.line.reviews import IN_FORCE
from specmatch.line.rules.controls import CONTROL, CONTROL_HOURS, OUT, control_trouble
from specmatch.line.rules.judging import LEFT_OUT
from specmatch.line.rules.run_rule import DAY_S, READING, RETEST, REVIEW
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN

GOOD, OVERDUE, NONE = "good", "overdue", "none"


@dataclass(frozen=True)
class ControlNow:
    """How the control of a line stands."""

    state: str  # `good`, `overdue`, `control out`, or `none` where the line never had a good one
    sentence: str
    age_h: float | None = None  # of the newest good one
    hours: float = CONTROL_HOURS  # how long a good one vouches for the line


@dataclass(frozen=True)
class LineNow:
    """How a line stands."""

    line: str
    at: str  # when this was asked, ISO 8601
    stops: bool  # whether the run in hand, or the control, asks for something before anything goes on
    sentence: str  # what is the matter, or that nothing is
    last: Record | None  # the newest decision; a hold that nobody settled is displaced by another sample only
    review: Record | None  # of it, where a person made one
    newest: tuple[Record, ...]  # newest first, without those that a later entry replaces
    waiting: tuple[Record, ...]  # see `waiting`
    control: ControlNow
    second_name: bool = False  # whether a review takes a second name


def line_now(journal: Journal, line: str, *, at: datetime | None = None, last: int = 10) -> LineNow:
    """Return how a line stands at a time, by default now."""
    at = at or datetime.now(UTC)
    force = journal.select("kind = ? AND line = ?", (IN_FORCE, line), last=1)
    hours = float(force[0].get("control_hours", CONTROL_HOURS)) if force else CONTROL_HOURS
    control = _control(journal, line, at.timestamp(), hours)
    waits = tuple(row for row in waiting([journal]) if (row["line"] or "") == line)
    kinds = f"kind IN ('{READING}', '{RETEST}', '{CONTROL}', '{LEFT_OUT}', '{REVIEW}')"
    newest = journal.select(f"{kinds} AND line = ? AND entry {UNREPLACED}", (line,), last=last)[::-1]
    decided = journal.select(f"kind IN ('{READING}', '{RETEST}') AND line = ? AND entry {UNREPLACED}", (line,), last=1)
    shown = decided[0] if decided else None
    review = None if shown is None else _review_of(journal, shown)
    own = [] if shown is None else [row for row in waits if _same_run(row, shown)]
    other = next((row for row in newest if _stands_out(row)), None)
    held = shown is not None and shown.get("decision") == HOLD and review is None and bool(own)
    if other is not None and not held and (shown is None or other["entry"] > shown["entry"]):
        shown, review = other, _review_of(journal, other)
    stops, sentence = _state(decided[0] if decided else None, own, control)
    return LineNow(
        line, at.isoformat(timespec="seconds"), stops, sentence, shown, review, tuple(newest), waits, control,
        bool(force and force[0].get("second_name")),
    )  # fmt: skip


def _stands_out(row: Record) -> bool:
    return row["kind"] == LEFT_OUT or (row["kind"] == CONTROL and row.get("decision") in (RESCAN, HOLD))


def _review_of(journal: Journal, row: Record) -> Record | None:
    of = (row["entry"], row.get("concerns") or row["entry"])
    found = journal.select("concerns IN (?, ?) AND kind = ? AND entry > ?", (*of, REVIEW, row["entry"]), last=1)
    return found[0] if found else None


def _same_run(row: Record, other: Record) -> bool:
    mine, its = ((one.get("claimed"), one.get("lot") or "") for one in (row, other))
    return mine == its and (bool(its[1]) or (row.get("sample") == other.get("sample") and _of_one_day(row, other)))


def _of_one_day(row: Record, other: Record) -> bool:
    mine, its = (one.get("measured_at") for one in (row, other))
    if not mine or not its:
        return True
    return abs((datetime.fromisoformat(mine) - datetime.fromisoformat(its)).total_seconds()) <= DAY_S


def _state(last: Record | None, own: list[Record], control: ControlNow) -> tuple[bool, str]:
    if control.state not in (GOOD, NONE):
        return True, f"measure the control first: {control.sentence}"
    if last is None:
        return False, "nothing was decided yet"
    lot = f", lot {last['lot']}" if last.get("lot") else ""
    run = f"{last.get('claimed') or last.get('sample')}{lot}"
    if own:
        return True, f"{run}: {own[-1]['run_state']} since entry {own[-1]['entry']}; {own[-1]['to_do']}"
    return False, f"{run}: nothing stops it"


def _control(journal: Journal, line: str, at_unix: float, hours: float) -> ControlNow:
    good = journal.select(
        f"kind = ? AND line = ? AND decision = ? AND measured_unix <= ? AND entry {UNREPLACED}",
        (CONTROL, line, CONSISTENT, at_unix), last=1,
    )  # fmt: skip
    age_h = (at_unix - when(good[0])) / 3600.0 if good else None
    trouble = control_trouble(journal, line, at_unix, control_hours=hours)
    if trouble is not None:
        return ControlNow("control out" if trouble[0] == OUT else OVERDUE, trouble[1], age_h, hours)
    if age_h is None:
        return ControlNow(NONE, "no good control of this line yet, so none is asked for", None, hours)
    asked = f"{hours:g} h are allowed" if hours > 0 else "none is asked for"
    return ControlNow(GOOD, f"good, {age_h:.1f} h old, {asked}", age_h, hours)
