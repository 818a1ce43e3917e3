"""What a fitted house model knows: what readings need, under which conditions the set was measured, what is offered."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import VALUE_NAME
from specmatch.errors import TableError
from specmatch.house.fitting.colour_cautions import ColourWarnings, TemperatureCost
from specmatch.maths.applicability import ApplicabilityDomain
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.faults.fault_model import FaultModel
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.regression.lab_effects import LabValues
from specmatch.maths.statistics.levels import Levels
from specmatch.measurement.reflectance.path_length import SetDepth


@dataclass(frozen=True)
class KeptPours:
    """The pours that a model was fitted on."""

    reflectance: Floats  # (n, p)
    levels: Levels
    lab: Floats  # (K,): lab colour of each batch, NaN where there is none
    values: LabValues | None  # who measured them and how well; None where nothing is stated
    session: Ints  # (K,): code of the session of each batch


@dataclass(frozen=True)
class SharedPours:
    """Pours of batches of the set on the second module, on the model's wavelengths."""

    reflectance: Floats  # (n, p)
    sample: Ints  # sample, batch: (n,): codes; batches as the model counts them
    batch: Ints


@dataclass(frozen=True)
class SecondModule:
    """Another module, or another lamp, cup or base under the set's own, and what batches measured on both say of it."""

    instrument: str  # instrument, lamp, cup, base: its names; "" for any
    lamp: str
    cup: str
    base: str
    shared: tuple[str, ...]  # batches measured on both
    route: str  # of `specmatch.maths.transfer.ROUTES`
    # of shared batches left out, root mean square: relative, and in units of the scatter within a beer; the noise of
    # measuring twice is in both
    colour_error: float
    identity_error: float
    colour_excess: float  # colour_excess, identity_excess: the same beyond that noise
    identity_excess: float
    # how much more, as a share of a dark beer's light, its base returns more than once
    returns: float
    fitted: FittedHouse  # the set as this module would see it, learnt anew
    pours: SharedPours | None  # what taught it, for when the set grows; None in a model of an older format

    @property
    def said(self) -> str:
        """Its names in one text."""
        parts = (f"{name} {value}" for name in ("lamp", "cup", "base") if (value := getattr(self, name)))
        return ", ".join([self.instrument, *parts])


@dataclass(frozen=True)
class FittedHouse:
    """All that a fitted model knows: arrays, numbers and text only, so that a file can hold it without code."""

    wavelength_nm: Floats  # (p,): the usable band, ascending
    beers: tuple[str, ...]
    batches: tuple[str, ...]
    beer_of_batch: Ints  # (K,): place of each batch's beer in `beers`
    colour_unit: str  # of the value, where it is no colour
    lowest_colour: float  # lowest_colour, highest_colour: of the lab colours, in that unit; NaN where there are too few
    highest_colour: float
    set_name: str  # set_name, set_hash: of the reference set
    set_hash: str
    colour: ColourModel | None  # none where the set holds too few lab colours
    identity: ClassModel
    domain: ApplicabilityDomain | None  # none in a fit that only figures of held-out batches are taken of
    faults: FaultModel  # what good scans look like, and which faults may stand behind a departure
    conditions: Conditions  # instruments, cups, volumes and temperatures of the set
    offered: Validity  # when each beer was on offer
    cautions: ColourWarnings | None  # what speaks against a colour; None where there is no colour
    odd_pours: tuple[str, ...]  # pours that depart from mates which agree, and were not learnt from
    refit_reasons: tuple[str, ...]  # why a model that batches were added to should be fitted anew
    pours: KeptPours | None  # what a transfer starts from; None in a model of an older format
    modules: tuple[SecondModule, ...]  # further modules, or lamps, cups and bases, that batches of the set have taught
    depth: SetDepth | None  # depth, path_law: at which all of this stands, and how scans are brought there; None where
    path_law: PathLaw | None  # no filling is stated
    temperature: TemperatureCost | None  # what temperature costs, where the set holds more than one
    value_name: str = VALUE_NAME  # what the lab measures of each batch


# room temperature moves by as much between seasons, and colour hardly changes with it
TEMPERATURE_MARGIN_C = 3.0

# a graduated cylinder is good to 1-2 % of its volume (ASTM E1272); twice that is another filling
FILL_MARGIN = 0.04
CUP_MARGIN_MM = 0.5
# column -> what it is called, and the unit of what is a number
_SAID = {
    "stage": ("the stage", ""), "cup": ("the cup", ""), "reference_kind": ("the kind of reference", ""),
    "lamp": ("the lamp", ""), "base": ("the base", ""), "cup_mm": ("the cup's diameter", "mm"),
    "fill_ml": ("the fill", "mL"), "temperature_c": ("the temperature", "deg C"),
}  # fmt: skip


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
    found: dict[str, Any] = {one.name: () for one in fields(Conditions)}
    for name in scans.columns.intersection(list(found)):
        found[name] = (_range if _SAID.get(name, ("", ""))[1] else _texts)(scans[name])
    return Conditions(**found | ({"reference_kind": (reference_kind,)} if reference_kind else {}))


def departures_from(conditions: Conditions, scans: pd.DataFrame) -> dict[str, list[str]]:
    """Say which samples were measured under conditions that the set does not hold, and which."""
    found: dict[str, list[str]] = {}
    for column, (said, unit) in _SAID.items():
        held = getattr(conditions, column)
        if not held or column not in scans.columns:
            continue
        if unit:
            low, high = _widened(column, *held)
            values = pd.to_numeric(scans[column], errors="coerce")
            other = (values < low) | (values > high)
        else:
            values = scans[column].map(plain_text)
            # exact words, but not their case: "Tank" and "tank" are one stage
            other = ~values.str.lower().isin([*(word.lower() for word in held), ""])
        for sample, value in dict(zip(scans["sample"][other], values[other], strict=True)).items():
            plain = f"{said} is {value}, the set holds {', '.join(map(str, held))}"
            found.setdefault(sample, []).append(_sentence(column, said, unit, value, held) if unit else plain)
    return found


def not_used(conditions: Conditions, scans: pd.DataFrame) -> dict[str, list[str]]:
    """Say which conditions of samples reach no answer, because the set records none of the kind."""
    stated: dict[str, list[str]] = {}
    for column, (said, unit) in _SAID.items():
        if getattr(conditions, column) or column not in scans.columns:
            continue
        cells = scans[column].map(lambda cell: f"{cell:g}" if isinstance(cell, float) else plain_text(cell))
        cells = cells[~cells.isin(["", "nan"])].groupby(scans["sample"], sort=False)
        for sample, own in cells.unique().items():
            stated.setdefault(str(sample), []).append(f"{said} ({', '.join(f'{cell} {unit}'.strip() for cell in own)})")
    said = "recorded here but nowhere in the set, so not used"
    return {sample: [f"{said}: {', '.join(own)}"] for sample, own in stated.items()}


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


def _texts(cells: pd.Series) -> tuple[str, ...]:
    return tuple(sorted({plain_text(value) for value in cells.unique()} - {""}))


def _range(cells: pd.Series) -> tuple[float, ...]:
    numbers = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=np.float64)
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
    days: dict[str, tuple[str, ...]] = {}
    for name in ("valid_from", "valid_to"):
        stated = table[name].reindex(list(beers)) if table is not None and name in table else [""] * len(beers)
        days[name] = tuple("" if pd.isna(day) else str(day).strip()[:10] for day in stated)
        for beer, day, text in zip(beers, stated, days[name], strict=True):
            if text and pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")):
                raise TableError(f"beer {beer!r} has {name} {day!r}; write the day as YYYY-MM-DD")
    for beer, first, last in zip(beers, days["valid_from"], days["valid_to"], strict=True):
        if first and last and first > last:
            raise TableError(f"beer {beer!r} has valid_from {first} after valid_to {last}; correct the days")
    return Validity(**days)
