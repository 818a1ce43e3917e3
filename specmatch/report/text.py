"""Plain text for a terminal: tables that a tired person can read."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

CAUTIONS = (
    "Colour identity is a screening check: it cannot prove what a liquid is, and says nothing about alcohol, "
    "allergens, gluten, contaminants or microbiology. A label, safety or legal release rests on the site's own "
    "procedures, licensed practice and local rules. Keep glass and chromed parts out of the open-bottle area where "
    "the site's glass policy says so, and discard the poured sample."
)


def text_table(table: pd.DataFrame, *, formats: Mapping[str, Callable[[Any], str]] | None = None) -> str:
    """Lay a table out in columns, numbers to the right, text to the left.

    Parameters
    ----------
    table : DataFrame
        Its index is shown first when it has a name.
    formats : mapping of column -> callable, optional
        How to write a cell; otherwise numbers get four figures, tuples are joined with commas.

    Returns
    -------
    str

    Examples
    --------
    >>> print(text_table(pd.DataFrame({"colour": [8.25]}, index=pd.Index(["S1"], name="sample"))))
    sample  colour
    ------  ------
    S1        8.25
    """
    shown = table.reset_index() if table.index.name else table
    formats = formats or {}
    cells = [[formats.get(str(c), show)(value) for value in shown[c]] for c in shown.columns]
    columns = []
    for heading, column, name in zip(map(str, shown.columns), cells, shown.columns, strict=True):
        width = max(map(len, [heading, *column]))
        right = pd.api.types.is_numeric_dtype(shown[name])
        columns.append([text.rjust(width) if right else text.ljust(width) for text in (heading, "-" * width, *column)])
    return "\n".join("  ".join(row).rstrip() for row in zip(*columns, strict=True))


def show(value: Any) -> str:
    """Write one cell: four figures for a number, commas between the items of a tuple, blank for what is missing.

    Parameters
    ----------
    value : object

    Returns
    -------
    str

    Examples
    --------
    >>> show(0.123456), show(("Pale", "Amber")), show(float("nan"))
    ('0.1235', 'Pale, Amber', '')
    """
    if isinstance(value, tuple | list):
        return ", ".join(str(item) for item in value)
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.4g}"
    return "" if value is None else str(value)


def readings_text(readings: pd.DataFrame) -> str:
    """Lay readings out for a person: a row a sample, and with claims the decision and its reason.

    Parameters
    ----------
    readings : DataFrame
        From `HouseModel.read` or `HouseModel.verify`.

    Returns
    -------
    str
    """
    if readings.empty:
        return "no samples"
    interval = [
        "" if math.isnan(row.colour) else f"{row.colour:.1f} ({_limit(row.colour_low)} to {_limit(row.colour_high)})"
        for row in readings.itertuples()
    ]
    shown = pd.DataFrame(index=readings.index)
    judged = "decision" in readings.columns
    if judged:
        shown["claim"] = readings["claimed"]
    shown["nearest beer"] = readings["nearest_beer"]
    shown[f"colour, {readings['colour_unit'].iloc[0]}"] = interval
    if judged:
        shown["decision"] = ["reading only" if value is None else value for value in readings["decision"]]
        shown["reason"] = readings["reason"]
    else:
        shown["p"] = readings["p_value"].map("{:.2f}".format)
        shown["plausible beers"] = readings["plausible_beers"]
    shown["warnings"] = readings["warnings"]
    return text_table(shown)


def _limit(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else "no limit"
