"""A scan's own time held against the clock of this machine and against the scan before it."""

from typing import Any

from specmatch.line.journal.journal import Journal, Record

DOUBTFUL = "clock_doubtful"
# clocks of two machines agree to a few minutes; farther off, one of them is wrong
CLOCK_SLACK_S = 600.0
# without sessions a scan of another day is of another folder, recorded late, not of a clock set back
DAY_S = 86400.0
# doubtful ones among the last are passed over; so many in a row are a clock that nobody looks after
_LAST = 8


def clock_trouble(journal: Journal, record: Record) -> str | None:
    """Return what is doubtful in the time of a scan that is about to be recorded, or None."""
    at, now = float(record["measured_unix"]), journal.clock().timestamp()
    if at > now + CLOCK_SLACK_S:
        return f"the scan is dated {record['measured_at']}, {_span(at - now)} after the clock of this machine"
    last = _last_before(journal, record, now + CLOCK_SLACK_S)
    if last is None or at >= last[1] - CLOCK_SLACK_S:
        return None
    if not record.get("session") and last[1] - at > DAY_S:
        return None
    return (
        f"the scan is dated {record['measured_at']}, {_span(last[1] - at)} before entry {last[0]} that came before it"
    )


def _last_before(journal: Journal, record: Record, until: float) -> tuple[int, float] | None:
    """The newest sample of the same line, module and session whose time nobody doubted: entry and time."""
    found: list[tuple[Any, ...]] = []
    for kind in ("reading", "retest"):
        found += journal.query(
            "SELECT entry, measured_unix, warnings, json_extract(record, '$.instrument'), "
            "json_extract(record, '$.session') FROM entries WHERE kind = ? AND line = ? AND measured_unix <= ? "
            "ORDER BY measured_unix DESC LIMIT ?",
            (kind, record["line"], until, _LAST if kind == "reading" else 2),
        )
    here = (record.get("instrument") or "", record.get("session") or "")
    fit = [row[:2] for row in found if (row[3] or "", row[4] or "") == here and DOUBTFUL not in (row[2] or "")]
    return max(fit, key=lambda row: row[1], default=None)


def _span(seconds: float) -> str:
    return f"{seconds / 86400:.1f} days" if seconds >= 2 * DAY_S else f"{seconds / 3600:.1f} h"
