"""One JSON document a command: the same keys every time, never NaN or Infinity, no secrets of pandas inside."""

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

FORMAT = 1


def jsonable(value: Any) -> Any:
    """Turn tables (rows with their index), series, mappings into what JSON can hold; what is no number becomes null."""
    if value is None or isinstance(value, str | bool) or value is pd.NaT or value is pd.NA:
        return value if isinstance(value, str | bool) else None
    if isinstance(value, int | np.integer | np.bool_):
        return bool(value) if isinstance(value, np.bool_) else int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, pd.DataFrame):
        table = value.reset_index() if value.index.name else value
        columns = [str(column) for column in table.columns]
        return [{c: jsonable(v) for c, v in zip(columns, row, strict=True)} for row in table.itertuples(index=False)]
    if isinstance(value, pd.Series | Mapping):
        return {str(key): jsonable(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return jsonable(asdict(value))
    if isinstance(value, date | Path):
        return value.isoformat() if isinstance(value, date) else str(value)
    if isinstance(value, Iterable):
        return [jsonable(item) for item in value]
    raise TypeError(f"a {type(value).__name__} cannot stand in a JSON document")


def document(command: str, results: Any, left_out: Any = ()) -> str:
    """Return the JSON document of one command."""
    body = {"format": FORMAT, "command": command, "results": jsonable(results), "left_out": jsonable(left_out)}
    return json.dumps(body, ensure_ascii=False, allow_nan=False)
