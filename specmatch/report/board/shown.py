"""What the board shows of a line as it stands: texts that are safe to show, cut where they would push others out."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from specmatch.line.journal.journal import Record
from specmatch.line.journal.queries import when
from specmatch.line.now import GOOD, NONE, LineNow
from specmatch.line.reviews import OUTCOMES
from specmatch.report.entry_text import decision_word, short_time, shown_colour, subject
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN
from specmatch.wording import printable

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
    """Return a name with what would steer a screen spelled out, cut with the number of its letters where it is long."""
    return _cut(value, LONGEST_NAME)


def sentence(value: object) -> str:
    """Return a sentence likewise, with a capital."""
    said = _cut(value, LONGEST_SENTENCE)
    return said[:1].upper() + said[1:]


def _cut(value: object, longest: int) -> str:
    text = "" if value is None else " ".join(str(value).split())
    if len(text) > longest:
        text = f"{text[:longest]}\u2026 ({len(text)} letters)"
    return printable(text)


def _headline(now: LineNow, at: datetime, control: bool) -> dict[str, Any]:
    row = now.last
    held = row is not None and row.get("decision") == HOLD and now.review is None
    if control and not held:
        word = "Control out" if now.control.state == "control out" else "Control due"
        return {
            "kind": RESCAN, "word": word, "beer": "", "lot": "", "colour": "", "time": "", "age_s": None, "entry": None,
            "to_do": sentence(_CONTROL_FIRST), "why": sentence(now.control.sentence), "review": "",
        }  # fmt: skip
    if row is None:
        return {
            "kind": NOTHING, "word": _WORDS[NOTHING], "beer": "", "lot": "", "colour": "", "time": "", "age_s": None,
            "entry": None, "to_do": "The first decision will stand here", "why": "", "review": "",
        }  # fmt: skip
    kind = _kind(row)
    reading = row["kind"] in ("reading", "retest")
    reviewed = "" if now.review is None else f"{now.review.get('outcome') or 'seen'} ({_time(now.review, at)})"
    to_do = row.get("advice") or ("mend the file or its row in the sheet" if kind == LEFT_OUT else "")
    return {
        "kind": kind,
        "word": _WORDS[kind] if row["kind"] != "control" else "Control out",
        "beer": name(row.get("claimed") or ("no claim" if reading else subject(row))),
        "lot": name(row.get("lot") or (row.get("sample") if reading else "")),
        "colour": name(shown_colour(row)) if reading else "",
        "time": _time(row, at),
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
        "what": _cut(subject(row, names=names), 2 * LONGEST_NAME),
        "time": _time(row, at),
    }


def _waits(row: Mapping[str, Any], at: datetime) -> dict[str, Any]:
    lot = f"lot {row['lot']}" if row["lot"] else row["sample"]
    return {
        "entry": row["entry"],
        "state": row["run_state"],
        "what": _cut(", ".join(part for part in (row["claimed"], lot) if part) or "control", 2 * LONGEST_NAME),
        "to_do": _cut(row["to_do"], LONGEST_SENTENCE),
        "time": _time(row, at) if row["measured_at"] else "",
    }


def _time(row: Mapping[str, Any], at: datetime) -> str:
    return short_time(dict(row), now=at)
