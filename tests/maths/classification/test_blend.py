"""The part of another liquid in a beer: found again, covered by its interval, and what could be seen at all."""

import numpy as np
import pytest
from simulated_beers import BATCH_SD, MODES, SimulatedBeers, with_levels

from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.classification.mixtures import (
    estimate_blend,
    hold_blends,
    mean_spectra,
    mixed_reflectance,
    neighbours,
)
from specmatch.maths.classification.power import power, sample_size
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


def test_absorbances_add_by_volume():
    base, other = np.array([0.5, 0.1]), np.array([0.8, 0.4])
    got = -np.log10(mixed_reflectance(base, other, 0.25))
    np.testing.assert_allclose(got, -0.75 * np.log10(base) - 0.25 * np.log10(other), rtol=1e-12)
    np.testing.assert_array_equal(mixed_reflectance(base, other, 0.0), base)


@pytest.mark.slow
def test_fractions_are_covered(full_size, whole):
    covered = {0.0: 0, 0.1: 0, 0.2: 0, 0.3: 0, 0.6: 0}
    found = {fraction: [] for fraction in covered}
    n = 0
    for seed in range(20 if full_size else 4 if whole else 1):
        house = Brewhouse(seed)
        fit = house.fit()
        for base, other in ((0, 1), (2, 1), (3, 4), (2, 3)):
            n += 5
            for a, b in zip(house.batches(base, 5), house.batches(other, 5), strict=True):
                for fraction in covered:
                    sample = house.measured((1 - fraction) * a + fraction * b, 3).mean(axis=0)
                    blend = estimate_blend(fit, sample, 3, base=base, other=other)
                    covered[fraction] += blend.low <= fraction <= blend.high
                    found[fraction].append(blend.fraction)
    for fraction, hits in covered.items():
        assert binomial_bounds(hits, n, level=0.999)[1] >= 0.95
        if fraction >= 0.3:  # below, estimates that would be negative are cut at 0
            assert np.mean(found[fraction]) == pytest.approx(fraction, abs=0.06)


def test_water_is_seen_as_a_paler_beer_would_be():
    house = Brewhouse(3)
    fit = house.fit()
    thinned = house.measured(0.7 * house.absorbance[2], 3).mean(axis=0)
    blend = estimate_blend(fit, thinned, 3, base=2, other=None)
    assert blend.low < 0.3 < blend.high and blend.low > 0.1
    # 4.5 % of batch strength: less than a tenth of water is no more than a paler batch
    assert 0.08 < blend.smallest_visible < 0.30


def test_what_is_no_blend_says_so():
    house = Brewhouse(4)
    fit = house.fit()
    odd = house.measured(house.absorbance[1] * np.exp(0.2 * np.sin(NM / 15.0)), 3).mean(axis=0)
    assert estimate_blend(fit, odd, 3, base=1, other=2).p_value < 0.001


@pytest.mark.slow
def test_smallest_visible_fraction_is_seen_as_often_as_promised(full_size, whole):
    seen = n = 0
    for seed in range(30 if full_size else 6 if whole else 2):
        house = Brewhouse(seed)
        fit = house.fit()
        pure = house.measured(house.absorbance[1], 3).mean(axis=0)
        fraction = estimate_blend(fit, pure, 3, base=1, other=2).smallest_visible
        for a, b in zip(house.batches(1, 10), house.batches(2, 10), strict=True):
            sample = house.measured((1 - fraction) * a + fraction * b, 3).mean(axis=0)
            seen += estimate_blend(fit, sample, 3, base=1, other=2, level=0.90).low > 0.0
            n += 1
    # promised 95 of 100; the batch of the other beer varies too, which the promise leaves out
    assert binomial_bounds(seen, n, level=0.999)[1] >= 0.95


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
        got = hold_blends(fit, samples, pours, beer, rate=0.05, fractions=(0.0, 0.2, 0.5, 1.0))
        often = got.held.mean(axis=0)
        plain = fit.match(samples, pours).p_value[np.arange(100), beer] <= 0.05
        np.testing.assert_array_equal(got.held[:, 0], plain)
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
    assert mean_spectra(fit) == pytest.approx(np.exp(logs))
