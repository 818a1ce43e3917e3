"""Counts with bounds and means by group, against SciPy and by hand."""

import numpy as np
import pytest
from scipy import stats

from specmatch.maths.statistics.levels import Levels, binomial_bounds, mean_by, parent_codes, place_within


@pytest.mark.parametrize("n", [1, 5, 30, 299])
def test_bounds_of_counts_equal_scipy(n):
    for k in {0, 1, n // 2, n}:
        exact = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
        low, high = binomial_bounds(k, n)
        assert (float(low), float(high)) == pytest.approx((exact.low, exact.high), abs=1e-12)


def test_no_errors_in_so_many_bounds_the_rate():
    # one-sided 95 %: 0 of 30, 59, 100, 299
    _, high = binomial_bounds(0, [30, 59, 100, 299], level=0.90)
    np.testing.assert_allclose(high, [0.095, 0.050, 0.030, 0.010], atol=5e-4)
    assert [float(bound) for bound in binomial_bounds(0, 0)] == [0.0, 1.0]


def test_means_by_group():
    values = np.arange(12.0).reshape(6, 2)
    means, counts = mean_by(values, [1, 0, 1, 0, 1, 2])
    np.testing.assert_allclose(means, [[4.0, 5.0], [4.0, 5.0], [10.0, 11.0]])
    assert counts.tolist() == [2, 3, 1]


def test_means_of_many_rows_are_those_of_few():
    rng = np.random.default_rng(0)
    rows, codes = rng.normal(size=(2000, 3)), np.concatenate([np.arange(70), rng.integers(0, 70, 1930)])
    rows[5, 1] = np.nan
    means, counts = mean_by(rows, codes)
    np.testing.assert_allclose(means, [rows[codes == code].mean(axis=0) for code in range(70)], rtol=1e-12)
    np.testing.assert_array_equal(counts, np.bincount(codes))


def test_rows_of_one_code_are_counted_in_their_order():
    assert place_within(np.array([2, 0, 2, 4, 0, 2])).tolist() == [0, 0, 1, 0, 1, 2]


def test_each_child_has_the_parent_that_stands_beside_it():
    batch_of_scan, beer_of_scan = np.array([2, 0, 1, 0, 2]), np.array([7, 5, 5, 5, 7])
    assert parent_codes(batch_of_scan, beer_of_scan).tolist() == [5, 5, 7]


class TestLevels:
    # pours 0-6 of samples 0, 0, 1, 2, 2, 2, 3 of batches 0, 0, 1, 2 of beers 1, 0, 1
    levels = Levels.of_pours([0, 0, 1, 2, 2, 2, 3], [0, 0, 0, 1, 1, 1, 2], [1, 1, 1, 0, 0, 0, 1])
    values = np.array([1.0, 3.0, 5.0, 1.0, 2.0, 6.0, 8.0])

    def test_codes_and_counts_of_each_level(self):
        assert self.levels.batch.tolist() == [0, 0, 1, 2]
        assert self.levels.codes("beer").tolist() == [1, 1, 1, 0, 0, 0, 1]
        assert self.levels.codes("beer", of="sample").tolist() == [1, 1, 0, 1]
        assert self.levels.codes("beer", of="batch").tolist() == [1, 0, 1]
        assert [self.levels.counts(level).tolist() for level in ("sample", "batch", "beer")] == [
            [2, 1, 3, 1],
            [2, 1, 1],
            [1, 2],
        ]

    def test_means_go_level_by_level(self):
        assert self.levels.mean(self.values, to="sample").tolist() == [2.0, 5.0, 3.0, 8.0]
        assert self.levels.mean(self.values, to="batch").tolist() == [3.5, 3.0, 8.0]
        assert self.levels.mean(self.values, to="beer").tolist() == [3.0, 5.75]
        assert self.levels.mean([2.0, 4.0, 6.0], to="beer", of="batch").tolist() == [4.0, 4.0]
        assert self.levels.about_sample(self.values).tolist() == [-1.0, 1.0, 0.0, -2.0, -1.0, 3.0, 0.0]

    def test_one_over_the_pours_is_a_mean_over_batches(self):
        assert self.levels.per_pour == pytest.approx(np.mean([(1 / 2 + 1) / 2, 1 / 3, 1.0]))

    def test_a_part_counts_anew_and_may_keep_the_beers(self):
        part = self.levels.part(np.array([0, 2, 6]))
        assert (part.sample.tolist(), part.batch.tolist(), part.beer.tolist()) == ([0, 1, 2], [0, 0, 1], [0, 0])
        assert self.levels.part(self.values > 7.0, same_beers=True).beer.tolist() == [1]

    def test_without_beers_all_batches_are_of_one(self):
        assert Levels.of_pours([5, 5, 9], [3, 3, 4]).beer.tolist() == [0, 0]
