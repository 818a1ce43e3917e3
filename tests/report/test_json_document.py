"""One JSON document a command: the same keys, no NaN, tuples as arrays."""

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from specmatch.report.json_document import document, jsonable


def test_a_readings_table_becomes_rows_with_its_index():
    table = pd.DataFrame(
        {"colour": [8.2, np.nan], "high": [np.inf, 1.0], "plausible_beers": [("Pale", "Amber"), ()], "n": [3, 1]},
        index=pd.Index(["007", "8"], name="sample"),
    )
    got = json.loads(document("read", table))
    assert got["results"][0] == {
        "sample": "007",
        "colour": 8.2,
        "high": None,
        "plausible_beers": ["Pale", "Amber"],
        "n": 3,
    }
    assert got["results"][1]["colour"] is None
    assert list(got) == ["format", "command", "results", "left_out"]


def test_numbers_dates_paths_and_dataclasses():
    @dataclass(frozen=True)
    class Point:
        x: np.ndarray

    assert jsonable(Point(np.array([1.0, np.nan]))) == {"x": [1.0, None]}
    assert jsonable({"a": np.int64(3), "b": np.bool_(True), "c": np.float32(0.5), 4: pd.NA}) == {
        "a": 3, "b": True, "c": 0.5, "4": None,
    }  # fmt: skip
    assert jsonable([date(2026, 1, 2), Path("x"), pd.NaT, pd.Series({"k": np.inf})]) == [
        "2026-01-02",
        "x",
        None,
        {"k": None},
    ]


def test_what_has_no_form_in_json_is_refused():
    with pytest.raises(TypeError, match="a object cannot stand in a JSON document"):
        jsonable(object())
