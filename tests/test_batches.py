"""The gate for scans and batches, and folds that keep a batch whole."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from specmatch.batches import batch_folds, by_sample, check_batches, check_scans
from specmatch.errors import OptionError, ParentsError, TableError, UnitError

IDS = pd.Index(["x1", "x2", "x3"])


def scans(**columns):
    return pd.DataFrame(columns, index=pd.Index(["x1", "x2", "x3"], name="scan_id"))


def test_without_a_table_each_scan_is_its_own_sample():
    got = check_scans(None, IDS)
    assert got["sample"].tolist() == got["pour"].tolist() == got["batch"].tolist() == ["x1", "x2", "x3"]


def test_a_blank_pour_is_the_scan_itself_and_a_missing_batch_the_sample():
    got = check_scans(scans(pour=["p", "p", None], sample=["s", "s", "t"], stage=["tank"] * 3), IDS)
    assert got["pour"].tolist() == ["p", "p", "x3"]
    assert got["batch"].tolist() == ["s", "s", "t"]
    assert got["stage"].tolist() == ["tank"] * 3


def test_rows_follow_the_spectra_and_identifiers_stay_text():
    table = scans(sample=["007", "7", "1E5"]).loc[["x3", "x1", "x2"]]
    assert check_scans(table, IDS)["sample"].tolist() == ["007", "7", "1E5"]


@pytest.mark.parametrize(
    ("table", "error", "words"),
    [
        (
            scans(pour=["p", "p", "q"], sample=["s", "t", "t"]),
            ParentsError,
            "pour 'p' stands under sample 's' and under sample 't'",
        ),
        (
            scans(sample=["s", "s", "t"], batch=["b", "c", "c"]),
            ParentsError,
            "sample 's' stands under batch 'b' and under batch 'c'",
        ),
        (scans(sample=["s"] * 3).iloc[:2], TableError, "1 of 3 scans have no row .* the first 'x3'"),
        (scans(sample=[1.0, 2.0, 3.0]), TableError, "identifiers are text"),
        (pd.concat([scans(sample=["s"] * 3)] * 2), TableError, "'x1' has more than one row"),
        ("x1", TableError, "scans are a str"),
    ],
)
def test_bad_scans_tables_are_refused_by_name(table, error, words):
    with pytest.raises(error, match=words):
        check_scans(table, IDS)


def test_rows_without_a_spectrum_are_not_used():
    assert len(check_scans(scans(sample=["s"] * 3), IDS[:2])) == 2


def batches(**columns):
    columns = {"beer": ["Pale", "Dark"], "colour": [8.0, 60.0], **columns}
    return pd.DataFrame(columns, index=pd.Index(["b1", "b2"], name="batch"))


def test_colours_come_in_the_unit_of_the_set():
    # 25/12.7, the ratio of the two published factors
    got = check_batches(batches(colour_unit=["°SRM", ""], colour_sd=[0.1, 0.5]), colour_unit="EBC")
    assert np.allclose(got["colour"], [8 * 25 / 12.7, 60.0])
    assert np.allclose(got["colour_sd"], [0.1 * 25 / 12.7, 0.5])
    assert got["colour_unit"].tolist() == ["EBC", "EBC"]


def test_a_blank_lab_colour_is_kept_as_missing():
    assert np.isnan(check_batches(batches(colour=[8.0, None])).loc["b2", "colour"])


def test_labs_that_differ_by_case_are_one():
    got = check_batches(batches(lab=["Lab North", "LAB NORTH + south"]))
    assert got["lab"].tolist() == ["Lab North", "Lab North + south"]


@pytest.mark.parametrize(
    ("table", "error", "words"),
    [
        (batches(colour_sd=[0.1, -0.1]), TableError, "batch 'b2' has the colour_sd '-0.1'; expected a number of 0 or"),
        (batches(colour_sd=["", "few"]), TableError, "batch 'b2' has the colour_sd 'few'"),
        (batches(colour_sd=pd.to_datetime(["2026-01-05"] * 2)), TableError, "colour_sd '2026-01-05 00:00:00'"),
        (batches(colour_n=["3", True]), TableError, "the colour_n 'True'; expected a number of 1 or more"),
        (batches(colour=["8", True]), TableError, "the colour 'True'; expected a number > 0"),
        (batches(colour_n=[0, None]), TableError, "batch 'b1' has the colour_n '0.0'; expected a number of 1 or more"),
        (batches().drop(columns="beer"), TableError, "lacks column 'beer'"),
        (pd.concat({"lab": batches()}, axis=1), TableError, "headings of several levels; give each column one name"),
        (batches(beer=["Pale", " "]), TableError, "batch 'b2' has no beer"),
        (batches(colour=[8.0, -1.0]), TableError, "batch 'b2' has the colour '-1.0'"),
        (batches(colour=["8", "dark"]), TableError, "batch 'b2' has the colour 'dark'"),
        (batches(colour_unit=["EBC", "Lovibond"]), UnitError, "batch 'b2' has the colour unit 'LOVIBOND'"),
        (
            batches().set_axis(["b1", "b1"], axis=0),
            ParentsError,
            "batch 'b1' stands under two beers, 'Pale' and 'Dark'",
        ),
        (batches(beer=["Pale"] * 2).set_axis(["b1", "b1"], axis=0), TableError, "more than one row"),
    ],
)
def test_bad_batches_tables_are_refused_by_name(table, error, words):
    with pytest.raises(error, match=words):
        check_batches(table)


# of every kind that names have; tables of all characters take a second to be made
LETTERS = "abzAZ019 -_./'\"äßéøЖ日本🍺\u200f\n"


@given(
    st.lists(st.text(LETTERS, min_size=1, max_size=8), min_size=2, max_size=40, unique=True),
    st.integers(2, 10),
    st.randoms(),
)
def test_folds_depend_on_names_and_seed_alone_and_are_balanced(names, n_folds, random):
    folds = dict(zip(names, batch_folds(names, n_folds, seed=3), strict=True))
    shuffled = random.sample(names, len(names))
    assert dict(zip(shuffled, batch_folds(shuffled, n_folds, seed=3), strict=True)) == folds
    sizes = np.bincount(list(folds.values()))
    assert sizes.max() - sizes.min() <= 1
    assert len(sizes) == min(n_folds, len(names))


def test_the_batches_of_a_beer_are_spread_over_the_folds():
    names, beers = [f"b{i}" for i in range(40)], [f"beer {i // 10}" for i in range(40)]
    folds = batch_folds(names, 10, strata=beers)
    for beer in set(beers):
        assert sorted(folds[[b == beer for b in beers]]) == list(range(10))
    with pytest.raises(OptionError, match="expected 2 or more"):
        batch_folds(names, 1)
    for seed in (-1, 1.5, "x"):
        with pytest.raises(OptionError, match="seed is .*; expected a whole number, 0 or more"):
            batch_folds(names, 2, seed=seed)


def test_known_folds_never_change():
    # by hand: SHA-256 of "0:alpha" begins 67d7, "0:beta" 5071, "0:gamma" caa6, "0:delta" c9f8; sorted, dealt in turn
    assert batch_folds(["alpha", "beta", "gamma", "delta"], 2, seed=0).tolist() == [1, 0, 1, 0]


def test_scans_with_headings_of_several_levels_are_refused():
    with pytest.raises(TableError, match="several columns are headed 'pour'; give each column one name"):
        check_scans(pd.concat({"pour": scans(pour=["p", "q", "r"])}, axis=1), IDS)


def test_a_sample_is_said_to_be_one_beer():
    assert by_sample({"s1": " Pils ", "s2": None, "s3": float("nan"), "s4": ""}) == {
        "s1": "Pils", "s2": None, "s3": None, "s4": None,
    }  # fmt: skip
    with pytest.raises(TableError, match=r"sample 's1' is said to be \['Pils', 'Stout'\]; expected one name"):
        by_sample({"s1": ["Pils", "Stout"]})


def test_a_beer_is_one_beer_whether_its_accents_stand_by_themselves_or_not():
    beers = ["Ko\u0308lsch", "K\u00f6lsch"]  # as a Mac writes names of files, and as a keyboard does
    table = check_batches(pd.DataFrame({"beer": beers, "colour": [7.0, 8.0]}, index=["a", "b"]))
    assert table["beer"].nunique() == 1
    assert by_sample({"s": beers[0]}) == by_sample({"s": beers[1]})
