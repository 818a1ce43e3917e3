"""Dates as people type them: read where they can be read one way only, else listed with both readings."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time

from specmatch.errors import DateOrderError, DoubtfulDate, OptionError, SheetError

DATE_ORDERS = ("dmy", "mdy", "ymd")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d{1,9})?)?\s?(Z|[+-]\d{2}:?\d{2})?)?\Z")
# the same without marks, as in names of files
_BASIC = re.compile(r"(\d{4})(\d{2})(\d{2})(?:[T _-]?(\d{2}:?\d{2}(?::?\d{2})?))?\Z")
_NUMERIC = re.compile(r"(\d{1,4})([./-])\s?(\d{1,2})\2\s?(\d{1,4})\.?(?:,?[ T]+(.*))?\Z")
_NAMED = re.compile(
    r"(?:(?P<day>\d{1,2})\.?[ -]*(?P<month>[^\W\d_]{3,9})\.?|(?P<first>[^\W\d_]{3,9})\.?[ -]*(?P<second>\d{1,2}),?)"
    r"[ -]+(?P<year>\d{4}|(?<=-)\d{2})(?:,?[ T]+(?P<rest>.*))?\Z"
)
_CLOCK = re.compile(
    r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2})(?:[.,]\d{1,9})?)?\s?([ap]m)?\s?(?:uhr)?\s?(Z|[+-]\d{2}:?\d{2})?\Z",
    re.IGNORECASE,
)
# of a date that begins with one, in English, German or French
_WEEKDAY = re.compile(
    r"(?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so|lun|mar|mer|jeu|ven|sam|dim)[a-z]{0,7}\.?,?\s+(?=\d)", re.I
)
# English, and where they differ German, French, Spanish, Dutch and Italian
_MONTHS = (
    ("jan", "ene", "gen"), ("feb", "fev", "f\u00e9v"), ("mar", "m\u00e4r", "mrt"), ("apr", "avr", "abr"),
    ("may", "mai", "mei", "mag"), ("jun", "juin", "giu"), ("jul", "juil", "lug"), ("aug", "ao\u00fb", "ago"),
    ("sep", "set"), ("oct", "okt", "ott"), ("nov",), ("dec", "dez", "d\u00e9c", "dic"),
)  # fmt: skip
_MONTH = {start: number for number, starts in enumerate(_MONTHS, 1) for start in starts}
_YEARS = (1990, 2100)


@dataclass(frozen=True)
class Dates:
    """A column of dates, as far as it could be read."""

    times: list[datetime | None]  # a day without a time stands at noon, the least far from any hour of it
    text: list[str]  # ISO 8601, a day as a day; "" where blank
    doubtful: list[DoubtfulDate]  # cells that can be read in two ways
    notes: list[str]


def read_dates(
    cells: Sequence[str], lines: Sequence[int], column: str, *, name: str, date_order: str | None = None
) -> Dates:
    """Read a column of dates or times; what can be read in two ways is listed, what is none is refused."""
    # a column has one order: cells that can be read one way only settle the others
    if date_order is not None and date_order not in DATE_ORDERS:
        raise OptionError(f"date_order is {date_order!r}; use one of {', '.join(DATE_ORDERS)}")
    if date_order is None:
        date_order = _certain_order(cells)
    times: list[datetime | None] = []
    text: list[str] = []
    doubtful: list[DoubtfulDate] = []
    orders: dict[str, int] = {}
    seen: dict[str, list[tuple[str, datetime, bool]]] = {}
    for line, cell in zip(lines, cells, strict=True):
        if cell not in seen:
            seen[cell] = date_readings(cell)
        found = seen[cell]
        if cell and not found:
            raise SheetError(
                f"{name}, line {line}, column {column}: {cell!r} is no date; write 2024-03-12 for a day, "
                "2024-03-12T08:30:00+01:00 for a time"
            )
        if date_order is not None and found and found[0][0] not in ("iso", "named"):
            fitting = [reading for reading in found if reading[0] == date_order]
            if not fitting:
                raise SheetError(
                    f"{name}, line {line}, column {column}: {cell!r} is no date in the order {date_order}; correct "
                    "the cell, or the order"
                )
            found = fitting
        days = {reading[1] for reading in found}
        if len(days) > 1:
            doubtful.append(DoubtfulDate(name, line, column, cell, tuple(sorted({d.date().isoformat() for d in days}))))
        elif len(found) == 1 and found[0][0] in DATE_ORDERS:
            orders.setdefault(found[0][0], line)
        alone = found[0] if len(days) == 1 else None
        times.append(None if alone is None else alone[1])
        text.append("" if alone is None else _as_iso(cell, alone))
    if len(orders) > 1:
        (one, first), (other, second) = list(orders.items())[:2]
        raise SheetError(
            f"{name}, column {column}: line {first} can only be {one} and line {second} only {other}; a column has one "
            "order of day, month and year: write the dates as 2024-03-12"
        )
    _one_kind_of_offset(times, lines, column, name)
    notes = [f"{name}, column {column}: dates are read in the order {order}" for order in orders if not doubtful]
    return Dates(times, text, doubtful, notes)


def _certain_order(cells: Sequence[str]) -> str | None:
    """Return the order of day, month and year in which alone some cells of a column can be read, if that is one."""
    readings = [date_readings(cell) for cell in dict.fromkeys(cells)]
    orders = {found[0][0] for found in readings if len(found) == 1} & {*DATE_ORDERS}
    fits = [order for order in orders if all(_fits(found, order) for found in readings)]
    return fits[0] if len(orders) == 1 and fits else None


def _fits(found: Sequence[tuple[str, datetime, bool]], order: str) -> bool:
    orders = {reading[0] for reading in found}
    return not orders & {*DATE_ORDERS} or order in orders


@contextmanager
def one_refusal() -> Iterator[list[DoubtfulDate]]:
    """Gather the doubtful dates of several columns and sheets while the block runs, and refuse all in one message."""
    doubtful: list[DoubtfulDate] = []
    yield doubtful
    if doubtful:
        raise DateOrderError(cells=tuple(doubtful))


def date_readings(cell: str) -> list[tuple[str, datetime, bool]]:
    """Return every way in which a cell can be read: the order, the time, and whether it states one."""
    if not cell:
        return []
    cell = re.sub(r"\s?(?:UTC|GMT)\Z", "Z", cell)
    if _ISO.match(cell):
        try:
            when = datetime.fromisoformat(re.sub(r"\s(?=[Z+-])", "", cell))
        except ValueError:
            return []
        return [("iso", when, True) if len(cell) > 10 else ("iso", datetime.combine(when.date(), time(12)), False)]
    numeric, named, basic = _NUMERIC.match(cell), _NAMED.match(cell), _BASIC.match(cell)
    days: list[tuple[str, date]] = []
    clock: str | None = None
    if numeric is not None:
        clock = numeric.group(5)
        parts = (numeric.group(1), numeric.group(3), numeric.group(4))
        days = [(order, day) for order in DATE_ORDERS if (day := _day(parts, order)) is not None]
    elif basic is not None:
        day = _date(*map(int, basic.group(1, 2, 3)))
        days = [("named", day)] if day else []
        digits = (basic.group(4) or "").replace(":", "")
        clock = ":".join(re.findall("..", digits))
    elif named is not None:
        word = (named["month"] or named["first"]).casefold()
        month = _MONTH.get(word[:4]) or _MONTH.get(word[:3])
        clock = named["rest"]
        year = int(named["year"]) + (2000 if len(named["year"]) == 2 else 0)
        day = _date(year, month, int(named["day"] or named["second"])) if month else None
        days = [("named", day)] if day else []
    elif weekday := _WEEKDAY.match(cell):
        return date_readings(cell[weekday.end() :])
    if clock is None or not clock.strip():
        return [(order, datetime.combine(day, time(12)), False) for order, day in days]
    hour = _clock(clock.strip())
    return [] if hour is None else [(order, datetime.combine(day, hour), True) for order, day in days]


def _day(parts: tuple[str, str, str], order: str) -> date | None:
    at = {letter: parts[place] for place, letter in enumerate(order)}
    if len(at["y"]) not in (2, 4) or len(at["d"]) > 2 or len(at["m"]) > 2:
        return None
    year = int(at["y"]) + (2000 if len(at["y"]) == 2 else 0)
    return _date(year, int(at["m"]), int(at["d"]))


def _date(year: int, month: int, day: int) -> date | None:
    try:
        found = date(year, month, day)
    except ValueError:
        return None
    return found if _YEARS[0] <= year < _YEARS[1] else None


def _clock(text: str) -> time | None:
    match = _CLOCK.match(text)
    if match is None:
        return None
    hour, half = int(match.group(1)), (match.group(4) or "").lower()
    if half and not 1 <= hour <= 12:
        return None
    hour = hour % 12 + (12 if half == "pm" else 0) if half else hour
    zone = match.group(5) or ""
    try:
        return time.fromisoformat(f"{hour:02d}:{match.group(2)}:{match.group(3) or '00'}{zone}")
    except ValueError:
        return None


def _as_iso(cell: str, reading: tuple[str, datetime, bool]) -> str:
    order, when, timed = reading
    if order == "iso":
        return cell
    return when.isoformat() if timed else when.date().isoformat()


def _one_kind_of_offset(times: Sequence[datetime | None], lines: Sequence[int], column: str, name: str) -> None:
    first: dict[bool, int] = {}
    for line, when in zip(lines, times, strict=True):
        if when is None:
            continue
        first.setdefault(when.tzinfo is not None, line)
        if len(first) == 2:
            raise SheetError(
                f"{name}, line {line}, column {column}: times with an offset from UTC (line {first[True]}) and without "
                f"(line {first[False]}) cannot be compared; write the offset everywhere or nowhere"
            )
