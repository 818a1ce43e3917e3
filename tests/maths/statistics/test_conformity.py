"""Conformity: the worked values of JCGM 106, and by simulation that the risks asked for are those that occur."""

import numpy as np
import pytest

from specmatch.maths.statistics.conformance import acceptance_limits, conformance_probability
from specmatch.maths.statistics.levels import binomial_bounds


def test_worked_examples_of_jcgm_106():
    # JCGM 106:2012: Zener breakdown voltage (example 1) and burst pressure; inputs from memory, results recomputed
    assert conformance_probability(-5.47, 0.05, upper=-5.40) == pytest.approx(0.919, abs=5e-4)
    assert conformance_probability(509.7, 8.6, lower=490.0) == pytest.approx(0.989, abs=1e-3)


def test_a_speed_limit_enforced_with_one_in_a_thousand():
    # JCGM 106:2012, 8.3.3: relative uncertainty 2 %, limit 100; input from memory
    assert acceptance_limits(lambda v: 0.02 * v, 0.999, upper=100.0)[1] == pytest.approx(106.6, abs=0.05)


def test_acceptance_limits_are_where_the_probability_is_the_one_asked_for():
    low, high = acceptance_limits(0.3, 0.05, lower=7.0, upper=9.0)
    for edge in (low, high):
        # the root finder stops at 2e-12 of the argument
        assert conformance_probability(edge, 0.3, lower=7.0, upper=9.0) == pytest.approx(0.95, abs=1e-9)
    assert 7.0 < low < high < 9.0
    assert acceptance_limits(0.3, 0.05, lower=7.0)[0] == pytest.approx(7.0 + 1.6448536 * 0.3, abs=1e-6)
    assert np.isnan(acceptance_limits(1.0, 0.05, lower=7.0, upper=9.0)).all()


def test_a_value_without_uncertainty_conforms_or_does_not():
    assert conformance_probability([6.0, 8.0], 0.0, lower=7.0, upper=9.0).tolist() == [0.0, 1.0]
    assert np.isnan(conformance_probability([np.nan, 8.0], [0.1, np.nan], upper=9.0)).all()


@pytest.mark.slow
def test_the_risks_asked_for_are_those_that_occur(full_size):
    """Accepted at the edge of the guard band, items do not conform as often as was asked."""
    rng = np.random.default_rng(20)
    n = 2_000_000 if full_size else 100_000
    u, low, high = 0.2, 9.0, 11.0
    # without prior knowledge (a flat process) the specific risk at the acceptance limit is the one stated
    flat = rng.uniform(0.0, 20.0, n)
    seen = flat + rng.normal(0.0, u, n)
    edge = acceptance_limits(u, 0.05, lower=low, upper=high)[1]
    near = np.abs(seen - edge) < 0.005
    bad = int((flat[near] > high).sum() + (flat[near] < low).sum())
    bounds = binomial_bounds(bad, int(near.sum()), level=0.999)
    assert bounds[0] <= 0.05 <= bounds[1]
