"""Figures of a validation against published numbers."""

from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from specmatch.errors import TableError
from specmatch.maths.statistics.agreement import agreement, bias_limit, fit_line


def test_calibration_line_of_the_uncertainty_guide():
    # JCGM 100:2008, annex H.3, thermometer; readings from memory, results computed from them
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = fit_line(np.array(t) - 20.0, b)
    assert (line.intercept, line.intercept_sd) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (line.slope, line.slope_sd) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    height, sd = line.at(10.0)
    assert (float(height), float(sd)) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_certified_line():
    # NIST Statistical Reference Datasets, Norris: the data travel with SciPy's tests where they are installed
    folder = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not folder.exists():
        pytest.skip("this SciPy came without its tests' data")
    rows = [line.split() for line in folder.read_text().splitlines()[60:]]
    y, x = np.array([[float(cell) for cell in row] for row in rows if len(row) == 2]).T
    line = fit_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, abs=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, abs=1e-12)
    assert line.residual_sd == pytest.approx(0.884796396144373, abs=1e-11)


def test_figures_by_hand():
    lab, predicted = [7.0, 10.0, 14.0, 20.0, 31.0], [7.5, 10.2, 14.9, 20.1, 31.8]
    found = agreement(lab, predicted)
    assert found.n == 5
    assert found.bias == pytest.approx(0.5)
    assert found.sep == pytest.approx(np.sqrt(0.5 / 4.0))
    assert found.rmsep == pytest.approx(np.sqrt(1.75 / 5.0))


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 60))
def test_parts_of_the_error_add_up(seed, n):
    rng = np.random.default_rng(seed)
    y = rng.uniform(5.0, 50.0, n)
    found = agreement(y, y * rng.uniform(0.9, 1.1) + rng.normal(0.3, 1.0, n))
    assert found.rmsep**2 == pytest.approx(found.sep**2 * (n - 1) / n + found.bias**2)


def test_limits_against_factors_in_print():
    # factors of t / sqrt n, computed with the t table
    assert [round(bias_limit(1.0, n), 3) for n in (5, 10, 20, 30)] == [1.242, 0.715, 0.468, 0.373]


def beyond_chance(found):
    """Whether the bias is more than chance, and whether the slope differs from 1 by more than that."""
    return abs(found.bias) > found.bias_limit, found.slope_t > found.slope_limit


@pytest.mark.slow
def test_tests_raise_the_stated_false_alarms(full_size, whole):
    rng = np.random.default_rng(1)
    runs = 20_000 if full_size else 2_000 if whole else 700
    alarms = np.zeros(2)
    for _ in range(runs):
        yhat = rng.uniform(5.0, 50.0, 15)
        found = agreement(yhat + rng.normal(0, 1.0, 15), yhat)
        alarms += beyond_chance(found)
    low, high = scipy.stats.binom.ppf([0.0005, 0.9995], runs, 0.05)
    assert np.all((low <= alarms) & (alarms <= high))


def test_a_known_bias_and_slope_are_found():
    rng = np.random.default_rng(2)
    yhat = np.linspace(5.0, 50.0, 30)
    found = agreement(1.1 * yhat - 1.0 + rng.normal(0, 0.3, 30), yhat)
    assert beyond_chance(found)[1] and found.slope == pytest.approx(1.1, abs=0.02)
    assert beyond_chance(agreement(yhat + 1.0 + rng.normal(0, 0.3, 30), yhat))[0]


def test_refuses_lists_that_do_not_pair():
    with pytest.raises(TableError, match="two lists of one length"):
        agreement([1.0, 2.0, 3.0], [[1.0], [2.0], [3.0]])
    with pytest.raises(TableError, match="a line needs three"):
        agreement([1.0, 2.0], [1.0, 2.0])
