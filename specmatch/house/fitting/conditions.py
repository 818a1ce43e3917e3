"""Under which conditions a set was measured, and in which way another sample was measured differently.

Which beers are offered for a sample: those that were brewed on the day it was measured.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Mask
from specmatch.errors import TableError

# room temperature moves by as much between seasons, and colour hardly changes with it
TEMPERATURE_MARGIN_C = 3.0

# a graduated cylinder is good to 1-2 % of its volume (ASTM E1272); twice that is another filling
FILL_MARGIN = 0.04
CUP_MARGIN_MM = 0.5
_NAMED = {
    "stage": "the stage", "cup": "the cup", "reference_kind": "the kind of reference", "lamp": "the lamp",
    "base": "the base",
}  # fmt: skip
_UNITS = {
    "cup_mm": ("the cup's diameter", "mm"), "fill_ml": ("the fill", "mL"),
    "temperature_c": ("the temperature", "deg C"),
}  # fmt: skip
_EVERY = [*((column, said, "") for column, said in _NAMED.items()), *((c, *said) for c, said in _UNITS.items())]


@dataclass(frozen=True)
class Conditions:
    """What a set holds; empty or NaN where it does not say."""

    stage: tuple[str, ...]  # stage, cup, reference_kind: every one that occurs
    cup: tuple[str, ...]
    reference_kind: tuple[str, ...]
    cup_mm: tuple[float, ...]  # cup_mm, fill_ml, temperature_c: lowest and highest
    fill_ml: tuple[float, ...]
    temperature_c: tuple[float, ...]
    instrument: tuple[str, ...]  # instrument, lamp, base: every one that occurs
    lamp: tuple[str, ...]
    base: tuple[str, ...]


def learn_conditions(scans: pd.DataFrame, reference_kind: str | None = None) -> Conditions:
    """Return the conditions of a set."""
    kinds = (reference_kind,) if reference_kind else _texts(scans, "reference_kind")
    return Conditions(
        stage=_texts(scans, "stage"),
        cup=_texts(scans, "cup"),
        reference_kind=kinds,
        cup_mm=_range(scans, "cup_mm"),
        fill_ml=_range(scans, "fill_ml"),
        temperature_c=_range(scans, "temperature_c"),
        instrument=_texts(scans, "instrument"),
        lamp=_texts(scans, "lamp"),
        base=_texts(scans, "base"),
    )


def departures_from(conditions: Conditions, scans: pd.DataFrame) -> dict[str, list[str]]:
    """Say which samples were measured under conditions that the set does not hold, and which."""
    found: dict[str, list[str]] = {}
    for column, said in _NAMED.items():
        held = getattr(conditions, column)
        if not held or column not in scans.columns:
            continue
        cells = scans[column]
        values = cells.map(plain_text)
        # exact words, but not their case: "Tank" and "tank" are one stage
        other = ~values.str.lower().isin([*(word.lower() for word in held), ""])
        for sample, value in dict(zip(scans["sample"][other], values[other], strict=True)).items():
            found.setdefault(sample, []).append(f"{said} is {value}, the set holds {', '.join(held)}")
    for column, (said, unit) in _UNITS.items():
        held = getattr(conditions, column)
        if not held or column not in scans.columns:
            continue
        low, high = _widened(column, *held)
        numbers = pd.to_numeric(scans[column], errors="coerce")
        other = (numbers < low) | (numbers > high)
        for sample, number in dict(zip(scans["sample"][other], numbers[other], strict=True)).items():
            found.setdefault(sample, []).append(_sentence(column, said, unit, float(number), held))
    return found


def not_used(conditions: Conditions, scans: pd.DataFrame) -> dict[str, list[str]]:
    """Say which conditions of samples reach no answer, because the set records none of the kind."""
    stated: dict[str, list[str]] = {}
    for column, said, unit in _EVERY:
        if getattr(conditions, column) or column not in scans.columns:
            continue
        cells = scans[column].map(lambda cell: f"{cell:g}" if isinstance(cell, float) else plain_text(cell))
        cells = cells[~cells.isin(["", "nan"])].groupby(scans["sample"], sort=False)
        for sample, own in cells.unique().items():
            stated.setdefault(str(sample), []).append(f"{said} ({', '.join(f'{cell} {unit}'.strip() for cell in own)})")
    return {
        sample: [f"recorded here but nowhere in the set, so not used: {', '.join(own)}"]
        for sample, own in stated.items()
    }


def _sentence(column: str, said: str, unit: str, value: float, held: tuple[float, ...]) -> str:
    low, high = held
    span = f"{low:g} {unit}" if low == high else f"{low:g}-{high:g} {unit}"
    if column != "temperature_c":
        return f"{said} is {value:g} {unit}, the set holds {span}"
    advice = ": it may hold chill haze, warm, degas and pour again" if value < low else ""
    return f"measured at {value:g} {unit}, the set holds {span}{advice}"


def _widened(column: str, low: float, high: float) -> tuple[float, float]:
    if column == "fill_ml":
        return low * (1.0 - FILL_MARGIN), high * (1.0 + FILL_MARGIN)
    margin = TEMPERATURE_MARGIN_C if column == "temperature_c" else CUP_MARGIN_MM
    return low - margin, high + margin


def plain_text(value: object) -> str:
    """Return a cell as text without outer blanks, "" where there is none."""
    return "" if value is None or (isinstance(value, float) and np.isnan(value)) else str(value).strip()


def _texts(scans: pd.DataFrame, column: str) -> tuple[str, ...]:
    if column not in scans.columns:
        return ()
    return tuple(sorted({plain_text(value) for value in pd.unique(scans[column])} - {""}))


def _range(scans: pd.DataFrame, column: str) -> tuple[float, ...]:
    if column not in scans.columns:
        return ()
    numbers = pd.to_numeric(scans[column], errors="coerce").to_numpy(dtype=np.float64)
    numbers = numbers[np.isfinite(numbers)]
    return (float(numbers.min()), float(numbers.max())) if numbers.size else ()


@dataclass(frozen=True)
class Validity:
    """First and last day of each beer, ISO 8601; empty text where the house set none."""

    valid_from: tuple[str, ...]
    valid_to: tuple[str, ...]

    def on(self, days: list[str]) -> Mask:
        """Return whether each beer is offered on each day; an unknown day ("") rules out nothing."""
        # -> (n, n_beers)
        if not any(days) or not any((*self.valid_from, *self.valid_to)):
            return np.ones((len(days), len(self.valid_from)), bool)
        day = np.array(days, dtype="U10")[:, None]
        first, last = np.array(self.valid_from, dtype="U10"), np.array(self.valid_to, dtype="U10")
        known = day != ""
        # ISO dates sort as text
        return np.asarray(~known | (((first == "") | (day >= first)) & ((last == "") | (day <= last))))


def learn_offered(beers: tuple[str, ...], table: pd.DataFrame | None) -> Validity:
    """Take `valid_from` and `valid_to` from a house's table of beers."""
    columns = []
    for name in ("valid_from", "valid_to"):
        days = []
        for beer in beers:
            known = table is not None and name in table.columns and beer in table.index
            day = table.at[beer, name] if known and table is not None else ""
            text = "" if pd.isna(day) else str(day).strip()[:10]
            if text and pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")):
                raise TableError(f"beer {beer!r} has {name} {day!r}; write the day as YYYY-MM-DD")
            days.append(text)
        columns.append(tuple(days))
    for beer, first, last in zip(beers, *columns, strict=True):
        if first and last and first > last:
            raise TableError(f"beer {beer!r} has valid_from {first} after valid_to {last}; correct the days")
    return Validity(*columns)
