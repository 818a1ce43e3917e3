"""Simulated runs are held where the rule of the line holds them."""

import numpy as np
from retest_rule import held_by_the_line
from simulated_beers import SimulatedBeers, with_levels

from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.classification.runs import held_at
from specmatch.maths.classification.sequential import SequentialRule


def test_each_run_is_held_at_the_reading_at_which_the_line_holds_it():
    beers = SimulatedBeers(seed=3, n_beers=4)
    # near enough that departures come and go within a run
    beers.means = beers.means[:1] + 0.15 * (beers.means - beers.means[:1])
    rate, n_pours, n_readings, n_runs = 0.2, 2, 6, 40
    fit = fit_class_model(*with_levels(*beers.house(8, n_pours)), false_reject_rate=rate)
    pours = [beers.pours(beers.batches(run % 4, 1), 2 * n_readings * n_pours) for run in range(n_runs)]
    drawn = np.stack(pours).reshape(n_runs, 2, n_readings, n_pours, -1).mean(axis=3)
    got = held_at(fit, drawn[:, 0], drawn[:, 1], n_pours, SequentialRule(rate))
    by_the_line = np.array([
        [held_by_the_line(fit, *drawn[run], n_pours, rate, claim) for claim in range(4)] for run in range(n_runs)
    ])  # fmt: skip
    assert np.array_equal(got, by_the_line)
    # it is a test of something: runs are held at once, later, and never
    assert {0, n_readings} < set(got.ravel().tolist())
    assert len(set(got.ravel().tolist())) > 3
    assert np.array_equal(
        held_at(fit, drawn[:, 0], drawn[:, 1], n_pours, SequentialRule(rate), np.array([2])), got[:, [2]]
    )
