"""The part of another liquid in a beer: found again, covered by its interval, and what could be seen at all."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated_beers import BATCH_SD, MODES, SimulatedBeers, with_levels

from specmatch.maths.classification.beer_scatter import PRIOR_DOFS, shrink_covariances
from specmatch.maths.classification.blends import (
    FRACTIONS,
    BlendPath,
    blend_path,
    estimate_blends,
    falling,
    held_out_scale,
    hold_blends,
    likelihood,
    limits,
    mean_spectra,
    mixed_reflectance,
    neighbours,
    read_series,
    smallest_visible,
    space_of,
)
from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.classification.evidence import power, sample_size
from specmatch.maths.optics.path_law import TEXTBOOK, PathLaw
from specmatch.maths.statistics.levels import Levels, binomial_bounds

NM = np.linspace(430.0, 700.0, 60)
SHAPES = np.array([np.cos(np.pi * j * (NM - 430.0) / 270.0) for j in (1, 2)])


class Brewhouse:
    """Made-up beers of known absorbance: colours 30 % apart, batches that vary in strength and shape, pours."""

    def __init__(self, seed, n_beers=5):
        self.rng = np.random.default_rng(seed)
        colour = 0.3 * 1.3 ** np.arange(n_beers)
        shape = 0.03 * self.rng.normal(size=(n_beers, 2)) @ SHAPES
        self.absorbance = colour[:, None] * np.exp(-(NM - 430.0) / 82.0) * np.exp(shape)

    def batches(self, beer, n):
        strength, shape = 0.045 * self.rng.normal(size=(n, 1)), 0.01 * self.rng.normal(size=(n, 2)) @ SHAPES
        return self.absorbance[beer] * np.exp(strength + shape)

    def measured(self, absorbance, n_pours):
        pours = absorbance * (1.0 + 0.012 * self.rng.normal(size=(n_pours, 1)))
        return 10.0**-pours + 5e-4 * self.rng.normal(size=(n_pours, NM.size))

    def fit(self, n_batches=10):
        rows = [self.measured(a, 3) for k in range(len(self.absorbance)) for a in self.batches(k, n_batches)]
        batch = np.repeat(np.arange(len(rows)), 3)
        return fit_class_model(np.vstack(rows), Levels.of_pours(batch, batch, batch // n_batches))


# the made-up cup is without glare and returns no light, and the law knows it
LAW = PathLaw(0.0, 0.0, 1.0, 1e-3 * np.eye(3), TEXTBOOK, 0, 1.0, 1.0)


def asked(fit, base, other):
    """The path between two beers, as wide as held-out blends scatter."""
    space = space_of(fit, LAW, NM)
    return blend_path(space, base, other).wider(*held_out_scale(fit, space, base, other))


def estimate(fit, samples, base, other, question=None):
    path, samples = question or asked(fit, base, other), np.atleast_2d(samples)
    return estimate_blends(path, fit.metric.scores(samples), np.full(len(samples), 3))


def test_absorbances_add_by_volume():
    base, other = np.array([0.5, 0.1]), np.array([0.8, 0.4])
    got = -np.log10(mixed_reflectance(base, other, 0.25))
    np.testing.assert_allclose(got, -0.75 * np.log10(base) - 0.25 * np.log10(other), rtol=1e-12)
    np.testing.assert_array_equal(mixed_reflectance(base, other, 0.0), base)


@pytest.mark.slow
@pytest.mark.whole
def test_fractions_are_covered_and_none_is_not_said_of_what_is_visible(full_size):
    fractions = np.array([0.0, 0.02, 0.1, 0.2, 0.4, 0.8])
    covered = np.zeros(fractions.size, int)
    n = missed = above = 0
    for seed in range(20 if full_size else 2):
        house = Brewhouse(seed)
        fit = house.fit()
        # neighbours, far apart both ways, and push water
        for base, other in ((0, 1), (3, 2), (0, 4), (4, 0), (2, None)):
            question = asked(fit, base, other)
            n += 5
            for a in house.batches(base, 5):
                b = 0.0 * a if other is None else house.batches(other, 1)[0]
                samples = [house.measured((1 - f) * a + f * b, 3).mean(axis=0) for f in fractions]
                got = estimate(fit, samples, base, other, question)
                covered += [blend.low - 1e-9 <= f <= blend.high + 1e-9 for blend, f in zip(got, fractions, strict=True)]
                visible = fractions >= [blend.smallest_visible for blend in got]
                above += visible.sum()
                missed += sum(blend.low <= 0.0 for blend, v in zip(got, visible, strict=True) if v)
    # blends of one seed and pair share the means of the beers: fewer cases than are counted
    assert (binomial_bounds(covered, n, level=0.999)[1] >= 0.95).all()
    assert 0.91 <= covered.sum() / (n * fractions.size) <= 0.99
    assert above > 40 and missed <= 0.02 * above


def test_water_is_seen_as_a_paler_beer_would_be():
    house = Brewhouse(3)
    fit = house.fit()
    blend = estimate(fit, house.measured(0.7 * house.absorbance[2], 3).mean(axis=0), 2, None)[0]
    assert blend.low < 0.3 < blend.high and blend.low > 0.05
    # 4.5 % of batch strength: less than a tenth of water is no more than a paler batch
    assert 0.08 < blend.smallest_visible < 0.35


@pytest.mark.whole
def test_what_is_no_blend_says_so():
    house = Brewhouse(4)
    fit = house.fit()
    odd = house.measured(house.absorbance[1] * np.exp(0.2 * np.sin(NM / 15.0)), 3).mean(axis=0)
    assert estimate(fit, odd, 1, 2)[0].p_value < 0.001


def test_the_other_beers_scatter_widens_the_limits_where_much_of_it_is_in():
    house = Brewhouse(5)
    fit = house.fit()
    space = space_of(fit, LAW, NM)
    quiet = space.own * np.array([1.0, 1.0, 1.0, 1.0, 1e-6])[:, None, None]
    still = replace(space, own=quiet, scatter=replace(space.scatter, scale=np.array([1.0, 1.0, 1.0, 1.0, 1e-6])))
    path, own = blend_path(space, 0, 4), blend_path(still, 0, 4)
    at = int(np.searchsorted(np.linspace(0.0, 1.0, 301) ** 2, 0.5))
    # the other beer is nearly three times as strong: halfway most of the scatter is that beer's, at the start none
    assert np.trace(path.batches[at]) > 1.5 * np.trace(own.batches[at])
    assert np.trace(path.batches[0]) == pytest.approx(np.trace(own.batches[0]))
    wide, narrow = (smallest_visible(path, path.scatter(3.0), limit) for limit in (16.0, 4.0))
    assert 0.0 < narrow < wide < 1.0


class TestOwnScatter:
    """Beers that wander in directions of their own, eight batches each."""

    def drawn(self, seed, spread, n_beers=12, a=3, dof=7):
        rng = np.random.default_rng(seed)
        true = [np.diag(np.exp(spread * rng.normal(size=a))) for _ in range(n_beers)]
        products = np.array([(x := rng.multivariate_normal(np.zeros(a), c, dof)).T @ x for c in true])
        return np.array(true), products, np.full(n_beers, float(dof))

    def test_unlike_beers_keep_some_of_their_own_and_alike_ones_share(self):
        better = alike = 0
        for seed in range(10):
            true, products, dof = self.drawn(seed, 1.0)
            got, prior = shrink_covariances(products, dof)
            pooled, own = products.sum(axis=0) / dof.sum(), products / dof[:, None, None]

            def off(estimate, true=true):
                # the loss of a likelihood: what a wrong covariance costs on average
                ratio = np.linalg.solve(np.broadcast_to(estimate, true.shape), true)
                return float((np.trace(ratio, axis1=1, axis2=2) - np.linalg.slogdet(ratio)[1]).mean())

            better += off(got) < min(off(pooled), off(own)) and np.isfinite(prior)
            alike += np.linalg.norm(np.subtract(*(shrink_covariances(*self.drawn(seed, 0.0)[1:])[0][:2]))) < 0.2
        assert better >= 9 and alike >= 7

    def test_the_prior_is_the_likeliest_of_an_f_distribution_along_one_axis(self):
        _, products, dof = self.drawn(3, 0.8, a=1)
        ratio = products[:, 0, 0] / dof / (products.sum() / dof.sum())
        # a variance over its expectation more / (more + 2) of an inverse chi-squared one of more + 2 degrees of freedom
        log = [
            stats.f.logpdf(ratio * (m + 2.0) / m, dof, m + 2.0).sum() + dof.size * np.log((m + 2.0) / m)
            for m in PRIOR_DOFS
        ]
        assert shrink_covariances(products, dof)[1] == PRIOR_DOFS[int(np.argmax(log))]


class TestSeries:
    @pytest.mark.slow
    @pytest.mark.whole
    def test_the_package_is_found(self, full_size):
        found = n = 0
        for seed in range(12 if full_size else 2):
            house = Brewhouse(seed)
            fit = house.fit()
            for base, other in ((0, 3), (4, 1), (2, None)):
                path = asked(fit, base, other)
                for _ in range(4):
                    a = house.batches(base, 1)[0]
                    b = 0.0 * a if other is None else house.batches(other, 1)[0]
                    begins, fall = house.rng.uniform(0.0, 3.0), house.rng.uniform(0.5, 1.2)
                    true = np.minimum(1.0, np.exp(-(np.arange(14) - begins) / fall))
                    samples = np.array([house.measured((1 - f) * a + f * b, 3).mean(axis=0) for f in true])
                    got = read_series(path, fit.metric.scores(samples), np.full(14, 3), pours_known=True)
                    n += 1
                    assert (np.diff(got.fractions) <= 0.0).all()
                    if got.first is not None:
                        found += abs(got.first - np.flatnonzero(true <= got.smallest_visible)[0]) <= 1
        assert binomial_bounds(found, n, level=0.999)[1] >= 0.9
        assert found >= 0.85 * n

    def test_a_series_that_has_not_arrived_says_so(self):
        house = Brewhouse(1)
        fit = house.fit()
        path = asked(fit, 0, 4)
        a, b = house.batches(0, 1)[0], house.batches(4, 1)[0]

        def series(true):
            samples = np.array([house.measured((1 - f) * a + f * b, 3).mean(axis=0) for f in true])
            return read_series(path, fit.metric.scores(samples), np.full(len(true), 3), pours_known=True)

        still = series(np.linspace(1.0, 0.3, 8))
        assert still.first is None and still.left > 0.0
        # settled, but on a blend: the set's own batches tell
        stuck = series(np.array([1.0, 0.8, 0.6, 0.4, 0.4, 0.4, 0.4, 0.4]))
        assert stuck.first is None and stuck.left > 0.1

    def test_falling_is_the_monotone_least_squares_fit(self):
        isotonic = pytest.importorskip("sklearn.isotonic")
        values = np.random.default_rng(0).normal(size=40) - np.linspace(0.0, 3.0, 40)
        expected = isotonic.isotonic_regression(values, increasing=False)
        np.testing.assert_allclose(falling(values), expected, rtol=1e-12, atol=1e-12)  # means of the same numbers


class TestSeparation:
    @pytest.mark.slow
    @pytest.mark.parametrize(
        "gap, n_pours", [(4.0, 3), *(pytest.param(*one, marks=pytest.mark.whole) for one in [(2.0, 3), (4.0, 1)])]
    )
    def test_expected_holds_are_observed(self, gap, n_pours, full_size, whole):
        """Two beers `gap` batch standard deviations apart along one shape, in houses whose beers scatter alike."""
        expected, observed = [], []
        for seed in range(40 if full_size else 8 if whole else 3):
            beers = SimulatedBeers(seed=seed)
            beers.means[1] = beers.means[0] + gap * BATCH_SD[2] * MODES[2]
            fit = fit_class_model(*with_levels(*beers.house(10)))
            for claimed, really in ((0, 1), (1, 0)):
                match = fit.match(beers.samples(really, 40, n_pours), np.full(40, n_pours))
                observed.append((match.p_value[:, claimed] <= 0.05).mean())
                expected.append(power(fit, claimed, really, n_pours=n_pours))
        apart = np.array(observed) - expected
        # three standard errors over houses, and 3 % for what the choice of the metric makes of the two
        assert abs(apart.mean()) < 0.03 + 3 * apart.std() / np.sqrt(apart.size)

    def test_more_pours_and_batches_never_hurt(self):
        fit = Brewhouse(5).fit(6)
        by_pours = [power(fit, 0, 1, n_pours=m) for m in (1, 2, 5, 100)]
        by_batches = [power(fit, 0, 1, n_pours=3, n_batches=n) for n in (4, 8, 20, 100)]
        assert by_pours == sorted(by_pours) and by_batches == sorted(by_batches)

    def test_no_number_helps_beers_that_are_the_same(self):
        house = Brewhouse(6)
        house.absorbance[1] = house.absorbance[0]
        got = sample_size(house.fit(), 0, 1, n_pours=3)
        assert got.pours is None and got.batches is None and got.held_at_best < 0.5

    def test_beers_far_apart_need_no_help(self):
        got = sample_size(Brewhouse(7).fit(), 0, 4, n_pours=2)
        assert got.pours == 2 and got.held > 0.99


class TestMistakes:
    def test_neighbour_is_the_next_in_colour(self):
        fit = Brewhouse(1).fit()
        got = neighbours(fit)
        assert (np.abs(got - np.arange(5)) == 1).all()

    def test_the_larger_the_part_the_oftener_it_is_held(self):
        house = Brewhouse(2)
        fit = house.fit()
        samples = np.array([house.measured(a, 3).mean(axis=0) for k in range(5) for a in house.batches(k, 20)])
        beer, pours = np.repeat(np.arange(5), 20), np.full(100, 3)
        _, held = hold_blends(fit, samples, pours, beer, rate=0.05, fractions=(0.0, 0.2, 0.5, 1.0))
        often = held.mean(axis=0)
        plain = fit.match(samples, pours).p_value[np.arange(100), beer] <= 0.05
        np.testing.assert_array_equal(held[:, 0], plain)
        assert (np.diff(often) >= 0).all() and often[-1] > 0.95

    def test_a_set_of_one_beer_has_no_neighbour(self):
        fit = Brewhouse(4, n_beers=1).fit()
        assert neighbours(fit).tolist() == [-1]


def test_the_spectrum_of_a_beer_is_the_mean_absorbance_of_its_batches():
    """Batches weigh alike, whatever their numbers of samples."""
    rows, beer, batch, _ = SimulatedBeers(seed=3).house(6)
    again = np.flatnonzero(batch == batch[0])  # one batch was sampled five times
    rows, beer, batch = (np.concatenate([of, *[of[again]] * 4]) for of in (rows, beer, batch))
    fit = fit_class_model(rows, Levels.of_pours(np.arange(len(rows)), batch, beer))
    logs = [
        np.mean([np.log(rows[batch == one]).mean(axis=0) for one in np.unique(batch[beer == kind])], axis=0)
        for kind in np.unique(beer)
    ]
    assert mean_spectra(fit.samples) == pytest.approx(np.exp(logs))


def test_limits_cover_as_stated_near_the_ends_too():
    """Readings along a straight path of known scatter; one that lies beyond an end is likeliest at that end."""
    none = np.zeros((FRACTIONS.size, 1, 1))
    path = BlendPath(6.0 * FRACTIONS[:, None], none + 1.0, none, none[:, 0], 1e9)
    scatter = path.scatter(1.0)
    limit = limits(path, scatter)
    # one side of a normal distribution would do at an end, both where no end is near; never less than both is allowed,
    # and smoothed hundreds of draws know a share of 5 % to 1 % of readings, which is 0.4 here
    least = stats.norm.ppf(0.975) ** 2
    assert limit[0] == pytest.approx(least) and limit.min() >= least - 1e-9
    assert limit[np.argmin(np.abs(FRACTIONS - 0.5))] == pytest.approx(least, abs=0.8)
    z = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
    held = []
    for at in (0, 30, 80, 150, 212, 290, 300):
        log = likelihood(path, path.scores[at] + z[:, None], scatter)[0]
        held.append((2.0 * (log.max(axis=1) - log[:, at]) <= limit[at]).mean())
    # 0.975 at an end, where one side of 0.05 cannot be missed, 0.95 elsewhere, to what draws know
    assert 0.95 < np.mean(held) < 0.975 and min(held) > 0.94


def test_what_the_law_may_be_off_by_hides_nothing_that_lies_where_the_law_says():
    """Doubts grow from none on; readings of a tenth that scatter as beers do alone are not told as none."""
    rng, at = np.random.default_rng(5), np.argmin(np.abs(FRACTIONS - 0.1))
    line, none = np.column_stack([10.0 * FRACTIONS, 5.0 * FRACTIONS]), np.zeros((FRACTIONS.size, 2, 2))
    wrong = np.column_stack([30.0 * FRACTIONS * (1.0 - FRACTIONS), np.zeros(FRACTIONS.size)])
    path = BlendPath(line, none + np.eye(2) / 4.0, wrong[:, :, None] * wrong[:, None, :], none[:, 0], 50.0)
    got = estimate_blends(path, line[at] + 0.5 * rng.standard_normal((200, 2)), np.full(200, 3))
    assert sum(one.low <= 0.1 <= one.high for one in got) >= 190
    # where doubts count as scatter a reading of a tenth is told as one of 3 %
    assert np.median([one.fraction for one in got]) == pytest.approx(0.1, abs=0.03)


def test_sessions_that_no_two_beers_share_leave_the_scale_to_single_batches():
    """Nothing is held out where a pair never shares a fold; that proves no scale to be 1."""
    fit = Brewhouse(3, n_beers=2).fit(6)
    alone = held_out_scale(fit, space_of(fit, LAW, NM), 0, 1)
    own_days = np.repeat(np.arange(6), 2)  # three days a beer, two batches a day
    fit = replace(fit, samples=replace(fit.samples, session=own_days))
    apart = held_out_scale(fit, space_of(fit, LAW, NM), 0, 1)
    assert np.isfinite(apart).all() and apart[0] >= 1.0
    assert apart == pytest.approx(alone)
