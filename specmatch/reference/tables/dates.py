"""Dates of edits and of scans: read one way only, kept as ISO 8601, compared as dates."""

import re
from collections.abc import Sequence
from datetime import date, datetime

import numpy as np

from specmatch.array_types import Mask
from specmatch.errors import OptionError, ReferenceSetError

_YEAR_LAST = re.compile(r"(\d{1,2})([./-])\s?(\d{1,2})\2\s?(\d{4})(?:[ T,]+(\d{1,2}:\d{2}(?::\d{2})?))?\Z")
_YEAR_FIRST = re.compile(r"(\d{4})[./](\d{1,2})[./](\d{1,2})\Z")
_REDUCED = re.compile(r"\d{4}(?:-\d{2})?\Z")


def iso_date(text: str, what: str = "when") -> str:
    """Return a date or time as ISO 8601; a day before a month is read where only one way is a date, or dots say so."""
    text = text.strip()
    if not text:
        return ""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(text).isoformat()
    except ValueError:
        pass
    if match := _YEAR_FIRST.match(text):
        return _made(text, what, *(int(part) for part in match.groups()))
    if (match := _YEAR_LAST.match(text)) is None:
        raise OptionError(f"{what} is {text!r}, which is no date; write it as 2026-01-31")
    first, mark, second, year, time = match.groups()
    one, two = int(first), int(second)
    if mark != "." and one != two and one <= 12 and two <= 12:
        raise OptionError(
            f"{what} is {text!r}, which may be {year}-{two:02d}-{one:02d} or {year}-{one:02d}-{two:02d}; "
            "write the one that is meant"
        )
    day, month = (two, one) if mark != "." and two > 12 else (one, two)
    made = _made(text, what, int(year), month, day)
    return f"{made}T{datetime.strptime(time, '%H:%M:%S' if time.count(':') == 2 else '%H:%M').time()}" if time else made


def _made(text: str, what: str, year: int, month: int, day: int) -> str:
    try:
        return date(year, month, day).isoformat()
    except ValueError:
        raise OptionError(f"{what} is {text!r}, which is no date; write it as 2026-01-31") from None


def not_before(times: Sequence[str], bound: str, what: str) -> Mask:
    """Say which times lie at or after a bound: a day is compared with the day on record, a time with the moment."""
    # -> (n,)
    if _REDUCED.match(bound.strip()):
        bound = f"{bound.strip()}-01-01"[:10]
    limit = iso_date(bound, what)
    unique = dict.fromkeys(times)
    later: dict[str, bool] = {}
    for text in unique:
        try:
            known = iso_date(text, "measured_at")
        except OptionError as error:
            raise ReferenceSetError(f"{error}; until then the set cannot be selected by date") from None
        later[text] = (
            known[:10] >= limit if len(limit) == 10 else _moment(known, limit) >= datetime.fromisoformat(limit)
        )
    return np.array([later[text] for text in times], dtype=bool)


def _moment(known: str, limit: str) -> datetime:
    moment, bound = datetime.fromisoformat(known), datetime.fromisoformat(limit)
    if (moment.tzinfo is None) != (bound.tzinfo is None):
        raise OptionError(
            f"{known!r} and {limit!r} cannot be compared: one has an offset from UTC and the other has none; give both "
            "one, or select by day"
        )
    return moment
