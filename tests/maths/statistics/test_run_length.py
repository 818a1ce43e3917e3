"""Limits of control charts by how many values they rest on, held against simulation and SciPy."""

import numpy as np
import pytest
from scipy import stats

from specmatch.maths.statistics.control_charts import (
    CUSUM_ALLOWANCE,
    CUSUM_DECISION,
    D2,
    EWMA_WEIGHT,
    Baseline,
    prediction_limits,
    student_quantile,
)
from specmatch.maths.statistics.control_limits import SETTLED, hold, independent_number
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.maths.statistics.run_length import BASELINES, FACTORS, FARTHEST_SD, LENGTHS, limit_factor


def simulated_factors(n_baseline, points, *, charts, seed):
    """Return for steady charts of normal values the factor at which each would just not be called out, (charts,)."""
    rng = np.random.default_rng(seed)
    first = rng.standard_normal((charts, n_baseline))
    centre, sd = first.mean(axis=1), np.abs(np.diff(first, axis=1)).mean(axis=1) / D2
    wide = 3.0 * sd * np.sqrt(EWMA_WEIGHT / (2.0 - EWMA_WEIGHT))
    level, up, down, most = centre.copy(), np.zeros(charts), np.zeros(charts), np.zeros(charts)
    for _ in range(points):
        value = np.clip(rng.standard_normal(charts), centre - FARTHEST_SD * sd, centre + FARTHEST_SD * sd)
        level += EWMA_WEIGHT * (value - level)
        up = np.maximum(0.0, up + value - centre - CUSUM_ALLOWANCE * sd)
        down = np.maximum(0.0, down - value + centre - CUSUM_ALLOWANCE * sd)
        above = np.minimum((level - centre) / wide, up / (CUSUM_DECISION * sd))
        below = np.minimum((centre - level) / wide, down / (CUSUM_DECISION * sd))
        most = np.maximum(most, np.maximum(above, below))
    return most


@pytest.mark.parametrize("dof", [1.0, 1.5, 3.0, 11.7, 19.0, 200.0])
@pytest.mark.parametrize("rate", [0.0002, 0.0027, 0.05, 0.5])
def test_the_quantile_of_student_is_scipys(dof, rate):
    assert student_quantile(rate, dof) == pytest.approx(stats.t.isf(rate / 2.0, dof), rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("n", [10, 20, 50])
def test_one_value_of_a_steady_chart_in_370_lies_beyond_limits_made_for_that(n, full_size):
    """Three standard deviations from 20 values would give 1.07 % (stated in the reasons of this rule)."""
    charts = 400_000 if full_size else 40_000
    rng = np.random.default_rng(n)
    first, one = rng.standard_normal((charts, n)), rng.standard_normal(charts)
    sd = np.abs(np.diff(first, axis=1)).mean(axis=1) / D2
    width = prediction_limits(Baseline(0.0, 1.0, n))[1]
    beyond = int((np.abs(one - first.mean(axis=1)) > width * sd).sum())
    low, high = binomial_bounds(beyond, charts)
    assert low <= 0.0027
    assert high >= 0.0012  # not much wider than it need be
    at_three = int((np.abs(one - first.mean(axis=1)) > 3.0 * sd).sum()) / charts
    assert n != 20 or at_three == pytest.approx(0.0107, abs=0.002)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "points"), [(2, 30), (20, 100), (20, 300), (150, 100)])
def test_half_of_the_steady_charts_last_as_long_as_stated(n, points, full_size):
    charts = 8000 if full_size else 1500
    called = int((simulated_factors(n, points, charts=charts, seed=11) > limit_factor(n, points)).sum())
    low, high = binomial_bounds(called, charts)
    # two digits of a factor are worth some two percent of charts
    assert low - 0.02 <= 0.5 <= high + 0.02


def test_factors_grow_with_the_length_and_shrink_with_the_baseline():
    table = np.array(FACTORS)
    assert table.shape == (len(BASELINES), len(LENGTHS))
    assert (np.diff(table, axis=1) > 0).all() and (np.diff(table, axis=0) <= 0).all()
    assert limit_factor(20, 300.0) == pytest.approx(FACTORS[BASELINES.index(20)][LENGTHS.index(300.0)])
    assert FACTORS[5][3] < limit_factor(30, 300.0) < FACTORS[4][3]
    assert limit_factor(20, 1.0) == FACTORS[4][0] and limit_factor(20, 1e9) == FACTORS[4][-1]


@pytest.mark.slow
@pytest.mark.parametrize("later", [0, 15])
def test_a_steady_value_is_outside_as_often_as_stated(later, full_size, whole):
    draws = 20_000 if full_size else 4000 if whole else 1000
    rng = np.random.default_rng(later)
    out = 0
    for values in rng.standard_normal((draws, SETTLED + later + 1)):
        held = hold(values[-1], values[:SETTLED], values[SETTLED:-1], prior_sd=1.0, rate=0.05)
        out += not held.inside(values[-1])
    low, high = binomial_bounds(out, draws)
    # after one value both tests are one, later they are correlated: at least half of the sum of their rates
    assert low <= 0.05 and high >= 0.025


def test_before_a_scatter_has_shown_itself_the_one_known_beforehand_stands_in():
    held = hold(0.0, np.array([0.0]), np.empty(0), prior_sd=1.0, rate=0.01)
    assert held.high == pytest.approx(stats.t.isf(0.005, 4) * np.sqrt(2.0), rel=1e-4)
    assert held.average is None and held.inside(6.0) and not held.inside(7.0)


def test_independent_variables_count_each_and_equal_ones_once():
    rng = np.random.default_rng(0)
    apart, one = rng.standard_normal((400, 4)), rng.standard_normal((400, 1))
    assert independent_number(apart) > 3.5
    assert independent_number(one + 1e-6 * apart) == pytest.approx(1.0, abs=1.01)
    assert independent_number(np.zeros((10, 3))) == 3.0
