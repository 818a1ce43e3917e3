"""Columns laid out a row at a time are the same however many rows and names there are."""

import numpy as np
import pandas as pd
import pytest

from specmatch.house.reading import readings
from specmatch.house.reading.readings import FEW_ROWS, chosen_names, codes_by_row, sentences_by_row, table_of


@pytest.mark.parametrize("n_names", [1, 12, 31, 32, 70])
def test_every_row_gets_the_names_that_it_chooses(n_names):
    rng = np.random.default_rng(n_names)
    names = [f"Beer {i}" for i in range(n_names)]
    # few patterns that differ anywhere, many rows of each, and one of its own
    patterns = rng.random((5, n_names)) < 0.3
    chosen = np.concatenate([patterns[rng.integers(0, 5, 3 * FEW_ROWS)], np.eye(1, n_names, n_names - 1, dtype=bool)])
    expected = [tuple(name for name, one in zip(names, row, strict=True) if one) for row in chosen]
    assert chosen_names(chosen, names).tolist() == expected
    assert chosen_names(chosen[-3:], names).tolist() == expected[-3:]


def test_codes_of_a_row_stand_once_each_in_the_order_given():
    flagged = [(np.array([True, True]), ("haze", "foam"))]
    codes = codes_by_row(
        pd.Index(["a", "b"]), {"b": ["foam"]}, {0: ["spike"], 1: ["haze"]}, flagged, {1: ["late"]}, ("always",)
    )
    first = codes_by_row(pd.Index(["a", "b"]), {"b": ["foam"]}, {}, flagged, {}, ("always",), of_all=("depth",))
    assert first.tolist() == [("depth", "haze", "foam", "always"), ("foam", "depth", "haze", "always")]
    assert codes.tolist() == [("spike", "haze", "foam", "always"), ("foam", "haze", "late", "always")]


def test_sentences_of_a_row_are_one_text():
    assert sentences_by_row({1: ["too warm", "foam"]}, 3).tolist() == ["", "too warm; foam", ""]
    assert sentences_by_row({1: ["foam"]}, 2, ("no fill",)).tolist() == ["no fill", "no fill; foam"]


@pytest.mark.parametrize("n", [0, 1, 3])
def test_a_table_of_columns_is_the_one_that_pandas_makes(n):
    tuples = np.empty(n, dtype=object)
    tuples[:] = [("a", "b")] * n
    columns = {
        "colour": np.linspace(1.0, 2.0, n), "unit": "EBC", "beer": np.array(["Pils"] * n, dtype=object),
        "n_pours": np.arange(n), "codes": tuples, "p": np.zeros(n),
    }  # fmt: skip
    index = pd.Index([f"S{i}" for i in range(n)], dtype=object, name="sample")
    expected = pd.DataFrame(columns, index=index)
    found = table_of(columns, index)
    # of no rows nobody can tell what objects hold
    pd.testing.assert_frame_equal(found, expected, check_dtype=n > 0)
    found["more"] = 1.0
    found.loc[found.index[:1], "p"] = 0.5
    assert list(found.columns)[-1] == "more"


def test_where_pandas_is_told_to_keep_objects_texts_are_objects(monkeypatch):
    # as its option, which goes with pandas 4, makes of it
    monkeypatch.setattr(readings, "_text_type", lambda: (np.dtype(object), None))
    found = table_of({"colour": np.ones(1), "unit": "EBC"}, pd.Index(["S"], dtype=object, name="sample"))
    if readings.create_dataframe_from_blocks is not None:
        assert found["unit"].dtype == object
    assert found["unit"].tolist() == ["EBC"] and found["colour"].dtype == float
