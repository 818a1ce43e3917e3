"""The sequence of packages: Wald's formulas, the correlation of packages of one batch, error rates by simulation.

Simulated runs are held where the rule of the line holds them.
"""

from dataclasses import replace

import numpy as np
import pytest
from retest_rule import held_by_the_line
from simulated_beers import BATCH_SD, MODES, SimulatedBeers, with_levels

from specmatch.errors import OptionError
from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.classification.evidence import (
    ANOTHER,
    CONSISTENT,
    HOLD,
    SequentialRule,
    held_at,
    next_step,
    package_log_ratios,
    wald_bounds,
)
from specmatch.maths.statistics.levels import binomial_bounds


class TestWald:
    def test_bounds(self):
        """A. Wald, Ann. Math. Stat. 16:117-186, 1945: B = beta/(1-alpha), A = (1-beta)/alpha."""
        low, high = wald_bounds(0.05, 0.10)
        assert np.exp(low) == pytest.approx(0.10 / 0.95, rel=1e-12)
        assert np.exp(high) == pytest.approx(0.90 / 0.05, rel=1e-12)

    @pytest.mark.parametrize("chances", [(0.0, 0.1), (0.05, 0.5), (-0.1, 0.1)])
    def test_chances_that_are_none(self, chances):
        with pytest.raises(OptionError, match="expected a chance"):
            wald_bounds(*chances)

    @pytest.mark.slow
    def test_error_rates_and_mean_numbers_of_the_independent_case(self, full_size):
        """Wald: error rates at most alpha/(1-beta), beta/(1-alpha); mean number near ((1-a) ln B + a ln A)/E(z)."""
        runs, delta, (low, high) = (20_000 if full_size else 2000), 0.5, wald_bounds(0.05, 0.10)
        rng = np.random.default_rng(2)
        for shift, wrong, limit in ((0.0, "high", 0.05 / 0.90), (delta, "low", 0.10 / 0.95)):
            z = np.cumsum(delta * (rng.normal(size=(runs, 400)) + shift) - delta**2 / 2, axis=1)
            out = (z <= low) | (z >= high)
            assert out.any(axis=1).all()
            end = out.argmax(axis=1)
            last = z[np.arange(runs), end]
            errors = int(((last >= high) if wrong == "high" else (last <= low)).sum())
            assert binomial_bounds(errors, runs, level=0.999)[0] <= limit
            right = 0.05 if shift == 0 else 0.10
            drift = -(delta**2) / 2 if shift == 0 else delta**2 / 2
            mean = ((1 - right) * (low if shift == 0 else high) + right * (high if shift == 0 else low)) / drift
            # Wald leaves out what the last step overshoots the bound by: about half a step more
            assert mean < np.mean(end + 1) < 1.35 * mean

    @pytest.mark.slow
    def test_taking_correlated_scans_as_independent_passes_too_much(self, full_size):
        runs, rho, delta = (20_000 if full_size else 2000), 0.5, 2.0
        low, high = wald_bounds(0.05, 0.01)
        rng = np.random.default_rng(3)
        shared, own = rng.normal(size=(runs, 1)), rng.normal(size=(runs, 12))
        x = delta + np.sqrt(rho) * shared + np.sqrt(1 - rho) * own
        counts = np.arange(1, 13)
        means = np.cumsum(x, axis=1) / counts

        def passed(rho_taken):
            # the mean is sufficient, and its variance is rho + (1 - rho)/m: evidence stops growing
            z = (delta * means - delta**2 / 2.0) / (rho_taken + (1.0 - rho_taken) / counts)
            out = (z <= low) | (z >= high)
            first = np.where(out.any(axis=1), out.argmax(axis=1), 11)
            return (out.any(axis=1) & (z[np.arange(runs), first] <= low)).mean()

        assert passed(rho) <= 0.01 + 4 * np.sqrt(0.01 / runs)
        assert passed(0.0) > 0.02


RULE = SequentialRule(wrong_hold=0.05, wrong_pass=0.01, most_packages=6)


def twins(seed, gap):
    """Two beers `gap` batch standard deviations apart along the first smooth shape, and six others."""
    beers = SimulatedBeers(seed=seed)
    beers.means[1] = beers.means[0] + gap * BATCH_SD[1] * MODES[1]
    return beers, fit_class_model(*with_levels(*beers.house(12)))


class TestPackages:
    def test_ratio_of_the_first_package_is_that_of_two_normal_densities(self):
        beers, fit = twins(0, 6.0)
        pour = beers.samples(0, 1, 1)
        weight = fit.weights(1.0)
        z = fit.metric.scores(pour)[0]
        densities = [
            -0.5 * ((z - fit.beer_means[k]) ** 2 * weight[k]).sum() / fit.tail.inflation + 0.5 * np.log(weight[k]).sum()
            for k in range(8)
        ]
        np.testing.assert_allclose(package_log_ratios(fit, pour, 0)[0], np.array(densities) - densities[0], rtol=1e-9)

    def test_more_packages_never_count_more_than_the_batch(self):
        beers, fit = twins(0, 6.0)
        batch = beers.batches(0, 1)
        ratios = package_log_ratios(fit, beers.pours(batch, 400), 1)
        few, many = np.abs(ratios[100, 0]), np.abs(ratios[399, 0])
        assert many == pytest.approx(few, rel=0.15)  # what pours still add after a hundred

    def test_decisions(self):
        beers, fit = twins(1, 8.0)
        right = beers.pours(beers.batches(0, 1), 3)
        assert next_step(fit, right, claimed=0, rule=RULE).decision in (CONSISTENT, ANOTHER)
        foreign = beers.samples(4, 1, 1)
        step = next_step(fit, foreign, claimed=0, rule=RULE)
        assert step.decision == HOLD and step.n_packages == 1 and step.rival == 4

    def test_undecided_at_the_largest_number_is_a_hold(self):
        beers, fit = twins(2, 1.0)
        between = np.repeat((beers.means[:1] + beers.means[1:2]) / 2, 9, axis=0)
        steps = [next_step(fit, between[:m], claimed=0, rule=replace(RULE, most_packages=4)) for m in range(1, 10)]
        assert [step.decision for step in steps[:4]] == [ANOTHER] * 3 + [HOLD]
        assert all(step.decision == HOLD and step.n_packages == 4 for step in steps[4:])

    def test_what_is_held_in_all_is_the_rate_asked_for_or_said(self):
        beers, fit = twins(2, 9.0)
        step = next_step(fit, beers.samples(0, 1, 1), claimed=0, rule=RULE)
        assert step.stated_hold == pytest.approx(RULE.wrong_hold) and step.stated_undecided < 0.005
        beers, fit = twins(2, 1.0)
        step = next_step(fit, beers.samples(0, 1, 1), claimed=0, rule=RULE)
        assert step.stated_undecided > 0.5 and step.stated_hold == pytest.approx(0.025 + step.stated_undecided)
        between = np.repeat((beers.means[:1] + beers.means[1:2]) / 2, 6, axis=0)
        assert next_step(fit, between, claimed=0, rule=RULE).undecided

    @pytest.mark.slow
    @pytest.mark.whole
    def test_error_rates(self, full_size):
        held = passed = right = wrong = undecided = 0
        stated = stated_undecided = 0.0
        for seed in range(40 if full_size else 6):
            beers, fit = twins(seed, 5.0)
            for claimed, really in ((0, 0), (1, 1), (0, 1), (1, 0)):
                for batch in beers.batches(really, 10):
                    pours = beers.pours(batch[None], 6)
                    step = next_step(fit, pours, claimed=claimed, rule=RULE)
                    decision = step.decision
                    if claimed == really:
                        right += 1
                        # those too that are held at the last package because a rival is not ruled out
                        held += decision == HOLD
                        stated += step.stated_hold
                        undecided += step.undecided
                        stated_undecided += step.stated_undecided
                    else:
                        wrong += 1
                        passed += decision == CONSISTENT
        # as asked, both, and in total: 5 % of right batches held, 1 % of the twin's batches passed
        # where the twin lies too close for both, more is stated; six in a hundred is what it comes to on average here
        assert 0.05 <= stated / right <= 0.06
        assert binomial_bounds(held, right, level=0.999)[0] <= 0.05
        assert binomial_bounds(undecided, right, level=0.999)[0] <= stated_undecided / right
        assert binomial_bounds(passed, wrong, level=0.999)[0] <= 0.01


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
