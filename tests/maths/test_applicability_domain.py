"""Limits of the domain: published values, simulation, and the rates that are stated."""

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.distance import cdist
from simulated_beers import SimulatedBeers

from specmatch.errors import TooFewBatchesError
from specmatch.maths.applicability import fit_domain, robust_pca, scores_and_residual
from specmatch.maths.classification.t2_and_q import (
    scaled_chi_square,
    t2_limit_new,
)
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.levels import Levels
from specmatch.maths.statistics.robust import beyond_robust_limit, median_by, spherical_pca_outliers

ONE = np.array([1])


class TestT2:
    def test_values_for_21_spectra_and_3_components(self):
        """Formulas of Tracy, Young, Mason, J. Quality Technology 24:88-95, 1992 (from memory), computed apart."""
        # printed to three decimals
        assert t2_limit_new(21, 3) == pytest.approx(11.035, abs=5e-4)
        # the common form A(n-1)/(n-A) F is another
        assert 3 * 20 / 18 * stats.f.ppf(0.95, 3, 18) == pytest.approx(10.533, abs=5e-4)

    def test_second_degrees_of_freedom_are_those_left_over(self):
        expected = 5 * (20**2 - 1) / (20 * 15) * stats.f.ppf(0.95, 5, 15)
        assert t2_limit_new(20, 5) == pytest.approx(expected, rel=1e-12)  # one formula, two libraries of quantiles
        assert t2_limit_new(20, 5) == pytest.approx(19.29, abs=5e-3)

    @pytest.mark.parametrize("n_batches, n_components", [(5, 6), (5, 5), (1, 1)])
    def test_no_limit_is_refused_not_made_up(self, n_batches, n_components):
        with pytest.raises(TooFewBatchesError, match="no T2 limit exists"):
            t2_limit_new(n_batches, n_components)

    @pytest.mark.slow
    def test_rates_by_simulation(self, full_size):
        rng = np.random.default_rng(0)
        n, a, runs = 12, 3, (20_000 if full_size else 3000)
        sets = rng.normal(size=(runs, n + 1, a))
        known, new = sets[:, :n], sets[:, n]
        mean = known.mean(axis=1)
        departures = known - mean[:, None]
        inverse = np.linalg.inv(np.einsum("rni,rnj->rij", departures, departures) / (n - 1))

        def t2(rows):
            return np.einsum("ri,rij,rj->r", rows - mean, inverse, rows - mean)

        bound = 4 * np.sqrt(0.05 * 0.95 / runs)  # four standard errors
        assert np.mean(t2(new) > t2_limit_new(n, a)) == pytest.approx(0.05, abs=bound)


class TestQ:
    def test_moments_give_the_degrees_of_freedom_back(self):
        values = 3.0 / 8.0 * stats.chi2.ppf((np.arange(20_000) + 0.5) / 20_000, 8)
        mean, dof = scaled_chi_square(values)
        # quantiles at mid-ranks miss the last of the tail
        assert mean == pytest.approx(3.0, rel=1e-3) and dof == pytest.approx(8.0, rel=1e-2)
        assert scaled_chi_square([2.0, 2.0]) == (2.0, 250.0)


@pytest.fixture(scope="module")
def planes():
    """Forty spectra on two smooth directions, and noise."""
    rng = np.random.default_rng(20)
    smooth = np.array([np.sin(np.linspace(0, 3, 40)), np.cos(np.linspace(0, 3, 40))])
    rows = 0.4 + 0.05 * rng.normal(size=(40, 2)) @ smooth + 0.001 * rng.normal(size=(40, 40))
    return rows, smooth, fit_domain(rows, Levels.of_pours(np.arange(40), np.arange(40)), transform="reflectance")


class TestDomain:
    def test_leverage_is_that_of_regression(self, planes):
        rows, _, fit = planes
        scores = fit.scores
        hat = scores @ np.linalg.inv(scores.T @ scores) @ scores.T
        check = fit.check(rows, np.ones(40, int))
        np.testing.assert_allclose(check.leverage, np.diag(hat), rtol=1e-9)  # an inverse of a 2 x 2 matrix
        np.testing.assert_allclose(check.t2, 39 * check.leverage, rtol=1e-12)
        # ASTM E1655 (from memory): leverage beyond 3k/n is far out
        assert check.leverage_limit == 3 * 2 / 40

    def test_spike_leaves_the_plane_and_an_extreme_stays_on_it(self, planes):
        rows, smooth, fit = planes
        usual = rows.mean(axis=0)
        spike = usual + 0.05 * (np.arange(40) == 12)
        extreme = usual + 0.4 * smooth[0]
        check = fit.check(np.vstack([usual, spike, extreme]), np.ones(3, int))
        assert (check.q > check.q_limit).tolist() == [False, True, False]
        assert (check.t2 > check.t2_limit).tolist() == [False, False, True]
        assert check.outside.tolist() == [False, True, True]
        assert fit.outside(np.vstack([usual, spike, extreme]), np.ones(3, int)).tolist() == [False, True, True]
        assert (check.joint > check.joint_limit).tolist() == [False, True, True]
        assert check.nearest_distance[2] > check.nearest_limit > check.nearest_distance[0]

    def test_the_nearest_batch_is_that_of_all_distances(self, planes):
        rows, _, fit = planes
        check = fit.check(rows, np.full(len(rows), 3))
        own = scores_and_residual(fit.scale.apply(rows) / fit.noise - fit.centre, fit.loadings)[0] / fit.score_sd
        np.testing.assert_allclose(check.nearest_distance, cdist(own, fit.scores).min(axis=1), rtol=0, atol=1e-9)
        between = cdist(fit.scores, fit.scores) + np.diag(np.full(len(fit.scores), np.inf))
        assert check.nearest_limit == pytest.approx(between.min(axis=1).max(), rel=1e-12)

    def test_one_scan_is_judged_by_itself(self, planes):
        rows, _, fit = planes
        alone = fit.check(rows[:1], ONE)
        among = fit.check(np.vstack([rows[:1], 10.0 * rows]), np.ones(41, int))
        # a product of one row and of many rows may round the last digit differently
        assert alone.q[0] == pytest.approx(among.q[0], rel=1e-12) and alone.outside[0] == among.outside[0]

    def test_pours_of_a_batch_are_no_new_batches(self, planes):
        rows, _, once = planes
        each = np.repeat(np.arange(40), 4)
        fit = fit_domain(np.repeat(rows, 4, axis=0), Levels.of_pours(each, each), transform="reflectance")
        assert fit.t2_limit == once.t2_limit

    def test_two_batches_are_too_few(self):
        with pytest.raises(TooFewBatchesError, match="three or more"):
            fit_domain(np.full((4, 40), 0.5), Levels.of_pours(np.arange(4), np.array([0, 0, 1, 1])))

    def test_identical_spectra_have_finite_limits(self):
        each = np.arange(5)
        fit = fit_domain(np.full((5, 40), 0.5), Levels.of_pours(each, each))
        check = fit.check(np.full((1, 40), 0.5), ONE)
        assert np.isfinite([check.t2_limit, check.q_limit[0], check.joint_limit[0]]).all() and not check.outside[0]

    @pytest.mark.slow
    @pytest.mark.parametrize("n_read", [1, 3])
    def test_false_alarms_at_the_stated_rate(self, n_read, full_size):
        alarms = []
        for seed in range(100 if full_size else 12):
            beers = SimulatedBeers(seed=seed)
            rows, _, batch, sample = beers.house(8)
            fit = fit_domain(rows, Levels.of_pours(sample, batch), false_alarm_rate=0.05)
            new = np.vstack([beers.samples(k, 10, n_read) for k in range(8)])
            alarms.append(fit.check(new, np.full(80, n_read)).outside.mean())
        # three standard errors over seeds; half a rate is free for T2, whose limit stands for normal scores
        assert np.mean(alarms) - 3 * np.std(alarms) / np.sqrt(len(alarms)) <= 0.05
        assert np.mean(alarms) > 0.005

    @pytest.mark.slow
    def test_a_few_bad_scans_neither_hide_nor_drag_the_limits(self, full_size):
        moved, on_top = [], []
        for seed in range(40 if full_size else 8):
            beers = SimulatedBeers(seed=seed)
            rows, _, batch, sample = beers.house(8)
            clean = fit_domain(rows, Levels.of_pours(sample, batch))
            bad = beers.rng.choice(len(rows), len(rows) // 20, replace=False)
            spoiled = np.array(rows)
            clipped, spiked = bad[::2], bad[1::2]
            spoiled[clipped] = np.minimum(spoiled[clipped], np.quantile(spoiled[clipped], 0.6, axis=1, keepdims=True))
            spoiled[spiked, 20] += 0.1
            fit = fit_domain(spoiled, Levels.of_pours(sample, batch))
            # the same new samples against both limits: residuals count in units of each fit's own noise
            samples = beers.samples(0, 40, 1)
            new = [part.check(samples, np.ones(40, int)) for part in (clean, fit)]
            moved.append(np.median(new[0].q / new[0].q_limit) / np.median(new[1].q / new[1].q_limit))
            check = fit.check(spoiled, np.ones(len(rows), int))
            worst = np.argsort(-np.maximum(check.q / check.q_limit, check.t2 / check.t2_limit))[: bad.size]
            on_top.append(np.isin(worst, bad).mean())
        assert np.median(moved) == pytest.approx(1.0, abs=0.10)
        assert np.mean(on_top) > 0.9


class TestOddRows:
    def test_none_among_normal_ones(self):
        rng = np.random.default_rng(0)
        assert spherical_pca_outliers(rng.normal(size=(300, 30)), 5).sum() == 0

    def test_few_rows_have_no_odd_ones(self):
        rng = np.random.default_rng(0)
        rows = rng.normal(size=(10, 30))
        rows[0] += 100.0
        assert spherical_pca_outliers(rows, 3).sum() == 0

    def test_a_kind_of_its_own_is_not_odd(self):
        rng = np.random.default_rng(0)
        rows = 0.01 * rng.normal(size=(200, 30))
        rows[:60, 5] += 1.0
        assert spherical_pca_outliers(rows, 1).sum() == 0

    def test_medians_by_sample_leave_one_odd_repeat_be(self):
        # three repeats of one sample, the last far off; two of another
        rows = np.array([[0.20, 0.40], [0.20, 0.41], [0.35, 0.70], [0.10, 0.30], [0.12, 0.32]])
        np.testing.assert_allclose(median_by(rows, np.array([0, 0, 0, 1, 1])), [[0.20, 0.41], [0.11, 0.31]])


class TestPartsOfAFit:
    def test_scores_and_what_they_leave_make_up_the_deviation(self):
        rng = np.random.default_rng(4)
        deviations = rng.normal(size=(6, 5))
        loadings = np.linalg.qr(rng.normal(size=(5, 2)))[0]
        scores, left = scores_and_residual(deviations, loadings)
        assert scores == pytest.approx(deviations @ loadings)
        assert (scores**2).sum(axis=1) + left == pytest.approx((deviations**2).sum(axis=1))

    def test_an_odd_batch_is_left_out_of_the_span(self):
        rng = np.random.default_rng(0)
        strength = np.exp(rng.normal(0.0, 0.3, 25))
        rows = 10 ** -np.outer(strength, np.linspace(0.5, 0.1, 20)) + rng.normal(0.0, 0.002, (25, 20))
        rows[24, 7] += 0.3
        each = np.arange(25)
        assert np.flatnonzero(
            robust_pca(rows, rows, Levels.of_pours(each, each), LogAbsorbance("reflectance"), 4).odd
        ).tolist() == [24]

    def test_a_row_far_beyond_the_many_is_told_and_a_tail_is_not(self):
        many = np.linspace(5.0, 20.0, 40)
        assert np.flatnonzero(beyond_robust_limit(np.append(many, 200.0))).tolist() == [40]
        assert not beyond_robust_limit(np.append(many, 22.0)).any()
        assert not beyond_robust_limit(np.full(40, 5.0)).any()
