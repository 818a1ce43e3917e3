"""Plain text for a terminal: tables that a tired person can read."""

import math
import textwrap
from collections.abc import Callable, Mapping
from itertools import zip_longest
from typing import Any

import pandas as pd

from specmatch.house.reasons import apart_from_claim
from specmatch.wording import counted

# what a tired eye must not miss stands in capitals
_DECISION_SHOWN = {"hold": "HOLD", "rescan": "RESCAN"}
# a reading's reason is one sentence: two or three lines of this length keep the table within a wide terminal
_REASON_WIDTH = 48


def text_table(
    table: pd.DataFrame,
    *,
    formats: Mapping[str, Callable[[Any], str]] | None = None,
    wrap: Mapping[str, int] | None = None,
) -> str:
    """Lay a table out in columns, numbers to the right, text to the left.

    Parameters
    ----------
    table : DataFrame
        Its index is shown first when it has a name.
    formats : mapping of column -> callable, optional
        How to write a cell; otherwise numbers get four figures, tuples are joined with commas.
    wrap : mapping of column -> int, optional
        Longest line of a column; longer cells run over several lines.

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
    formats, wrap = formats or {}, wrap or {}
    headings = [str(c) for c in shown.columns]
    right = [pd.api.types.is_numeric_dtype(shown.iloc[:, i]) for i in range(len(headings))]
    columns = [
        [_lines(formats.get(heading, show)(value), wrap.get(heading)) for value in shown.iloc[:, i]]
        for i, heading in enumerate(headings)
    ]
    widths = [
        max(len(text) for text in [heading, *(line for cell in column for line in cell)])
        for heading, column in zip(headings, columns, strict=True)
    ]
    rows = [headings, ["-" * width for width in widths]]
    for cells in zip(*columns, strict=True):
        rows += [list(line) for line in zip_longest(*cells, fillvalue="")]
    return "\n".join(
        "  ".join(
            text.rjust(width) if to_right else text.ljust(width)
            for text, width, to_right in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in rows
    )


def _lines(text: str, width: int | None) -> list[str]:
    return (textwrap.wrap(text, width) if width else None) or [text]


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

    Examples
    --------
    >>> print(readings_text(house.read(session).iloc[1:2]))
    sample       nearest beer  colour, EBC       p     plausible beers  warnings
    -----------  ------------  ----------------  ----  ---------------  --------
    MP-1-001-S1  Meadow Pils   6.7 (6.4 to 7.1)  0.79  Meadow Pils
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
    if not judged:
        shown["p"] = readings["p_value"].map("{:.2f}".format)
        shown["plausible beers"] = readings["plausible_beers"]
        shown["warnings"] = [_warnings_shown(row) for row in readings.to_dict("records")]
        return text_table(shown, wrap={"plausible beers": _REASON_WIDTH, "warnings": _REASON_WIDTH})
    shown["decision"] = [
        _DECISION_SHOWN.get(value, value) if isinstance(value, str) else "reading only"
        for value in readings["decision"]
    ]
    shown["reason"] = ["; ".join(_sentences(row)) for row in readings.to_dict("records")]
    return text_table(shown, wrap={"reason": _REASON_WIDTH})


def _sentences(row: Mapping[str, Any]) -> list[str]:
    """Say why, what to do where somebody must, and what else was found."""
    said = [row["reason"]]
    if row["decision"] in _DECISION_SHOWN:
        said.append(f"to do: {row['advice']}")
    if warnings := _warnings_shown(row):
        said.append(f"warnings: {warnings}")
    if only := apart_from_claim(row).codes_if_claimed:
        said.append(f"if it is {row['claimed']} after all: {show(only)}")
    return said


def _warnings_shown(row: Mapping[str, Any]) -> str:
    """Codes of a reading, and the explanation behind them where there is one."""
    found = apart_from_claim(row)
    return ": ".join(part for part in (show(found.codes), found.explanation) if part)


def figures_line(figures: pd.Series) -> str:
    """Say in one line how good a model is with batches held out.

    Parameters
    ----------
    figures : Series
        From `evaluate`.

    Returns
    -------
    str

    Examples
    --------
    >>> figures_line(evaluation.figures)[:61]
    'With batches held out (18 batches of 3 beers): colour within '
    """
    return (
        f"With batches held out ({counted(figures['n_batches'], 'batch')} of {counted(figures['n_beers'], 'beer')}): "
        f"colour within {_percent(figures['relative_error'])} of the lab value (root mean square), "
        f"{figures['nominal_coverage']:.0%} intervals cover {_percent(figures['covered'])} of lab values, "
        f"nearest beer right {_percent(figures['nearest_right'])}, "
        f"right claims held {_percent(figures['false_hold'])} (stated {figures['stated_false_reject_rate']:.0%})."
    )


def _percent(share: float) -> str:
    return f"{share:.1%}" if math.isfinite(share) else "unknown"


def _limit(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else "no limit"
