"""Dates of edits and of scans: read one way only, kept as ISO 8601, compared as dates."""

import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import date, datetime, time

import numpy as np

from specmatch.array_types import Mask
from specmatch.errors import OptionError, ReferenceSetError
from specmatch.measurement.folder.dates import date_readings

_YEAR = re.compile(r"\d{4}")  # a year of two digits leaves room for doubt
_REDUCED = re.compile(r"\d{4}(?:-\d{2})?\Z")


def iso_date(said: object, what: str = "when") -> str:
    """Return a date or time as ISO 8601; a day before a month is read where only one way is a date, or dots say so."""
    if isinstance(said, datetime) and said.tzinfo is None and said.time() == time():
        said = said.date()  # a day as pandas keeps it
    text = said.isoformat() if isinstance(said, date) else str(said).strip()
    if not text:
        return ""
    for kind in (date, datetime):
        with suppress(ValueError):
            return kind.fromisoformat(text).isoformat()
    found = date_readings(text) if _YEAR.search(text) else []
    if "." in text.split()[0]:  # dots stand behind a day
        found = [reading for reading in found if reading[0] != "mdy"]
    days = list(dict.fromkeys(when.date().isoformat() for _, when, _ in found))
    if not days:
        raise OptionError(f"{what} is {text!r}, which is no date; write it as 2026-01-31")
    if len(days) > 1:
        raise OptionError(f"{what} is {text!r}, which may be {' or '.join(days)}; write the one that is meant")
    _, when, timed = found[0]
    return when.isoformat() if timed else days[0]


def not_before(times: Sequence[str], bound: object, what: str) -> Mask:
    """Say which times lie at or after a bound: a day is compared with the day on record, a time with the moment."""
    # -> (n,)
    if _REDUCED.match(str(bound).strip()):
        bound = f"{str(bound).strip()}-01-01"[:10]
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
