"""What the board shows of a line as it stands: texts that are safe to show, cut where they would push others out."""

from datetime import datetime
from typing import Any

from specmatch.line.journal.journal import Record
from specmatch.line.journal.queries import when
from specmatch.line.now import GOOD, NONE, LineNow
from specmatch.line.reviews import OUTCOMES
from specmatch.report.entry_text import decision_word, short_time, shown_colour, subject, whose
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN
from specmatch.wording import cut, cut_sentence, printable

# letters of a name, and of a sentence, that a board has room for; the record holds the rest
LONGEST_NAME, LONGEST_SENTENCE = 48, 220
MOST_WAITING = 8
READING_ONLY, LEFT_OUT, NOTHING = "reading", "left_out", "nothing"
_WORDS = {
    CONSISTENT: "Consistent", HOLD: "Hold", RESCAN: "Rescan", READING_ONLY: "Reading only", LEFT_OUT: "Not judged",
    NOTHING: "Nothing yet",
}  # fmt: skip
_CONTROL_FIRST = "measure the control before anything else"


def board_shown(now: LineNow, *, names: bool = False, writes: bool = False) -> dict[str, Any]:
    """Return what a board shows, as one JSON object."""
    # names: of people too. writes: whether a review can be written
    at = datetime.fromisoformat(now.at)
    control = now.control.state not in (GOOD, NONE)
    headline = _headline(now, at, control)
    contradicts = now.stops and not control and headline["kind"] in (CONSISTENT, READING_ONLY)
    return {
        "line": name(now.line),
        "headline": headline,
        "stops": sentence(now.sentence) if contradicts else "",
        "state": sentence(now.sentence),
        "control": {"state": now.control.state, "sentence": sentence(now.control.sentence)},
        "newest": [_listed(row, at, names) for row in now.newest],
        "waiting": [_waits(row, at) for row in now.waiting[-MOST_WAITING:][::-1]],
        "n_waiting": len(now.waiting),
        "review": {"outcomes": list(OUTCOMES), "second": now.second_name} if writes else None,
    }


def name(value: object) -> str:
    """Return a name with what would steer a screen spelled out, cut where it is long."""
    return printable(cut(value, LONGEST_NAME))


def sentence(value: object) -> str:
    """Return a sentence likewise, with a capital."""
    return printable(cut_sentence(value, LONGEST_SENTENCE))


_NO_ROW = {"beer": "", "lot": "", "colour": "", "time": "", "age_s": None, "entry": None, "review": ""}


def _headline(now: LineNow, at: datetime, control: bool) -> dict[str, Any]:
    row = now.last
    held = row is not None and row.get("decision") == HOLD and now.review is None
    if control and not held:
        word = "Control out" if now.control.state == "control out" else "Control due"
        said = {"to_do": sentence(_CONTROL_FIRST), "why": sentence(now.control.sentence)}
        return {**_NO_ROW, "kind": RESCAN, "word": word, **said}
    if row is None:
        said = {"to_do": "The first decision will stand here", "why": ""}
        return {**_NO_ROW, "kind": NOTHING, "word": _WORDS[NOTHING], **said}
    kind = _kind(row)
    reading = row["kind"] in ("reading", "retest")
    reviewed = "" if now.review is None else f"{now.review.get('outcome') or 'seen'} ({short_time(now.review, now=at)})"
    to_do = row.get("advice") or ("mend the file or its row in the sheet" if kind == LEFT_OUT else "")
    return {
        "kind": kind,
        "word": _WORDS[kind] if row["kind"] != "control" else "Control out",
        "beer": name(row.get("claimed") or ("no claim" if reading else subject(row))),
        "lot": name(row.get("lot") or (row.get("sample") if reading else "")),
        "colour": name(shown_colour(row)) if reading else "",
        "time": short_time(row, now=at),
        "age_s": at.timestamp() - when(row),
        "entry": row["entry"],
        "to_do": f"Reviewed: {reviewed}" if reviewed else sentence(to_do),
        "why": sentence(row.get("reason")),
        "review": reviewed,
    }


def _kind(row: Record) -> str:
    if row["kind"] == "left_out":
        return LEFT_OUT
    return str(row.get("decision") or READING_ONLY)


def _listed(row: Record, at: datetime, names: bool) -> dict[str, Any]:
    return {
        "entry": row["entry"],
        "kind": _kind(row) if row["kind"] in ("reading", "retest", "left_out", "control") else row["kind"],
        "word": decision_word(row),
        "what": printable(cut(subject(row, names=names), 2 * LONGEST_NAME)),
        "time": short_time(row, now=at),
    }


def _waits(row: Record, at: datetime) -> dict[str, Any]:
    return {
        "entry": row["entry"],
        "state": row["run_state"],
        "what": printable(cut(whose(row), 2 * LONGEST_NAME)),
        "to_do": printable(cut(row["to_do"], LONGEST_SENTENCE)),
        "time": short_time(row, now=at) if row["measured_at"] else "",
    }
