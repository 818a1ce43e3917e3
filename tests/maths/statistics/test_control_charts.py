"""Control charts: the examples of the NIST/SEMATECH e-Handbook digit by digit, run lengths against published tables.

Limits of control charts by how many values they rest on, held against simulation and SciPy.
"""

import numpy as np
import pytest
from scipy import stats

from specmatch.errors import OptionError
from specmatch.maths.statistics.control_charts import (
    BASELINES,
    CUSUM_ALLOWANCE,
    CUSUM_DECISION,
    D2,
    EWMA_WEIGHT,
    FACTORS,
    FARTHEST_SD,
    LENGTHS,
    SETTLED,
    Baseline,
    baseline_of,
    cusum,
    ewma,
    ewma_limits,
    hold,
    independent_number,
    individuals_limits,
    limit_factor,
    prediction_limits,
    student_quantile,
)
from specmatch.maths.statistics.levels import binomial_bounds

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2
    base = baseline_of(FLOW)
    assert round(base.centre, 2) == 50.81
    assert round(base.sd * 1.128, 4) == 1.8778
    low, high = individuals_limits(base, width=3.0)
    assert high == pytest.approx(55.8041, abs=1e-4)  # the handbook rounds the mean range before it multiplies
    assert low == pytest.approx(45.8159, abs=1e-4)


def test_ewma_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, target 50, s 2.0539
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    # two printed decimals, and the handbook's own rounding moves one of them by a unit
    assert ewma(values, 50.0, weight=0.3) == pytest.approx(printed, abs=0.011)
    low, high = ewma_limits(Baseline(50.0, 2.0539, 20), weight=0.3)
    assert high == pytest.approx(52.5884, abs=1e-4)
    assert low == pytest.approx(47.4115, abs=1e-4)


def test_cusum_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959
    values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    upper, lower = cusum(values, 325.0, 0.3175)
    assert upper[12:] == pytest.approx([3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=0.006)
    assert int(np.flatnonzero((upper > 4.1959) | (lower > 4.1959))[0]) == 13


def test_a_baseline_needs_two_values():
    with pytest.raises(OptionError, match="holds 1 values"):
        baseline_of([1.0])


def run_lengths(signal_of, shift, n_runs, longest, seed):
    """Run lengths of a chart on standard normal values about `shift`; `signal_of` gets one value of every run."""
    rng = np.random.default_rng(seed)
    length = np.zeros(n_runs, dtype=int)
    alive = np.ones(n_runs, dtype=bool)
    for step in range(1, longest + 1):
        out = signal_of(rng.normal(shift, 1.0, n_runs))
        length[alive & out] = step
        alive &= ~out
        if not alive.any():
            break
    assert not alive.any(), "a run was cut off: its length is unknown"
    return length


def cusum_signal(n_runs, k, h):
    up, down = np.zeros(n_runs), np.zeros(n_runs)

    def signal(x):
        np.maximum(0.0, up + x - k, out=up)
        np.maximum(0.0, down - x - k, out=down)
        return (up > h) | (down > h)

    return signal


def ewma_signal(n_runs, weight, width):
    level = np.zeros(n_runs)
    half = ewma_limits(Baseline(0.0, 1.0, 2), weight=weight, width=width)[1]

    def signal(x):
        level[:] += weight * (x - level)
        return np.abs(level) > half

    return signal


@pytest.mark.slow
@pytest.mark.parametrize(("shift", "published"), [(0.5, 38.0), (1.0, 10.4), (2.0, 4.01)])
def test_cusum_run_lengths(shift, published, full_size):
    """Two-sided, k 0.5, h 5: J. M. Lucas, R. B. Crosier, Technometrics 24:199, 1982 (values from memory)."""
    n = 200_000 if full_size else 4_000
    lengths = run_lengths(cusum_signal(n, 0.5, 5.0), shift, n, 4000, seed=3)
    # four standard errors, and half a unit of the last printed digit
    assert abs(lengths.mean() - published) < 4 * lengths.std() / np.sqrt(n) + 0.05


@pytest.mark.slow
@pytest.mark.parametrize(("weight", "width", "shift", "published"), [(0.1, 2.814, 1.0, 10.3), (0.2, 2.962, 0.5, 41.8)])
def test_ewma_run_lengths(weight, width, shift, published, full_size):
    """Two-sided, steady limits: J. M. Lucas, M. S. Saccucci, Technometrics 32:1, 1990 (values from memory)."""
    n = 200_000 if full_size else 4_000
    lengths = run_lengths(ewma_signal(n, weight, width), shift, n, 6000, seed=4)
    assert abs(lengths.mean() - published) < 4 * lengths.std() / np.sqrt(n) + 0.05


@pytest.mark.slow
def test_run_lengths_without_any_shift(full_size):
    """Lucas and Crosier: 465 for k 0.5, h 5; individuals: 1 over the chance beyond 3 sd, 370.4 (values from memory)."""
    n = 20_000 if full_size else 400
    for signal, published in ((cusum_signal(n, 0.5, 5.0), 465.0), (lambda x: np.abs(x) > 3.0, 370.4)):
        lengths = run_lengths(signal, 0.0, n, 10_000, seed=5)
        assert abs(lengths.mean() - published) < 4 * lengths.std() / np.sqrt(n) + 0.5


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
