import numpy as np
import pandas as pd
import pytest

from specmatch.measurement.reflectance.path_length import (
    at_one_depth,
    depth_of_set,
    filling_depth_mm,
    fillings,
    one_depth_mm,
    unfit_for_one_depth,
)


def rows(**columns: list) -> pd.DataFrame:
    n = len(next(iter(columns.values())))
    return pd.DataFrame(columns, index=[f"s{i}" for i in range(n)])


def test_a_set_stands_at_the_deepest_filling_that_it_is_used_to():
    depth = depth_of_set(rows(fill_ml=[5.0, 10.0, 10.05, 9.95, 5.0], cup=["A"] * 5, cup_mm=[40.0] * 5))
    assert depth.fill_ml == 10.0 and depth.cup_mm == 40.0 and depth.cups == ("A",)
    assert depth.said == "7.96 mm (10 mL in 40 mm)"
    # half as many are enough: a deep pour of dark beer has no light to be brought to a smaller depth
    assert depth_of_set(rows(fill_ml=[5.0, 10.0])).fill_ml == 10.0
    assert depth_of_set(rows(fill_ml=[5.0, 5.0, 10.0])).fill_ml == 10.0
    # fewer at a deeper fill only teach the law; and where the most scans can be brought counts first
    assert depth_of_set(rows(fill_ml=[5.0, 5.0, 5.0, 7.0])).fill_ml == 5.0
    assert depth_of_set(rows(fill_ml=[4.0, 4.0, 4.0, 9.0, 9.0])).fill_ml == 4.0
    assert depth_of_set(rows(fill_ml=[4.0, 4.0, 7.0, 9.0, 9.0])).fill_ml == 7.0
    # two cups without a size: only scans of the usual one can be compared
    assert depth_of_set(rows(fill_ml=[10.0] * 3, cup=["A", "B", "A"])).cups == ("A",)
    assert depth_of_set(rows(cup=["A"])) is None and depth_of_set(rows(fill_ml=[np.nan], cup_mm=[40.0])) is None


def test_factors_go_with_volume_and_the_square_of_the_diameter():
    depth = depth_of_set(rows(fill_ml=[10.0], cup=["A"], cup_mm=[40.0]))
    found = fillings(
        rows(fill_ml=[10.0, 8.0, 10.0, 5.0], cup=["A", "A", "B", ""], cup_mm=[40.0, 40.0, 36.0, np.nan]), depth
    )
    by_hand = filling_depth_mm(np.full(4, 10.0), np.full(4, 40.0)) / filling_depth_mm(
        np.array([10.0, 8.0, 10.0, 5.0]), np.array([40.0, 40.0, 36.0, 40.0])
    )
    assert found.factor == pytest.approx(by_hand) and not found.unknown
    # JCGM 100: the tolerance of each volume over the root of three, and of each diameter twice where cups differ
    by_fill = np.hypot(0.2 / 8.0, 0.2 / 10.0) / np.sqrt(3.0)
    by_cup = np.hypot(np.hypot(0.2 / 10.0, 0.2 / 10.0), np.hypot(2 * 0.2 / 40.0, 2 * 0.2 / 36.0)) / np.sqrt(3.0)
    assert found.path_sd[[0, 1, 2]] == pytest.approx([0.0, by_fill, by_cup])
    weighed = fillings(rows(fill_ml=[8.0], fill_sd_ml=[0.02], cup_mm=[40.0]), depth)
    assert weighed.path_sd[0] == pytest.approx(np.hypot(0.02 / 8.0, 0.2 / 10.0 / np.sqrt(3.0)))
    assert found.elsewhere.tolist() == [False, True, True, True]
    # a factor of two is inside, whatever the rounding
    assert fillings(rows(fill_ml=[5.0, 20.0, 4.9], cup_mm=[40.0] * 3), depth).out_of_range.tolist() == [
        False,
        False,
        True,
    ]


def test_what_is_not_stated_is_not_known():
    depth = depth_of_set(rows(fill_ml=[10.0], cup=["A"], cup_mm=[40.0]))
    found = fillings(rows(fill_ml=[np.nan, 10.0, 10.0], cup=["A", "X", "A"], cup_mm=[40.0, np.nan, np.nan]), depth)
    assert found.unknown == {0: "fill_ml is not stated", 1: "the inner diameter of cup 'X' is not stated"}
    assert np.isnan(found.factor[:2]).all() and found.factor[2] == pytest.approx(1.0)
    by_volume = depth_of_set(rows(fill_ml=[10.0], cup=["A"]))
    other = fillings(rows(fill_ml=[8.0, 8.0], cup=["A", "B"]), by_volume)
    assert other.factor[0] == pytest.approx(1.25) and list(other.unknown) == [1]
    assert list(fillings(pd.DataFrame(index=["a", "b"]), depth).unknown) == [0, 1]


def test_scans_that_cannot_join_a_set_of_several_fillings_are_told():
    mixed = rows(fill_ml=[10.0, 10.0, 5.0, np.nan, 2.0], cup_mm=[40.0] * 5)
    unfit = unfit_for_one_depth(mixed, depth_of_set(mixed))
    assert sorted(unfit) == [3, 4] and "0.20 times" in unfit[4] and "fill_ml is not stated" in unfit[3]
    # one filling and no other: a blank means the same
    blank = rows(fill_ml=[10.0, 10.0, np.nan], cup_mm=[40.0] * 3)
    assert unfit_for_one_depth(blank, depth_of_set(blank)) == {}
    assert one_depth_mm(blank) == pytest.approx(7.958, abs=1e-3) and one_depth_mm(mixed) is None


def test_pours_are_held_against_each_other_at_one_depth():
    through = np.array([0.9, 0.5, 0.1])
    table = pd.DataFrame([0.01 + 0.99 * through, 0.01 + 0.99 * through**0.5], index=["s0", "s1"])
    before = table.copy()
    got = at_one_depth(table, rows(fill_ml=[10.0, 5.0], cup_mm=[40.0] * 2))
    assert got.iloc[1].to_numpy() == pytest.approx(got.iloc[0].to_numpy(), abs=2e-3)
    pd.testing.assert_frame_equal(table, before)
    # a channel that is lost costs no other one
    lost = at_one_depth(table.mask(table == table.iloc[0, 1]), rows(fill_ml=[5.0, 10.0], cup_mm=[40.0] * 2))
    assert np.isnan(lost.to_numpy()).tolist() == [[False, True, False], [False] * 3]
