"""Figures of a validation against published numbers.

Errors of new batches whose beers err alike: rates, power, tails and what is still needed, by simulation.
"""

from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
import scipy.special
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from some_of import some_of

from specmatch.errors import TableError
from specmatch.maths.statistics.agreement import (
    HUBER,
    Scatter,
    agreement,
    bias_limit,
    fit_line,
    judge_errors,
    scatter_within,
    still_needed,
)


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


ALPHA = 0.04
OLD = 8  # batches of each beer behind the model


def judged(rng, batches, *, bias=0.0, effect=0.0, at=None):
    """Judge one validation of a model that has learnt each beer from `OLD` noisy batches; errors of sd 1."""
    beer = np.repeat(np.arange(len(batches)), batches)
    learnt = rng.normal(0, 1.0 / np.sqrt(OLD), len(batches)) + rng.normal(0, effect, len(batches))
    errors = bias + learnt[beer] + rng.normal(0, 1.0, beer.size)
    old = scatter_within(rng.normal(0, 1.0, (10 * OLD, 1)), np.repeat(np.arange(10), OLD))
    at = beer.astype(float) if at is None else at
    return judge_errors(
        errors, np.ones(beer.size), beer, at, np.full(len(batches), OLD), old, coverage=0.9, alpha=ALPHA
    )


@pytest.mark.slow
@pytest.mark.parametrize("batches", some_of(2, [((2,) * 6,), ((4, 4, 3, 3, 3, 3),), ((4, 4, 4),), ((1,) * 12,)]))
def test_right_models_fail_and_biases_are_found_as_often_as_stated(batches, full_size):
    rng, runs = np.random.default_rng(len(batches)), 4_000 if full_size else 400
    right = [judged(rng, batches) for _ in range(runs)]
    for level, found in (
        (ALPHA, [one.p_bias for one in right]),
        (0.05, [one.p_slope for one in right]),
        (0.05, [one.p_beers for one in right]),
        (0.05, [one.p_scatter for one in right]),
    ):
        # no more often than stated; sixteen rates are looked at, so that one is broken by chance once in 600 suites
        assert scipy.stats.binom.sf(np.sum(np.array(found) <= level) - 1, runs, level) > 1e-4
    # a bias as large as the smallest that would be found in eight of ten is found about so often
    size = float(np.median([one.smallest_found for one in right]))
    seen = np.mean([judged(rng, batches, bias=size).p_bias <= ALPHA for _ in range(runs)])
    assert seen == pytest.approx(0.8, abs=0.03 + 3.0 * np.sqrt(0.16 / runs))


def test_beers_that_differ_by_more_make_a_bias_less_sure():
    rng = np.random.default_rng(1)
    plain = [judged(rng, (4,) * 6) for _ in range(200)]
    apart = [judged(rng, (4,) * 6, effect=1.5) for _ in range(200)]
    assert np.mean([one.bias_sd for one in apart]) > 1.5 * np.mean([one.bias_sd for one in plain])
    # four batches of six beers whose effect is 1.5 times the scatter of a batch: most are seen
    assert np.mean([one.p_beers <= 0.005 for one in apart]) > 0.5
    # fewer degrees of freedom where the few beers rule the standard error
    assert np.mean([one.bias_df for one in apart]) < 0.5 * np.mean([one.bias_df for one in plain])


def test_a_bias_by_hand():
    # one batch of one beer, known from three: variance 1 (1/3 + 1/1), the scatter wholly that of the set
    old = Scatter(1.0, 20, 5, 3.0)
    found = judge_errors(
        np.array([2.0]), np.ones(1), np.zeros(1, int), np.zeros(1), np.array([3]), old, coverage=0.9, alpha=ALPHA
    )
    assert (found.bias, found.bias_sd, found.bias_df) == pytest.approx((2.0, np.sqrt(4.0 / 3.0), 20.0))
    assert found.p_bias == pytest.approx(2.0 * scipy.stats.t.sf(2.0 / np.sqrt(4.0 / 3.0), 20))
    assert found.p_beers == found.p_slope == found.p_scatter == 1.0 and np.isnan(found.slope)
    # 1.645 - 0.524: what takes normal 90 % intervals to covering 70 %
    assert found.matters == pytest.approx(scipy.stats.norm.ppf(0.95) - scipy.stats.norm.ppf(0.70))
    rates = scipy.stats.norm.cdf([1.645 - found.matters, -1.645 - found.matters])
    assert rates[0] - rates[1] == pytest.approx(0.70, abs=0.005)


def test_heavy_tails_are_no_more_scatter():
    rng = np.random.default_rng(2)
    beer, few = np.repeat(np.arange(10), OLD), np.repeat(np.arange(6), 3)
    plain = naive = 0
    for _ in range(300):
        old = scatter_within(rng.standard_t(3, (beer.size, 1)), beer)
        errors = rng.standard_t(3, few.size)
        args = (errors, np.ones(few.size), few, few.astype(float), np.full(6, OLD))
        plain += judge_errors(*args, old, coverage=0.9, alpha=ALPHA).p_scatter <= 0.01
        normal = Scatter(old.mean_square, old.df, old.n_beers, 3.0)
        naive += judge_errors(*args, normal, coverage=0.9, alpha=ALPHA).p_scatter <= 0.01
    assert plain < naive and plain <= scipy.stats.binom.ppf(0.999, 300, 0.015)


def test_far_errors_neither_make_a_bias_nor_hide_one():
    rng = np.random.default_rng(4)
    beer, few, counts = np.repeat(np.arange(10), OLD), np.repeat(np.arange(6), 3), np.full(6, OLD)
    runs, alarms, found = 400, [], []
    for _ in range(runs):
        old = scatter_within(rng.standard_t(3, (beer.size, 1)), beer)
        learnt = rng.standard_t(3, (6, OLD)).mean(axis=1)[few]
        errors = learnt + rng.standard_t(3, few.size)
        for bias, into in ((0.0, alarms), (2.0, found)):
            args = (bias + errors, np.ones(few.size), few, few.astype(float), counts)
            as_they_are = Scatter(old.mean_square, old.df, old.n_beers, old.kurtosis)
            into.append(
                [judge_errors(*args, one, coverage=0.9, alpha=ALPHA).p_bias <= ALPHA for one in (old, as_they_are)]
            )
    drawn_in, plain = np.mean(found, axis=0)
    # seen when this was written: 0.94 and 0.89
    assert drawn_in > plain + 0.02
    assert scipy.stats.binom.sf(np.sum(alarms, axis=0)[0] - 1, runs, ALPHA) > 1e-3


def test_a_drawn_in_bias_is_the_one_of_hubers_loss():
    rng = np.random.default_rng(5)
    errors = rng.standard_t(2, 9)
    old = scatter_within(rng.normal(0, 1.0, (80, 1)), np.repeat(np.arange(10), OLD))
    # one new batch of each of two beers that are known alike: the bias is the plain mean of what is drawn in
    two = np.array([0, 0, 0, 0, 0, 1, 1, 1, 1])
    args = (np.ones(9), two, np.zeros(9), np.array([10**9, 10**9]), old)
    reach = old.reach
    best = scipy.optimize.minimize_scalar(
        lambda m: np.sum(scipy.special.huber(reach, errors - m)), bounds=(-5, 5), options={"xatol": 1e-10}
    ).x
    inside = (old.inside + np.mean(np.abs(errors - best) < reach)) / 2.0
    drawn = best + np.clip(errors - best, -reach, reach) / inside
    weight = np.array([5.0, 4.0])
    expected = weight @ [drawn[:5].mean(), drawn[5:].mean()] / 9.0
    assert judge_errors(errors, *args, coverage=0.9, alpha=ALPHA).bias == pytest.approx(expected, abs=1e-5)
    # psi is in balance there, so that this is the M-estimate itself
    assert expected == pytest.approx(best, abs=1e-5)
    # normal errors: 1.345 standard deviations hold 82 % of them
    assert old.inside == pytest.approx(scipy.stats.norm.cdf(HUBER) - scipy.stats.norm.cdf(-HUBER), abs=0.1)


@pytest.mark.parametrize("batches", [(1, 1, 1, 1), (2, 1, 1), (1,)])
def test_what_is_said_to_be_needed_is_enough(batches):
    rng = np.random.default_rng(3)
    found = judged(rng, batches)
    size, beer, known = np.ones(sum(batches)), np.repeat(np.arange(len(batches)), batches), np.full(len(batches), OLD)
    more, beers = still_needed(found, size, beer, known)
    assert (more > 0) != (beers > 0)
    counts = np.array(batches, float)
    for _ in range(more):
        counts[counts.argmin()] += 1
    weight = np.sum(1.0 / (1.0 / OLD + 1.0 / counts)) + beers / (1.0 / OLD + 0.5)
    before = np.sum(1.0 / (1.0 / OLD + 1.0 / np.array(batches)))
    # the standard error falls with the root of the weight
    assert found.smallest_found * np.sqrt(before / weight) <= found.matters
