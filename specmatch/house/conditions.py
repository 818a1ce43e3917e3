"""Under which conditions a set was measured, and in which way another sample was measured differently."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

# room temperature moves by as much between seasons, and colour hardly changes with it
TEMPERATURE_MARGIN_C = 3.0
# a graduated cylinder is good to 1-2 % of its volume (ASTM E1272); twice that is another filling
FILL_MARGIN = 0.04
CUP_MARGIN_MM = 0.5
_NAMED = {"stage": "the stage", "cup": "the cup", "reference_kind": "the kind of reference"}
_UNITS = {"cup_mm": ("the cup's diameter", "mm"), "fill_ml": ("the fill", "mL"), "temperature_c": ("", "deg C")}


@dataclass(frozen=True)
class Conditions:
    """What a set holds; empty or NaN where it does not say.

    Attributes
    ----------
    stage, cup, reference_kind : tuple of str
        Every one that occurs.
    cup_mm, fill_ml, temperature_c : tuple of float
        Lowest and highest.
    """

    stage: tuple[str, ...]
    cup: tuple[str, ...]
    reference_kind: tuple[str, ...]
    cup_mm: tuple[float, ...]
    fill_ml: tuple[float, ...]
    temperature_c: tuple[float, ...]


def learn_conditions(scans: pd.DataFrame, reference_kind: str | None = None) -> Conditions:
    """Return the conditions of a set.

    Parameters
    ----------
    scans : DataFrame
        Its scans table.
    reference_kind : str, optional
        Of the whole set, where it is kept there.

    Returns
    -------
    Conditions

    Examples
    --------
    >>> learn_conditions(pd.DataFrame({"stage": ["tank", ""], "fill_ml": [10, 10.1]})).fill_ml
    (10.0, 10.1)
    """
    kinds = (reference_kind,) if reference_kind else _texts(scans, "reference_kind")
    return Conditions(
        stage=_texts(scans, "stage"),
        cup=_texts(scans, "cup"),
        reference_kind=kinds,
        cup_mm=_range(scans, "cup_mm"),
        fill_ml=_range(scans, "fill_ml"),
        temperature_c=_range(scans, "temperature_c"),
    )


def departures_from(conditions: Conditions, scans: pd.DataFrame) -> dict[str, list[str]]:
    """Say which samples were measured under conditions that the set does not hold, and which.

    Parameters
    ----------
    conditions : Conditions
        Of the set; where it says nothing, nothing can depart from it.
    scans : DataFrame
        `sample` and what is known of each scan; blanks depart from nothing.

    Returns
    -------
    dict of str to list of str
        Sample -> sentences.

    Examples
    --------
    >>> room = learn_conditions(pd.DataFrame({"temperature_c": [19.0, 22.0]}))
    >>> departures_from(room, pd.DataFrame({"sample": ["s"], "temperature_c": [4.0]}))["s"][0][:36]
    'measured at 4 deg C, the set holds 1'
    """
    found: dict[str, list[str]] = {}
    for column, said in _NAMED.items():
        held = getattr(conditions, column)
        if not held or column not in scans.columns:
            continue
        cells = scans[column]
        values = cells.map(_text)
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


def _text(value: object) -> str:
    return "" if value is None or (isinstance(value, float) and np.isnan(value)) else str(value).strip()


def _texts(scans: pd.DataFrame, column: str) -> tuple[str, ...]:
    if column not in scans.columns:
        return ()
    return tuple(sorted({_text(value) for value in pd.unique(scans[column])} - {""}))


def _range(scans: pd.DataFrame, column: str) -> tuple[float, ...]:
    if column not in scans.columns:
        return ()
    numbers = pd.to_numeric(scans[column], errors="coerce").to_numpy(dtype=np.float64)
    numbers = numbers[np.isfinite(numbers)]
    return (float(numbers.min()), float(numbers.max())) if numbers.size else ()
