"""Changes to the tables of a reference set: each gives new tables, a line for the history, and the same as data."""

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Mask
from specmatch.batches import COLOUR_UNITS
from specmatch.errors import OptionError, ReferenceSetError, SpecmatchError
from specmatch.measurement.folder.dates import date_readings
from specmatch.reference.tables.alignment import enter_colour
from specmatch.spectra import tidy_name
from specmatch.wording import counted, nearest_name

LEVELS = ("batch", "sample", "pour", "scan", "session")
# what is known of a lab colour in words
_WORDS = ("colour_method", "lab")


@dataclass(frozen=True)
class Tables:
    """The tables of a set, and its unit."""

    spectra: pd.DataFrame  # spectra, scans, batches: as `ReferenceSet` takes them
    scans: pd.DataFrame
    batches: pd.DataFrame
    beers: pd.DataFrame | None
    colour_unit: str


# tables after a change, its line for the history, and the change as data
Change = tuple[Tables, str, dict[str, Any]]


def dropped(tables: Tables, names: Collection[str], level: str) -> Change:
    """Leave out batches, samples, pours or scans."""
    if level not in LEVELS:
        raise OptionError(f"level is {level!r}; expected one of {', '.join(LEVELS)}")
    if level == "session" and level not in tables.scans.columns:
        raise ReferenceSetError("the scans table has no column 'session' to drop by")
    of_scan = tables.scans.index if level == "scan" else tables.scans[level]
    names = [str(name) for name in names]
    if not names:
        raise OptionError(f"no {level} is named; name at least one to drop")
    held = set(of_scan)
    for name in names:
        _must_hold(level, name, held)
    kept = ~np.isin(np.asarray(of_scan, dtype=object), list(names))
    if not kept.any():
        raise ReferenceSetError("nothing would be left of the set; drop fewer, or start a new one")
    what = f"dropped {level} {_listed(names)}"
    return _with_scans(tables, kept), what, {"kind": "drop", "level": level, "names": names}


def relabelled(tables: Tables, batch: str, beer: str) -> Change:
    """Give a batch another beer."""
    _must_hold("batch", batch, tables.batches.index)
    beer = _name(beer)
    if not beer:
        raise OptionError("the new beer is blank; name it, or drop the batch")
    before = tables.batches.at[batch, "beer"]
    if before == beer:
        raise ReferenceSetError(f"batch {batch!r} is labelled {before!r} already")
    batches = tables.batches.copy()
    batches.loc[batch, "beer"] = beer
    edit = {"kind": "relabel", "batch": str(batch), "before": before, "beer": beer}
    return replace(tables, batches=batches), f"relabelled batch {batch!r} from {before!r} to {beer!r}", edit


def renamed(tables: Tables, before: str, beer: str) -> Change:
    """Give all batches of a beer another name of it, and its row of the beers table too."""
    held = tables.batches["beer"] == before
    _must_hold("beer", before, set(tables.batches["beer"]))
    beer = _name(beer)
    if beer in ("", before):
        raise OptionError(f"the new name of {before!r} is {beer!r}; give another name")
    batches = tables.batches.assign(beer=tables.batches["beer"].where(~held, beer))
    beers = tables.beers
    if beers is not None and before in beers.index:
        # where both names have a row, that of the name that stays is the one to keep
        beers = beers.drop(index=before) if beer in beers.index else beers.rename(index={before: beer})
    what = f"renamed beer {before!r} to {beer!r}, {int(held.sum())} batches"
    return replace(tables, batches=batches, beers=beers), what, {"kind": "rename", "before": before, "beer": beer}


def stepped(tables: Tables, beer: str, since: str) -> Change:
    """Begin a new recipe of a beer at a date: older batches get a name of their own, and both a row among the beers."""
    since = iso_date(since, "since")[:10]
    mine = tables.batches.index[tables.batches["beer"] == beer]
    if not len(mine) or not since:
        raise ReferenceSetError(f"beer {beer!r} is not in the set, or no date was given; name both")
    days = batch_days(tables.scans, tables.batches).loc[mine]
    if (days == "").any():
        raise ReferenceSetError(
            f"batch {days.index[(days == '').to_numpy().argmax()]!r} of {beer!r} has no date; give it packaged_on"
        )
    older = days.index[days < since]
    if not 0 < len(older) < len(mine):
        raise ReferenceSetError(f"all batches of {beer!r} lie on one side of {since}; name a day between two of them")
    name = f"{beer} until {since}"
    batches = tables.batches.copy()
    batches.loc[older, "beer"] = name
    beers = pd.DataFrame(index=pd.Index([], dtype=object, name="beer")) if tables.beers is None else tables.beers.copy()
    for column in ("valid_from", "valid_to"):
        if column not in beers.columns:
            beers[column] = ""
    begun = str(beers.at[beer, "valid_from"]) if beer in beers.index else ""
    for row, column, day in ((name, "valid_from", begun), (name, "valid_to", since), (beer, "valid_from", since)):
        beers.loc[row, column] = day
    beers = beers.fillna("") if beers.dtypes.eq(object).all() else beers
    what = f"recipe of beer {beer!r} stepped on {since}: {len(older)} older batches are {name!r}"
    edit = {"kind": "step", "beer": beer, "since": since, "older": name}
    return replace(tables, batches=batches, beers=beers), what, edit


def batch_times(scans: pd.DataFrame, batches: pd.DataFrame) -> pd.Series:
    """Return when each batch was packaged, or else first measured, in ISO form; blank where neither is known."""
    times = pd.Series("", index=batches.index, dtype=object)
    if "measured_at" in scans.columns:
        measured = scans.loc[scans["measured_at"] != ""].groupby("batch")["measured_at"].min()
        times = measured.reindex(batches.index).fillna("")
    if "packaged_on" in batches.columns:
        times = batches["packaged_on"].where(batches["packaged_on"] != "", times)
    return times


def batch_days(scans: pd.DataFrame, batches: pd.DataFrame) -> pd.Series:
    """Return the day of `batch_times`."""
    return batch_times(scans, batches).map(lambda time: str(time)[:10])


def before_recipe(scans: pd.DataFrame, batches: pd.DataFrame, beers: pd.DataFrame | None) -> frozenset[str]:
    """Return the batches that are older than the recipe which their beer has now (`valid_from` of the beers table)."""
    if beers is None or "valid_from" not in beers.columns:
        return frozenset()
    since = batches["beer"].map(beers["valid_from"]).fillna("").astype(str).str.strip().str[:10]
    days = batch_days(scans, batches)
    # ISO dates sort as text
    return frozenset(map(str, batches.index[(days != "") & (since != "") & (days < since)]))


def recoloured(tables: Tables, batch: str, values: Mapping[str, Any]) -> Change:
    """Give a batch another lab colour, or none."""
    # values: `colour` in the set's unit (NaN for none) and what else is known: `colour_sd`, `colour_n`, `lab`,
    # `colour_method`; what is not known of the new value is cleared
    _must_hold("batch", batch, tables.batches.index)
    values = {name: value if name in _WORDS else _number(value, name) for name, value in values.items()}
    colour = values["colour"]
    least = 0.0 if tables.colour_unit in COLOUR_UNITS else -np.inf
    if not (np.isnan(colour) or least < colour < np.inf):
        above = "" if np.isinf(least) else " above 0"
        raise OptionError(f"the colour is {colour:g}; expected a number{above}, or NaN for none")
    before, every = tables.batches.at[batch, "colour"], ("colour", "colour_sd", "colour_n", "colour_method", "lab")
    batches = enter_colour(tables.batches.copy(), batch, {column: values.get(column) for column in every})
    what = f"colour of batch {batch!r} from {_shown(before)} to {_shown(colour)} {tables.colour_unit}"
    known = {name: value for name, value in values.items() if name != "colour" and value is not None}
    edit = {"kind": "colour", "batch": str(batch), "before": _or_none(before), "colour": _or_none(colour)}
    return replace(tables, batches=batches), what, edit | ({"known": known} if known else {})


def selected(
    tables: Tables,
    *,
    beers: str | Collection[str] | None,
    since: str | None,
    until: str | None,
    where: Mapping[str, Any],
) -> Change:
    """Keep the scans of some beers, of a span of time, of an instrument and so on."""
    beers = [beers] if isinstance(beers, str) else beers
    scans = tables.scans
    kept = np.ones(len(scans), dtype=bool)
    said = []
    if beers is not None:
        held = set(tables.batches["beer"])
        for beer in beers:
            if beer not in held:
                raise ReferenceSetError(f"beer {beer!r} is not in the set; names are matched letter by letter")
        kept &= scans["batch"].map(tables.batches["beer"]).isin(list(beers)).to_numpy()
        said.append(f"beers {_listed(beers)}")
    if since is not None or until is not None:
        times = scans["measured_at"].to_numpy(dtype=object) if "measured_at" in scans.columns else np.array([])
        if times.size == 0 or (times == "").any():
            raise ReferenceSetError("not every scan says when it was measured; fill measured_at to select by date")
        if since is not None:
            kept &= _not_before(list(times), since, "since")
            said.append(f"since {since}")
        if until is not None:
            kept &= ~_not_before(list(times), until, "until")
            said.append(f"before {until}")
    for column, value in where.items():
        if column not in scans.columns:
            raise ReferenceSetError(f"the scans table has no column {column!r} to select by")
        kept &= scans[column].isin([value] if isinstance(value, str) or np.isscalar(value) else list(value)).to_numpy()
        said.append(f"{column} {value!r}")
    if not kept.any():
        raise ReferenceSetError(f"no scan is of {'; '.join(said) or 'nothing'}")
    return _with_scans(tables, kept), f"selected {'; '.join(said) or 'everything'}", {"kind": "select"}


def left_by_hand(determinations: Mapping[str, Any], edit: Mapping[str, Any]) -> dict[str, Any]:
    """Return lab values that a colour is the mean of; a colour that was set by hand is no mean any more."""
    edits = edit["edits"] if edit["kind"] == "sheet" else [edit]
    by_hand = {one["batch"] for one in edits if one["kind"] == "colour"}
    return {name: values for name, values in determinations.items() if name not in by_hand}


def _name(beer: Any) -> str:
    """Return a name as text; "" where it is none, as a blank cell of a table is."""
    return "" if not pd.api.types.is_scalar(beer) or pd.isna(beer) else tidy_name(beer)


def _with_scans(tables: Tables, kept: np.ndarray) -> Tables:
    scans = tables.scans[kept]
    batches = tables.batches[tables.batches.index.isin(scans["batch"])]
    return replace(tables, spectra=tables.spectra[kept], scans=scans, batches=batches)


def _must_hold(kind: str, name: str, names: Collection[str]) -> None:
    if name not in names:
        near = nearest_name(str(name), list(names))
        raise ReferenceSetError(f"{kind} {name!r} is not in the set{near}; names are matched letter by letter")


def _number(value: Any, what: str) -> float | None:
    if value is None and what != "colour":
        return None
    try:
        return float("x" if isinstance(value, bool) else value)
    except (TypeError, ValueError):
        raise OptionError(f"the {what} is {value!r}; expected a number, or NaN for none") from None


def _listed(names: Collection[str]) -> str:
    return ", ".join(repr(name) for name in names)


def _shown(colour: float) -> str:
    return "none" if np.isnan(colour) else f"{colour:.6g}"


def _or_none(number: float) -> float | None:
    return None if np.isnan(number) else float(number)


# Edits in bulk: a sheet with a row an edit, taken whole or not at all.

COLUMNS = ("batch", "what", "value", "reason")
_MOST_TOLD = 3


def colour_of(text: Any) -> float:
    """Return a colour as typed; `none` is no colour."""
    if str(text).strip().lower() == "none":
        return float("nan")
    try:
        return float(str(text).strip().replace(",", "."))
    except ValueError:
        raise OptionError(f"the colour {text!r} is no number; give one, or 'none'") from None


def _dropped(level: str) -> Callable[[Tables, str, str], Change]:
    return lambda tables, name, value: dropped(tables, name if isinstance(name, list) else [name], level)


EDITS: Mapping[str, Callable[[Tables, str, str], Change]] = {
    "beer": relabelled,
    "colour": lambda tables, name, value: recoloured(tables, name, {"colour": colour_of(value)}),
    "drop": _dropped("batch"),
    **{f"drop {level}": _dropped(level) for level in LEVELS},
    "rename": renamed,
    "recipe": stepped,
    "relabel": relabelled,  # as the command says it
}


def edited_by_sheet(tables: Tables, sheet: pd.DataFrame, reason: str) -> Change:
    """Make every edit of a sheet, in its order."""
    if not isinstance(sheet, pd.DataFrame):
        raise OptionError(f"the sheet of edits is a {type(sheet).__name__}; expected a table with {', '.join(COLUMNS)}")
    missing = [name for name in COLUMNS[:2] if name not in sheet.columns]
    if missing:
        raise OptionError(f"the sheet of edits has no column {missing[0]!r}; it needs {', '.join(COLUMNS)}")
    if not len(sheet):
        raise OptionError("the sheet of edits is empty; a row an edit, with batch, what, value and reason")
    said, edits = [], []
    for place, row in enumerate(sheet.to_dict("records"), start=1):
        name, what, value, why = (_text(row.get(column)) for column in COLUMNS)
        what = str(what)
        if what.lower() not in EDITS:
            raise OptionError(f"row {place} ({name}): {what!r} is no edit; expected one of {', '.join(EDITS)}")
        if not why and not reason.strip():
            raise OptionError(f"row {place} ({name}) gives no reason; fill the column, or give one for all")
        try:
            tables, words, edit = EDITS[what.lower()](tables, name, value)
        except SpecmatchError as error:
            raise type(error)(f"row {place} ({name}): {error}; no edit of the sheet was made") from None
        said.append(words)
        edits.append(edit | ({"why": why} if why else {}))
    listed = "; ".join(said[:_MOST_TOLD]) + (f"; and {len(said) - _MOST_TOLD} more" if len(said) > _MOST_TOLD else "")
    return tables, f"{counted(len(said), 'edit')}: {listed}", {"kind": "sheet", "edits": edits}


def _text(cell: Any) -> Any:
    if isinstance(cell, list):
        return cell  # names that were dropped together
    if cell is None or (isinstance(cell, float) and np.isnan(cell)):
        return ""
    return f"{cell:.15g}" if isinstance(cell, float) else str(cell).strip()


# Dates of edits and of scans: read one way only, kept as ISO 8601, compared as dates.

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


def _not_before(times: Sequence[str], bound: object, what: str) -> Mask:
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
        later[text] = _at_or_after(known, limit)
    return np.array([later[text] for text in times], dtype=bool)


def _at_or_after(known: str, limit: str) -> bool:
    if len(limit) == 10:
        return known[:10] >= limit
    moment, bound = datetime.fromisoformat(known), datetime.fromisoformat(limit)
    if (moment.tzinfo is None) != (bound.tzinfo is None):
        raise OptionError(
            f"{known!r} and {limit!r} cannot be compared: one has an offset from UTC and the other has none; give both "
            "one, or select by day"
        )
    return moment >= bound
