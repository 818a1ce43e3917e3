"""Colour limits of beers, and beers of package labels: sheets beside the model (`.limits.csv`, `.labels.csv`)."""

# whether an uncertain value conforms: JCGM 106:2012 (normal distribution, clause 7; guard bands, 8; risks, 9)

import hashlib
import logging
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from specmatch.array_types import Floats
from specmatch.batches import COLOUR_UNITS, unit_of
from specmatch.errors import SheetError, UnknownBeerError
from specmatch.measurement.folder.columns import folded
from specmatch.measurement.folder.dates import read_dates
from specmatch.measurement.folder.sheets import Sheet, read_sheet
from specmatch.spectra import tidy_name
from specmatch.storage import path_of
from specmatch.wording import nearest_name

SIMPLE, GUARDED, LENIENT = "simple_acceptance", "guarded_acceptance", "guarded_rejection"
# JCGM 106:2012, 8.2, 8.3.2, 8.3.3
DECISION_RULES = (SIMPLE, GUARDED, LENIENT)
DEFAULT_RISK = 0.05
_LOG = logging.getLogger(__name__)
LIMIT_COLUMNS = ("beer", "target", "tolerance", "unit", "rule", "risk", "valid_from", "valid_to", "low", "high")
LABEL_COLUMNS = ("label", "beer", "valid_from", "valid_to")


@dataclass(frozen=True)
class ColourLimits:
    """Colour limits of one beer over some time."""

    beer: str
    target: float  # target, low, high: in `unit`; the middle where no target is stated
    low: float
    high: float
    unit: str
    rule: str  # one of `DECISION_RULES`
    risk: float  # what the rule may go wrong by, in (0, 0.5)
    valid_from: date | None  # valid_from, valid_to: first and last day
    valid_to: date | None


@dataclass(frozen=True)
class PackageLabel:
    """One beer that a label may hold over some time."""

    label: str
    beer: str
    valid_from: date | None  # valid_from, valid_to: first and last day
    valid_to: date | None


@dataclass(frozen=True)
class Specification:
    """Colour limits and package labels of a house."""

    limits: tuple[ColourLimits, ...] = ()
    labels: tuple[PackageLabel, ...] = ()
    hash: str = ""  # SHA-256 over the bytes of both sheets; empty where there is neither
    text: str = ""  # both sheets as they were read, for the record

    @property
    def label_names(self) -> set[str]:
        """Names on labels, each as a claim may state it."""
        return {row.label for row in self.labels}

    def limits_of(self, beer: str, on: date | None = None) -> ColourLimits | None:
        """Return the limits of a beer on a day (the newest where None), or None where there are none."""
        found = [row for row in self.limits if row.beer == beer and _valid(row, on)]
        return max(found, key=lambda row: row.valid_from or date.min, default=None)

    def beers_of(self, claim: str, on: date | None = None) -> tuple[str, ...]:
        """Return the beers that a claim stands for: those of the label on that day, else the claim itself."""
        rows = [row for row in self.labels if row.label == claim]
        if not rows:
            return (claim,)
        found = tuple(dict.fromkeys(row.beer for row in rows if _valid(row, on)))
        if not found:
            raise UnknownBeerError(
                f"label {claim!r} is not valid on {on}; it runs from {rows[-1].valid_from or 'ever'} to "
                f"{rows[-1].valid_to or 'ever'}: correct the claim or the table of labels"
            )
        return found


def day_of(said: object) -> date | None:
    """Return the day of a date, a time or ISO text, None where it names none."""
    try:
        return date.fromisoformat(str(said)[:10])
    except ValueError:
        return None


def specification_paths(model: str | Path) -> tuple[Path, Path]:
    """Return where the limits and the labels of a model file are looked for."""
    model = path_of(model)
    return model.with_name(f"{model.stem}.limits.csv"), model.with_name(f"{model.stem}.labels.csv")


def load_specification(model: str | Path, *, beers: Sequence[str] | None = None) -> Specification:
    """Load the limits and labels that lie beside a model file; either may be missing.

    Parameters
    ----------
    model : str or Path
        Path of the model file.
    beers : sequence of str, optional
        Beers of the model: a sheet that names another is refused.

    Returns
    -------
    Specification

    Raises
    ------
    SheetError
        If a sheet is damaged, names an unknown beer or rule, or gives a beer two limits for one day.

    Examples
    --------
    >>> load_specification("nowhere/house.model").hash
    ''
    """
    limits_path, labels_path = specification_paths(model)
    parts, digest, sheets = [], hashlib.sha256(), {}
    for path, columns in ((limits_path, LIMIT_COLUMNS), (labels_path, LABEL_COLUMNS)):
        if path.is_file():
            data = path.read_bytes()
            sheets[path] = read_sheet(path, known=columns)
            # whatever its separator, encoding and headings were: the record is read with commas and the known names
            parts.append(f"== {path.name}\n" + sheets[path].table.to_csv(index=False, lineterminator="\n"))
            # name, length and bytes: no two pairs of sheets give the same stream
            digest.update(f"{path.name.rpartition('.')[0].rpartition('.')[2]} {len(data)}\n".encode() + data)
        elif path.parent.is_dir():
            for near in sorted(path.parent.iterdir()):
                if near.name.casefold().startswith(path.stem.rstrip("s").casefold()):
                    _LOG.warning("%s is not read: name it %s, as CSV, if the house goes by it", near.name, path.name)
    if not parts:
        return Specification()
    limits = _limits(limits_path, sheets[limits_path], beers) if limits_path in sheets else ()
    labels = _labels(labels_path, sheets[labels_path], beers) if labels_path in sheets else ()
    return Specification(limits, labels, digest.hexdigest(), "\n".join(parts))


def _limits(path: Path, sheet: Sheet, beers: Sequence[str] | None) -> tuple[ColourLimits, ...]:
    rows: list[ColourLimits] = []
    for where, cells, days in _rows(path, sheet, LIMIT_COLUMNS, ("beer", "unit", _given(sheet))):
        _known_beer(where, cells["beer"], beers)
        target, low, high = _low_and_high(where, cells)
        unit, rule = unit_of(cells["unit"]), folded(cells["rule"]) or GUARDED
        if unit not in COLOUR_UNITS:
            raise SheetError(f"{where}, column unit: {cells['unit']!r}; write EBC or SRM")
        if rule not in DECISION_RULES:
            raise SheetError(f"{where}, column rule: {cells['rule']!r}; use one of {', '.join(DECISION_RULES)}")
        risk = _number(where, "risk", cells["risk"]) if cells["risk"] else DEFAULT_RISK
        if not 0.0 < risk < 0.5:
            raise SheetError(f"{where}, column risk: {risk:g}; expected a share between 0 and 0.5, such as 0.05")
        row = ColourLimits(cells["beer"], target, low, high, unit, rule, risk, *days)
        if any(old.beer == row.beer and _overlap(old, row) for old in rows):
            raise SheetError(f"{where}: {row.beer!r} has two limits for one day; close the older one with valid_to")
        rows.append(row)
    return tuple(rows)


def _given(sheet: Sheet) -> str:
    """Return the column that a sheet of limits must have, by the way in which it states them."""
    return "high" if "low" in sheet.table else "low" if "high" in sheet.table else "target"


def _low_and_high(where: str, cells: dict[str, str]) -> tuple[float, float, float]:
    """Return target and limits of a row: a blank `low` is 0, for no colour lies under it."""
    if cells["high"] or cells["low"]:
        if cells["tolerance"]:
            raise SheetError(f"{where}: limits stand there twice; leave tolerance blank, or low and high")
        low, high = (_number(where, name, cells[name] or "0") for name in ("low", "high"))
        if not 0.0 <= low < high < np.inf:
            raise SheetError(
                f"{where}: low {cells['low']!r} and high {cells['high']!r} make no limits; write the smaller one as low"
            )
        target = _number(where, "target", cells["target"]) if cells["target"] else (low + high) / 2.0
        if not low <= target <= high:
            raise SheetError(
                f"{where}: target {cells['target']!r} lies outside low and high, {low:g} to {high:g}; correct one of "
                "them, or leave target blank"
            )
        return target, low, high
    target = _number(where, "target", cells["target"])
    written = re.sub(r"\A(?:\u00b1|\+/?-)\s*", "", cells["tolerance"])
    if written.startswith(("+", "-")):
        raise SheetError(
            f"{where}, column tolerance: {cells['tolerance']!r} is no width to both sides; write the limits into the "
            "columns low and high"
        )
    tolerance = _number(where, "tolerance", written) * (target if written.endswith("%") else 1.0)
    if not 0.0 < tolerance <= target < np.inf:
        raise SheetError(f"{where}: target {target:g} with tolerance {cells['tolerance']!r} makes no limits")
    return target, target - tolerance, target + tolerance


def _labels(path: Path, sheet: Sheet, beers: Sequence[str] | None) -> tuple[PackageLabel, ...]:
    rows = []
    for where, cells, days in _rows(path, sheet, LABEL_COLUMNS, ("label", "beer")):
        if not cells["label"]:
            raise SheetError(f"{where}, column label: blank; name the label")
        _known_beer(where, cells["beer"], beers)
        rows.append(PackageLabel(cells["label"], cells["beer"], *days))
    others = {row.label for row in rows} & {*(beers or ())} - {row.label for row in rows if row.label == row.beer}
    if others:
        raise SheetError(
            f"{path.name}: the label {min(others)!r} is the name of a beer of the model, and may not hold it; give the "
            "label another name, or a row with that beer"
        )
    return tuple(rows)


def _rows(
    path: Path, sheet: Sheet, columns: Sequence[str], needed: Sequence[str]
) -> list[tuple[str, dict[str, str], tuple[date | None, date | None]]]:
    """Read the rows of a sheet: where each stands, its cells, and the days from which and to which it is valid."""
    missing = [column for column in needed if column not in sheet.table]
    if missing:
        ways = "; limits are target and tolerance, or low and high" if columns is LIMIT_COLUMNS else ""
        raise SheetError(f"{path.name}: no column {missing[0]!r}, got {', '.join(sheet.table.columns)}{ways}")
    blank = [""] * len(sheet.lines)
    # one order of day and month for both columns
    cells = [cell for column in ("valid_from", "valid_to") for cell in sheet.table.get(column, blank)]
    read = read_dates(cells, sheet.lines * 2, "valid_from or valid_to", name=path.name)
    for cell in read.doubtful:
        said = f"{cell.cell!r} is {' or '.join(cell.readings)}; write the day as 2025-03-31"
        raise SheetError(f"{path.name}, line {cell.line}, column {cell.column}: {said}")
    days = [None if time is None else time.date() for time in read.times]
    for note in (*sheet.notes, *read.notes):
        _LOG.warning("%s", note)
    rows, table = [], sheet.table.to_dict("records")
    for line, row, first, last in zip(sheet.lines, table, days[: len(blank)], days[len(blank) :], strict=True):
        where = f"{path.name}, line {line}"
        if first and last and first > last:
            raise SheetError(f"{where}: valid_from {first} lies after valid_to {last}; correct the days")
        rows.append((where, {column: tidy_name(row.get(column, "")) for column in columns}, (first, last)))
    return rows


def _known_beer(where: str, beer: str, beers: Sequence[str] | None) -> None:
    if not beer or (beers is not None and beer not in beers):
        meant = nearest_name(beer, beers or ())
        raise SheetError(
            f"{where}, column beer: {beer!r} is no beer of the model{meant}; it holds {', '.join(beers or ())}"
        )


def _number(where: str, column: str, cell: str) -> float:
    if cell.endswith("%") and column in ("target", "low", "high"):
        raise SheetError(f"{where}, column {column}: {cell!r} is a share; write the colour")
    # a colour has no thousands: a single comma is a decimal mark
    plain = cell.removesuffix("%").strip()
    try:
        value = float(plain.replace(",", ".") if plain.count(",") == 1 and "." not in plain else plain)
        return value / 100.0 if plain != cell else value
    except ValueError:
        raise SheetError(f"{where}, column {column}: {cell!r} is not a number") from None


def _valid(row: ColourLimits | PackageLabel, on: date | None) -> bool:
    return on is None or ((row.valid_from or date.min) <= on <= (row.valid_to or date.max))


def _overlap(one: ColourLimits, other: ColourLimits) -> bool:
    begins = max(one.valid_from or date.min, other.valid_from or date.min)
    return begins <= min(one.valid_to or date.max, other.valid_to or date.max)


# beyond nine standard deviations a normal density holds less than 1e-18: no digit of a risk comes from there
FARTHEST_SD = 9.0


def conformance_probability(
    value: ArrayLike, uncertainty: ArrayLike, *, lower: float = -np.inf, upper: float = np.inf
) -> Floats:
    """Return the probability that the true value lies within the tolerance (JCGM 106:2012, 7, normal distribution)."""
    y, u = np.broadcast_arrays(np.asarray(value, float), np.asarray(uncertainty, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        normal = ndtr((upper - y) / u) - ndtr((lower - y) / u)
    inside = ((lower <= y) & (y <= upper)).astype(float)
    unknown = np.isnan(y) | np.isnan(u)
    return np.where(unknown, np.nan, np.where(u > 0, normal, inside))


def acceptance_limits(
    uncertainty: float | Callable[[float], float], risk: float, *, lower: float = -np.inf, upper: float = np.inf
) -> tuple[float, float]:
    """Return the measured values between which an item conforms with a probability of at least `1 - risk`."""
    # guarded acceptance (JCGM 106:2012, 8.3.2); with a risk above one half limits lie outside: rejection (8.3.3)
    from scipy.optimize import brentq  # here: it takes longer to import than a reading does

    u = uncertainty if callable(uncertainty) else (lambda _: float(uncertainty))
    z = float(ndtri(1.0 - risk))

    def short(y: float) -> float:
        return float(conformance_probability(y, u(y), lower=lower, upper=upper)) - (1.0 - risk)

    if np.isinf(lower) or np.isinf(upper):
        limit, sign = (upper, -1.0) if np.isinf(lower) else (lower, 1.0)
        # the limit itself conforms with one half: walk inwards until the probability is enough
        inside = limit
        for _ in range(60):
            inside += sign * z * u(inside)
            if (short(inside) >= 0) == (risk < 0.5):
                edge = brentq(short, limit, inside)
                return (edge, np.inf) if sign > 0 else (-np.inf, edge)
        return np.nan, np.nan
    ys = np.linspace(lower, upper, 257)
    best = int(conformance_probability(ys, [u(y) for y in ys.tolist()], lower=lower, upper=upper).argmax())
    if short(ys[best]) < 0:
        return np.nan, np.nan
    below, above = lower - FARTHEST_SD * u(lower), upper + FARTHEST_SD * u(upper)
    return brentq(short, below, ys[best]), brentq(short, ys[best], above)
