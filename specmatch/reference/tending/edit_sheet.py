"""Edits in bulk: a sheet with a row an edit, taken whole or not at all."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from specmatch.errors import OptionError, SpecmatchError
from specmatch.reference.tables.edits import LEVELS, Change, Tables, dropped, recoloured, relabelled, renamed, stepped

COLUMNS = ("batch", "what", "value", "reason")
_MOST_TOLD = 3


def colour_of(text: str) -> float:
    """Return a colour as typed; `none` is no colour."""
    if text.strip().lower() == "none":
        return float("nan")
    try:
        return float(text.strip().replace(",", "."))
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
    return tables, f"{len(said)} edits: {listed}", {"kind": "sheet", "edits": edits}


def _text(cell: Any) -> Any:
    if isinstance(cell, list):
        return cell  # names that were dropped together
    if cell is None or (isinstance(cell, float) and np.isnan(cell)):
        return ""
    return f"{cell:.15g}" if isinstance(cell, float) else str(cell).strip()
