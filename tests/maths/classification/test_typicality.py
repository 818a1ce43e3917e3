"""Typicality: distances and p-values against brute force, and the edges of what a set may hold."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from simulated_beers import NM, SimulatedBeers, with_levels

from specmatch.errors import TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.classification.beer_scatter import (
    BeerScatter,
    f_statistics,
    fit_beers,
    held_out_statistics,
    shrink_class_variances,
    shrink_covariances,
    shrink_variances,
)
from specmatch.maths.classification.class_model import (
    add_batches,
    build_class_model,
    distance_limits,
    fit_class_model,
    identify,
    identify_scores,
)
from specmatch.maths.classification.discriminant_space import (
    LabelledSamples,
    cholesky_factor,
    cross_validated_scores,
    held_out_distance,
    metric_and_scores,
    on_channels,
    principal_axes,
    project,
    select_space,
    simulate_unknown_beers,
)
from specmatch.maths.classification.t2_and_q import NORMAL, combine_p_values, fit_residual, fit_tail
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.levels import Levels, mean_by


def fitted(beers, batches_per_beer=8, n_pours=3, **options):
    rows, beer, batch, sample = beers.house(batches_per_beer, n_pours)
    return fit_class_model(rows, Levels.of_pours(sample, batch, beer), **options)


@pytest.fixture(scope="module")
def beers():
    return SimulatedBeers(seed=1)


@pytest.fixture(scope="module")
def house(beers):
    return SimulatedBeers(seed=1).house(8)


@pytest.fixture(scope="module")
def fit(house):
    return fit_class_model(*with_levels(*house))


class TestAgainstBruteForce:
    @pytest.mark.parametrize("n_pours", [1, 2, 3, 5])
    def test_p_values(self, house, fit, n_pours):
        """Plain covariances and inverses, without any common diagonal axes."""
        rows, beer, batch, _ = house
        choice = fit.choice
        queries = SimulatedBeers(seed=9).samples(0, 10, n_pours)
        spectra = choice.scale.apply(np.array([rows[batch == b].mean(axis=0) for b in range(64)]))[:, choice.channels]
        centre = spectra.mean(axis=0)
        axes = np.linalg.svd((spectra - centre) / choice.noise)[2][: choice.n_components].T
        scores = (spectra - centre) / choice.noise @ axes
        means = np.array([scores[8 * k : 8 * k + 8].mean(axis=0) for k in range(8)])
        scatter = sum(np.outer(d, d) for d in scores - np.repeat(means, 8, axis=0)) / 56.0
        each = choice.scale.apply(rows)[:, choice.channels]
        departures = np.vstack([each[batch == b] - each[batch == b].mean(axis=0) for b in range(64)])
        pours = np.cov(departures / choice.noise @ axes, rowvar=False) * (191 / 128)
        at_m = scatter + (1.0 / n_pours - 1.0 / 3.0) * pours + scatter / 8.0
        z = (choice.scale.apply(queries)[:, choice.channels] - centre) / choice.noise @ axes
        a, second = choice.n_components, 56 - choice.n_components + 1
        alike = replace(fit.scatter, turn=np.zeros((0, 0, 0)), dof=np.full(8, np.inf))
        got = replace(fit, scatter=alike).match(queries, np.full(10, n_pours))
        left = (choice.scale.apply(queries)[:, choice.channels] - centre) / choice.noise
        noise_free = departures / choice.noise
        of_pours = ((noise_free - noise_free @ axes @ axes.T) ** 2).sum() / 128
        at_these = fit.residual.mean + (1.0 / n_pours - 1.0 / 3.0) * of_pours
        squares = ((left - left @ axes @ axes.T) ** 2).sum(axis=1)
        outside = stats.f.sf(squares / at_these, fit.residual.dof, fit.residual.dof * 64)
        assert fit.scatter.prior_dof == np.inf and fit.tail.dof == np.inf  # these beers are alike and normal
        for row in range(10):
            for k in range(8):
                t2 = (z[row] - means[k]) @ np.linalg.inv(at_m) @ (z[row] - means[k])
                by_scores = stats.f.sf(t2 * second / (56 * a) / fit.tail.inflation, a, second)
                expected = min(1.0, by_scores / 0.98, outside[row] / 0.02)
                # the metric lifts the scatter by 1e-9 of the spread of all beers: p-values move by less than 1e-4
                assert got.p_value[row, k] == pytest.approx(expected, rel=1e-4, abs=1e-12)
                assert got.distance[row, k] == pytest.approx(np.sqrt(t2 / a), rel=1e-4)

    def test_each_beer_scatters_along_axes_of_its_own(self, fit):
        """Covariances added up beer by beer, those of like strength counted in, and plain inverses."""
        batches, beer = fit.batch_means - fit.beer_means[fit.samples.beer], fit.samples.beer
        half = np.linalg.cholesky(batches.T @ batches / 56.0)
        alike = [np.linalg.solve(half, batches[beer == k].T) for k in range(8)]
        own = [each @ each.T for each in alike]
        prior = shrink_covariances(np.array(own), np.full(8, 7.0))[1]
        choice = fit.choice
        spectra = choice.scale.apply(mean_by(fit.samples.reflectance, fit.samples.batch)[0][:, choice.channels])
        first = np.linalg.svd((spectra - spectra.mean(axis=0)) / choice.noise, full_matrices=False)[0][:, 0]
        place = np.array([first[beer == k].mean() for k in range(8)])
        queries = SimulatedBeers(seed=9).samples(0, 5, 3)
        z = fit.metric.scores(queries)
        got = fit.match(queries, np.full(5, 3))
        squared = np.vstack([rows for _, rows in fit.squared_distances(z, 3.0)])
        for k in range(8):
            near = np.exp(-0.5 * ((place - place[k]) / (0.4 * place.std())) ** 2)
            sums = sum(w * products for w, products in zip(near, own, strict=True))
            covariance = (prior * np.eye(len(half)) + sums) / (prior + 7.0 * near.sum())
            t2 = [d @ np.linalg.inv(covariance) @ d / (1.0 + 1.0 / 8.0) for d in z - fit.beer_means[k]]
            # the pooled scatter is lifted by 1e-9 of itself before it is inverted
            np.testing.assert_allclose(got.distance[:, k] ** 2 * z.shape[1], t2, rtol=1e-6)
            np.testing.assert_allclose(squared[:, k], t2, rtol=1e-6)

    def test_batches_held_out_of_mean_and_scatter(self):
        rng = np.random.default_rng(3)
        scores, beer = rng.normal(size=(20, 3)), np.repeat([0, 1], 10)
        means = np.array([scores[beer == k].mean(axis=0) for k in (0, 1)])
        departures = scores - means[beer]
        whiten = np.linalg.inv(np.linalg.cholesky(departures.T @ departures / 18))
        within = ((departures @ whiten.T) ** 2).sum(axis=1)
        got = held_out_distance(within, np.full(20, 10.0), 18.0)
        for b in range(20):
            kept = np.arange(20) != b
            others = np.array([scores[kept & (beer == k)].mean(axis=0) for k in (0, 1)])
            rest = scores[kept] - others[beer[kept]]
            d = scores[b] - others[beer[b]]
            # rounding of two inverses of well-conditioned 3 x 3 matrices
            assert got[b] == pytest.approx(0.9 * d @ np.linalg.inv(rest.T @ rest / 17) @ d, rel=1e-9)

    def test_folds_are_fits_without_their_batches(self, fit):
        statistic, left = held_out_statistics(fit.samples, fit.choice)
        out = np.flatnonzero((np.arange(64) % 8 + fit.samples.beer) % 8 == 3)
        without = build_class_model(fit.samples.part(np.setdiff1d(np.arange(64), out)), fit.choice, 0.05)
        match = without.match(fit.samples.reflectance[out], fit.samples.n_pours[out])
        own = match.p_value[np.arange(out.size), fit.samples.beer[out]]
        p_value = combine_p_values(
            without.tail.p_value(statistic.statistic[out], statistic.n_axes[out], statistic.dof[out]),
            without.residual.p_value(left[out], 3.0),
        )
        # the same numbers in another order of summation
        np.testing.assert_allclose(p_value, own, rtol=1e-8)

    def test_many_at_once_as_one_by_one(self, beers, fit):
        queries = np.vstack([beers.samples(k, 20, 1) for k in range(8)])
        dense = fit.match(queries, np.ones(160, int))
        got = identify(fit, queries, 1, false_reject_rate=0.05)
        assert (got.nearest_beer == dense.distance.argmin(axis=1)).all()
        assert (got.nearest_batch == dense.nearest_batch).all()
        np.testing.assert_array_equal(got.p_value, dense.p_value[np.arange(160), got.nearest_beer])
        for row in range(160):
            expected = np.flatnonzero(dense.p_value[row] > 0.05)
            np.testing.assert_array_equal(got.plausible[got.first[row] : got.first[row + 1]], expected)

    def test_search_tree_finds_the_same_batches(self, beers, fit, monkeypatch):
        scores = fit.metric.scores(np.vstack([beers.samples(k, 20, 1) for k in range(8)]))
        plain = fit.nearest_batch(scores, 1.0)
        monkeypatch.setattr("specmatch.maths.classification.class_model.MANY_PAIRS", 0)
        by_tree = fit.nearest_batch(scores, 1.0)
        np.testing.assert_array_equal(plain[0], by_tree[0])
        np.testing.assert_array_equal(plain[1], by_tree[1])


class TestMetric:
    def test_scatter_of_the_samples_is_the_identity(self, fit):
        departures = fit.batch_means - fit.beer_means[fit.samples.beer]
        # the lift of 1e-9 of the spread between beers is all that parts it from the identity
        np.testing.assert_allclose(departures.T @ departures / 56, np.eye(departures.shape[1]), atol=1e-4)

    def test_axes_are_those_of_a_singular_value_decomposition(self):
        rng = np.random.default_rng(0)
        for shape in ((12, 40), (40, 12)):
            spectra = rng.normal(size=shape)
            centre, axes = principal_axes(spectra, np.ones(shape[1]), 5)
            directions = np.linalg.svd(spectra - centre)[2][:5]
            # eigenvectors of products: half of the digits of the data are left
            np.testing.assert_allclose(np.abs((axes * directions.T).sum(axis=0)), 1.0, atol=1e-8)

    @pytest.mark.parametrize("transform", ["reflectance", "absorbance", "log_absorbance"])
    def test_a_given_scale_is_kept(self, house, transform):
        got = fit_class_model(*with_levels(*house), transform=transform, n_components=4)
        assert got.choice.scale.transform == transform
        assert got.beer_means.shape == (8, 4)

    def test_scales_rise_or_fall_with_reflectance_and_bear_any_value(self):
        rows = np.linspace(-0.1, 1.2, 50)[None, :]
        for scale in (
            LogAbsorbance("absorbance"),
            LogAbsorbance("log_absorbance", 0.03, 0.0),
            LogAbsorbance("log_absorbance", 0.06, 0.06),
        ):
            values = scale.apply(rows)[0]
            assert np.isfinite(values).all() and (np.diff(values) <= 0).all()

    def test_the_choice_is_the_same_whatever_the_order_of_rows(self, house):
        rows, beer, batch, sample = house
        order = np.random.default_rng(0).permutation(len(rows))
        first = fit_class_model(rows, Levels.of_pours(sample, batch, beer))
        other = fit_class_model(rows[order], Levels.of_pours(sample[order], batch[order], beer[order]))
        assert replace(
            first.choice, noise=0, channels=0, pour_covariance=0, merit=0, session=0, session_noise=0
        ) == replace(other.choice, noise=0, channels=0, pour_covariance=0, merit=0, session=0, session_noise=0)
        query = rows[:5]
        # sums in another order
        np.testing.assert_allclose(
            first.match(query, np.ones(5, int)).p_value,
            other.match(query, np.ones(5, int)).p_value,
            rtol=1e-6,
            atol=1e-12,
        )

    def test_thousands_of_beers_are_chosen_on_some_of_them(self):
        rng = np.random.default_rng(2)
        means = 0.5 + 0.1 * rng.normal(size=(300, 4)) @ np.linalg.qr(rng.normal(size=(20, 4)))[0].T
        rows = np.repeat(means, 2, axis=0) + 0.002 * rng.normal(size=(600, 20))
        each = np.arange(600)
        fit = fit_class_model(rows, Levels.of_pours(each, each, each // 2))
        assert (fit.match(means, np.ones(300, int)).distance.argmin(axis=1) == np.arange(300)).all()
        # nothing kept grows with pairs of beers
        assert max(array.size for array in (fit.beer_means, fit.batch_means, fit.samples.reflectance)) == rows.size


class TestEdges:
    def test_the_mean_of_a_beer_lies_at_distance_nought(self, fit):
        match = fit._match(fit.samples.reflectance, fit.samples.n_pours)
        assert np.isfinite(match.distance).all() and (match.distance >= 0).all()
        squared = ((fit.beer_means - fit.beer_means) ** 2).sum(axis=1)
        np.testing.assert_array_equal(fit.p_values(squared, np.arange(8), np.ones(8)), 1.0)

    def test_more_wavelengths_than_scans(self):
        """Ten scans of rank four on fifty wavelengths: distances stay finite, and the mean is typical."""
        rng = np.random.default_rng(8)
        rows = 0.5 + 0.02 * rng.normal(size=(10, 4)) @ rng.normal(size=(4, 50))
        each = np.arange(10)
        fit = fit_class_model(rows, Levels.of_pours(each, each, np.zeros(10, int)))
        match = fit.match(np.vstack([rows, rows.mean(axis=0)]), np.ones(11, int))
        assert np.isfinite(match.distance).all() and (match.distance >= 0).all()
        assert match.p_value[-1, 0] > 0.9

    def test_one_beer(self, beers):
        rows, _, batch, sample = SimulatedBeers(seed=4, n_beers=1).house(8)
        fit = fit_class_model(rows, Levels.of_pours(sample, batch, np.zeros(len(rows), int)))
        assert fit.p_method == ("f_tail",)
        other = fit.match(beers.samples(3, 5, 3) + 0.3 * np.cos(NM / 40.0), np.full(5, 3))
        assert (other.p_value < 0.05).all()

    def test_one_batch_a_beer_refuses_nothing_and_says_so(self, beers):
        rows, beer, batch, sample = SimulatedBeers(seed=1).house(1)
        fit = fit_class_model(rows, Levels.of_pours(sample, batch, beer))
        assert fit.p_method == ("none",) * 8 and fit.too_few_batches.all()
        match = fit.match(rows[::3], np.ones(8, int))
        assert (match.p_value == 1.0).all() and (match.distance.argmin(axis=1) == np.arange(8)).all()

    def test_few_batches_borrow_the_scatter_of_the_others(self):
        beers = SimulatedBeers(seed=6)
        fit = fitted(beers, [1, 2, 3, 4, 8, 8, 8, 8])
        assert fit.too_few_batches.tolist() == [True, True, True, False, False, False, False, False]
        for beer in range(3):
            p_value = fit.match(beers.samples(beer, 20, 3), np.full(20, 3)).p_value
            assert (p_value[:, beer] > 0.05).sum() >= 15  # 95 % of 20 are expected; below 15 once in 10^4 runs
            far = np.delete(np.arange(8), beer)
            assert (p_value[:, far] < 0.05).mean() > 0.9

    def test_all_batches_of_two_beers_identical(self):
        beers = SimulatedBeers(seed=6)
        rows, beer, batch, sample = beers.house(6)
        for k in (2, 5):
            rows[beer == k] = beers.means[k]
        fit = fit_class_model(rows, Levels.of_pours(sample, batch, beer))
        match = fit.match(beers.means, np.full(8, 3))
        assert np.isfinite(match.distance).all() and np.isfinite(match.p_value).all()
        assert (match.distance.argmin(axis=1) == np.arange(8)).all()

    def test_all_batches_of_all_beers_identical(self):
        rows = np.repeat([[0.2] * 20, [0.6] * 20], 4, axis=0)
        each = np.arange(8)
        fit = fit_class_model(rows, Levels.of_pours(each, each, each // 4))
        match = fit.match(rows, np.ones(8, int))
        assert np.isfinite(match.distance).all() and (match.distance.argmin(axis=1) == each // 4).all()

    def test_two_beers_that_are_the_same_are_both_plausible(self):
        beers = SimulatedBeers(seed=7)
        beers.means[1] = beers.means[0]
        fit = fitted(beers)
        p_value = fit.match(beers.samples(0, 20, 3), np.full(20, 3)).p_value
        assert ((p_value[:, :2] > 0.05).all(axis=1)).sum() >= 14  # 90 % of 20 or more; below 14 once in 400 runs

    def test_a_single_batch_is_refused(self):
        with pytest.raises(TooFewBatchesError, match="from 1 batch"):
            fit_class_model(np.full((3, 5), 0.5), Levels.of_pours(np.arange(3), np.zeros(3, int), np.zeros(3, int)))

    def test_inputs_are_never_written_to(self, house):
        copies = [np.array(part) for part in house]
        for part in house:
            part.setflags(write=False)
        fit_class_model(*with_levels(*house)).match(house[0], np.ones(len(house[0]), int))
        for part, copy in zip(house, copies, strict=True):
            np.testing.assert_array_equal(part, copy)


class TestSamplesOfABatch:
    def test_several_samples_a_batch_count_as_one_batch(self):
        """Scatter between samples of a batch is learnt too, and degrees of freedom stay those of batches."""
        beers = SimulatedBeers(seed=3)
        rows, batch, beer = [], [], []
        for k in range(8):
            for _ in range(6):
                of_batch = beers.batches(k, 1)
                packages = of_batch + 0.01 * beers.rng.normal(size=(4, 1)) * np.ones_like(of_batch)
                rows.append(beers.pours(packages, 2))
                batch += [len(rows) - 1] * 8
                beer += [k] * 8
        sample = np.repeat(np.arange(8 * 6 * 4), 2)
        fit = fit_class_model(np.vstack(rows), Levels.of_pours(sample, np.array(batch), np.array(beer)))
        assert fit.metric.dof == 40
        new = np.vstack([beers.batches(k, 40) for k in range(8)])
        new = new + 0.01 * beers.rng.normal(size=(320, 1))
        samples = beers.pours(new, 2).reshape(320, 2, -1).mean(axis=1)
        p_value = fit.match(samples, np.full(320, 2)).p_value[np.arange(320), np.repeat(np.arange(8), 40)]
        # 5 % stated; 320 samples against one fit of 40 degrees of freedom: 9 % is three standard errors off
        assert (p_value <= 0.05).mean() < 0.09


class TestMissingChannels:
    def test_answered_on_the_shared_channels(self, beers, fit):
        queries = np.vstack([beers.samples(k, 5, 3) for k in range(8)])
        missing = np.zeros(queries.shape, bool)
        missing[::2, 10:16] = True
        spoiled = np.where(missing, np.nan, queries)
        with np.errstate(invalid="raise"):
            got = fit.match(spoiled, np.full(40, 3), missing=missing)
        whole = fit.match(queries, np.full(40, 3))
        np.testing.assert_array_equal(got.p_value[1::2], whole.p_value[1::2])
        assert np.isfinite(got.p_value).all()
        own = got.p_value[np.arange(40), np.repeat(np.arange(8), 5)]
        assert (own > 0.05).mean() > 0.8 and (got.distance.argmin(axis=1) == np.repeat(np.arange(8), 5)).all()

    def test_refused_with_too_few_left(self, beers, fit):
        queries = beers.samples(0, 1, 3)
        missing = np.ones(queries.shape, bool)
        missing[:, :8] = False
        with pytest.raises(WavelengthMismatchError, match="at least half"):
            fit.match(queries, np.array([3]), missing=missing)


class TestOwnScatter:
    def test_variances_alike_are_pooled(self):
        rng = np.random.default_rng(1)
        variance = rng.chisquare(20, size=12) / 20
        drawn, prior, alike = shrink_variances(variance, np.full(12, 20.0))
        assert prior == np.inf and alike > 0.05
        np.testing.assert_allclose(drawn, variance.mean(), rtol=1e-12)  # equal degrees of freedom: the plain mean

    def test_a_wide_beer_keeps_its_own_variance_and_leaves_the_others_theirs(self):
        rng = np.random.default_rng(2)
        departures = rng.normal(size=(12 * 15, 6)) * np.where(np.arange(180) < 15, 3.0, 1.0)[:, None]
        got = shrink_class_variances(departures, np.repeat(np.arange(12), 15))
        assert got.alike_p_value < 1e-6
        # 90 degrees of freedom: a standard error of 15 %
        assert got.scale[0] == pytest.approx(9.0, rel=0.45)
        assert np.median(got.scale[1:]) == pytest.approx(1.0, rel=0.2)

    def test_a_long_tail_is_seen_and_a_normal_one_left(self):
        rng = np.random.default_rng(3)
        ones = np.ones(120)
        assert fit_tail(rng.f(6, 100, 120), 6 * ones, 100 * ones, ones).dof == np.inf
        assert fit_tail(rng.f(6, 3, 120) / 3, 6 * ones, 100 * ones, ones).dof <= 8
        drawn = rng.f(6, 3, 120)
        assert fit_tail(drawn, 6 * ones, 100 * ones, ones).inflation > 1.0  # an upper bound, and no estimate
        assert fit_tail(np.full(3, np.nan), ones[:3], ones[:3], ones[:3]) == NORMAL


class TestRanks:
    def test_beers_with_batches_enough_are_judged_by_ranks(self):
        beers = SimulatedBeers(seed=5)
        fit = fitted(beers, [19, 18, 8, 8, 8, 8, 8, 8])
        assert fit.p_method == ("ranks", *["f_tail"] * 7)
        p_value = fit.match(beers.samples(0, 50, 3), np.full(50, 3)).p_value[:, 0]
        inside = p_value[p_value > 0.05 + 1e-9]  # 1/20 itself is "beyond all but none": graded by the tail
        # ranks of 19 batches: multiples of 1/20
        np.testing.assert_allclose(inside * 20, np.round(inside * 20), atol=1e-9)
        # and a foreign beer, beyond every past batch, still gets a grade
        assert (fit.match(beers.samples(4, 5, 3), np.full(5, 3)).p_value[:, 0] < 0.05).all()

    def test_a_stricter_rate_needs_more_batches(self):
        beers = SimulatedBeers(seed=5)
        assert "ranks" not in fitted(beers, 20, n_pours=1, false_reject_rate=0.01).p_method


class TestUpkeep:
    def test_adding_batches_is_exactly_fitting_them_with_the_choice_held(self, house):
        rows, beer, batch, sample = house
        more, more_beer, more_batch, more_sample = SimulatedBeers(seed=1, n_beers=9).house([2] * 8 + [3])
        fit = fit_class_model(rows, Levels.of_pours(sample, batch, beer))
        grown, reasons = add_batches(fit, more, Levels.of_pours(more_sample, more_batch, more_beer))
        together = np.vstack([rows, more])
        every_sample = np.concatenate([sample, more_sample + 64])
        every_batch, every_beer = np.concatenate([batch, more_batch + 64]), np.concatenate([beer, more_beer])
        anew = fit_class_model(together, Levels.of_pours(every_sample, every_batch, every_beer))
        each = fit.choice.scale.apply(together[:, fit.choice.channels])
        means = np.array([each[every_sample == s].mean(axis=0) for s in range(every_sample.max() + 1)])
        departures = each - means[every_sample]
        held = replace(fit.choice, pour_covariance=departures.T @ departures / (len(each) - len(means)))
        expected = build_class_model(anew.samples, held, 0.05)
        query = SimulatedBeers(seed=1).samples(2, 5, 3)
        # the pour covariance is summed in two parts: rounding only
        np.testing.assert_allclose(
            grown.match(query, np.full(5, 3)).p_value,
            expected.match(query, np.full(5, 3)).p_value,
            rtol=1e-8,
            atol=1e-14,
        )
        assert len(fit.beer_means) == 8 and len(grown.beer_means) == 9
        assert any("beers are new" in reason for reason in reasons)
        assert any("has grown from 64" in reason for reason in reasons)

    def test_batches_unlike_their_beer_call_for_a_look(self, fit):
        wrong = SimulatedBeers(seed=1).samples(3, 4, 3)
        each = np.arange(4)
        grown, reasons = add_batches(fit, wrong, Levels.of_pours(each, each, np.zeros(4, int)))
        assert any("unlike their own beer" in reason for reason in reasons)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), n_beers=st.integers(2, 5), n_pours=st.integers(1, 3), n_batches=st.integers(2, 5))
def test_whatever_the_set_p_values_are_chances(seed, n_beers, n_pours, n_batches):
    beers = SimulatedBeers(seed=seed, n_beers=n_beers)
    fit = fitted(beers, n_batches, n_pours)
    rows, pours = beers.samples(0, 3, 1), np.ones(3, int)
    match = fit.match(rows, pours)
    for beer, p_value in enumerate(match.p_value.T):  # sums in another order
        np.testing.assert_allclose(fit.p_of(rows, pours, np.full(3, beer)), p_value, rtol=1e-9, atol=1e-300)
    assert ((match.p_value >= 0) & (match.p_value <= 1)).all()
    assert np.isfinite(match.distance).all() and np.isfinite(match.nearest_distance).all()


def test_choice_and_metric_are_built_on_the_same_samples(house):
    rows, levels = with_levels(*house)
    fit = fit_class_model(rows, levels)
    choice = select_space(fit.samples, rows, levels)
    metric, _ = metric_and_scores(choice, fit.samples, project(choice, fit.samples))
    np.testing.assert_array_equal(metric.axes, fit.metric.axes)


class TestParts:
    """The steps of a fit, each by hand or against another way to the same number."""

    def test_half_of_a_scatter_gives_it_back(self):
        rng = np.random.default_rng(2)
        scores = rng.normal(size=(50, 3))
        scatter = np.cov(scores.T)
        half = cholesky_factor(scatter, scores)
        assert (np.triu(half, 1) == 0).all()
        assert half @ half.T == pytest.approx(scatter, abs=1e-4)
        nothing = cholesky_factor(np.zeros((3, 3)), scores)  # lifted off zero: it can still be divided by
        assert (np.diag(nothing) > 0).all()

    def test_t2_becomes_f_with_the_freedom_that_is_left(self):
        """(nu - a + 1)/(nu a) T2 with nu = 10, a = 2: 9/20 of it; a beer's own freedom is the least of both."""
        pooled = BeerScatter(np.ones(2), np.array([np.inf, 4.0]), np.inf, 1.0, np.full(2, 2.0))
        found = f_statistics(np.array([6.0, 6.0]), 2, 10, pooled, np.array([0, 1]))
        assert found.statistic == pytest.approx([2.7, 2.7])
        assert found.dof.tolist() == [9.0, 4.0]

    def test_what_axes_leave_is_learnt_from_the_held_out_samples_that_are_known(self):
        fit = fit_residual(np.array([8.0, 10.0, 12.0, np.nan]), pour_mean=0.0, per_pour=1.0)
        assert (fit.mean, fit.n_samples) == (10.0, 3)
        p = fit.p_value(np.array([10.0, 20.0, 30.0]), 1.0)
        assert p[0] > 0.3 and (np.diff(p) < 0).all() and p[2] < 0.01

    def test_beers_are_brewed_at_even_steps_of_strength(self):
        """Of two beers of absorbance 1 and 2, each goes from 1 to 2 in steps of one ratio, its own colour kept."""
        two = LabelledSamples(
            np.array([[0.1, 0.1], [0.01, 0.01]]), np.array([1, 1]), np.array([0, 1]), np.array([0, 1])
        )
        brewed, beer_of = simulate_unknown_beers(two)
        for beer in (0, 1):
            depth = -np.log10(brewed[beer_of == beer, 0])
            assert depth[[0, -1]] == pytest.approx([1.0, 2.0])
            assert np.diff(np.log(depth)) == pytest.approx(np.log(depth[1] / depth[0]))

    def test_what_is_no_reflectance_is_left_as_it_is(self):
        rows = np.array([[0.1, 2.5], [0.01, 0.4]])
        brewed, _ = simulate_unknown_beers(LabelledSamples(rows, np.array([1, 1]), np.array([0, 1]), np.array([0, 1])))
        assert brewed.tolist() == rows.tolist()

    def test_the_merit_counts_batches_right_and_foreign_beers_refused(self, small_house):
        known = small_house[0].fitted.identity
        scores = known.metric.scores(known.samples.reflectance)
        nearest = np.array([0, 0, 0])
        far = float(cross_validated_scores(scores, known.samples, known.batch_means[:3] + 50.0, nearest)[0][-1])
        batch = 3
        of_the_house = known.metric.scores(known.samples.reflectance[known.samples.batch == batch])[:1]
        # told to be brewed from another beer, it lies where its own beer lies
        another = np.array([(known.samples.beer[batch] + 1) % 12])
        near = float(cross_validated_scores(scores, known.samples, of_the_house, another)[0][-1])
        assert far == pytest.approx(near + 1.0)
        assert 1.9 < far <= 2.0

    def test_the_margin_still_grows_where_no_batch_is_mistaken(self):
        beer = np.repeat([0, 1], 12)
        scatter = np.random.default_rng(3).normal(size=(24, 3))
        known = LabelledSamples(scatter, np.ones(24, int), np.arange(24), beer)
        away = np.array([[20.0, 0.0, 20.0]]) * beer[:, None]
        merit, margin = cross_validated_scores(scatter + away, known, scatter + away + 100.0, beer)
        assert merit.tolist() == [2.0, 2.0, 2.0]
        assert margin[2] > margin[1]  # the second axis tells nothing, the third as much as the first

    def test_a_choice_on_some_channels_keeps_what_belongs_to_them(self, small_house):
        choice = small_house[0].fitted.identity.choice
        kept = np.arange(0, choice.channels.size, 2)
        fewer = on_channels(choice, kept)
        assert fewer.channels.tolist() == choice.channels[kept].tolist()
        assert fewer.noise.tolist() == choice.noise[kept].tolist()
        assert fewer.n_components == choice.n_components

    def test_a_fit_knows_each_batch_and_the_freedom_left(self, small_house):
        known = small_house[0].fitted.identity
        beers = fit_beers(known.samples, known.choice)
        assert beers.metric.dof == 72 - 12  # batches less beers
        assert beers.batch_means == pytest.approx(known.batch_means)

    def test_no_distance_beyond_the_limit_is_plausible(self, small_house):
        """The limit is a bound, and near: what lies beyond is refused; at two thirds of it a beer may be plausible."""
        fit = small_house[0].fitted.identity
        pours = np.full(len(fit.beer_means), 3.0)
        own = identify_scores(fit, fit.beer_means, pours, 3, false_reject_rate=0.05)
        assert own.nearest_beer.tolist() == list(range(len(fit.beer_means)))
        assert (distance_limits(fit, 0.01) > distance_limits(fit, 0.05)).all()
