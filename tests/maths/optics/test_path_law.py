from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from specmatch.maths.optics.cup import relative_absorbance
from specmatch.maths.optics.path_law import (
    LAB_COLOURS,
    SECOND_FILL,
    SLIT_BEND,
    TEXTBOOK,
    Pairs,
    PathLaw,
    _as_strong,
    learn_path_law,
    textbook_law,
)

NM = np.linspace(425.0, 700.0, 80)


def cup(colour, depth, returned, glare):
    """Light returned by a series of round trips, summed one by one."""
    x = np.exp(-0.147 * np.asarray(colour)[:, None] * depth * relative_absorbance(NM))
    trips = [x * (returned * x**2) ** n for n in range(200)]
    return glare + (1.0 - glare) * (1.0 - returned) * np.sum(trips, axis=0)


def law(glare=0.012, returned=0.0, exponent=1.0):
    return PathLaw(glare, returned, exponent, 1e-3 * np.eye(3), TEXTBOOK, 0, 1.0, 1.0)


@pytest.mark.parametrize("returned", [0.0, 0.3, 0.6])
def test_the_law_is_the_series_of_round_trips(returned):
    colour, factor = np.array([4.0, 9.0, 16.0]), np.array([1.25, 1.6, 0.8])
    got = law(returned=returned).to_depth(cup(colour, 1.0, returned, 0.012), factor)
    expected = np.concatenate([cup(colour[[i]], factor[i], returned, 0.012) for i in range(3)])
    # held back only where hardly any light is left
    assert np.abs(got - expected)[expected > 0.06].max() < 1e-3 and np.abs(got - expected).max() < 3e-3


@given(st.floats(0.5, 2.0), st.floats(0.0, 0.7), st.floats(0.0, 0.03))
def test_there_and_back(factor, returned, glare):
    one = law(glare, returned)
    R = np.linspace(0.25, 1.05, 30)[None, :]
    f = np.array([factor])
    assert one.to_depth(one.to_depth(R, f), 1.0 / f)[0] == pytest.approx(R[0], abs=5e-3)
    assert one.to_depth(R, np.ones(1))[0] == pytest.approx(R[0], abs=1e-12)


def test_noise_about_nothing_stays_noise():
    dark = 0.012 + np.array([[-0.002, -0.001, 0.0, 0.001, 0.002]])
    assert np.abs(law().to_depth(dark, np.array([0.5])) - 0.012).max() < 0.02
    assert np.abs(law().to_depth(dark, np.array([2.0])) - 0.012).max() <= 0.003
    assert law().no_light(np.full((1, 80), 0.013), np.array([0.5]))[0]
    assert not law().no_light(np.full((1, 80), 0.013), np.array([2.0]))[0]
    assert not law().no_light(np.full((1, 80), 0.3), np.array([0.5]))[0]


@pytest.mark.parametrize("returned", [0.0, 0.45])
def test_lab_colours_teach_the_law_at_one_depth(returned):
    colour = np.geomspace(4.0, 60.0, 40)
    rng = np.random.default_rng(3)
    R = cup(colour * (1.0 + 0.02 * rng.standard_normal(40)), 1.0, returned, 0.015)
    got = learn_path_law(R, colour, NM)
    assert got.taught_by == LAB_COLOURS and got.n_batches == 40 and (got.lowest, got.highest) == (1.0, 1.0)
    assert got.glare == pytest.approx(0.015, abs=2e-3) and got.returned == pytest.approx(returned, abs=0.06)
    # hardly a lab colour, or none near 430 nm: the textbook
    assert learn_path_law(R[:5], colour[:5], NM).taught_by == TEXTBOOK
    assert learn_path_law(R[:, 20:], colour, NM[20:]).taught_by == TEXTBOOK


@pytest.mark.whole  # a model learns it so in tests/house/reading/test_samples.py
@pytest.mark.parametrize("returned", [0.0, 0.45])
def test_batches_at_a_second_depth_teach_the_law(returned):
    colour, half = np.geomspace(5.0, 60.0, 6), np.full(6, 1.0 / 0.6)
    one, two = cup(colour, 1.0, returned, 0.015), cup(colour, 0.6, returned, 0.015)
    three = np.full(6, 3)
    got = learn_path_law(one, np.full(6, np.nan), NM, Pairs(one, two, half, three, three))
    assert got.taught_by == SECOND_FILL and got.lowest == pytest.approx(0.6) and got.highest == 1.0
    assert got.returned == pytest.approx(returned, abs=0.05)
    assert np.abs(got.to_depth(two, half) - one).max() < 2e-3


LAMP = 0.05 + np.exp(-(((NM - 560.0) / 70.0) ** 2))


def under_stray_light(R, share, light=LAMP):
    """Counts of a module that spreads a share of all its light over all channels, over those of water."""
    seen = [(1.0 - share) * one * light + share * np.mean(one * light, axis=-1, keepdims=True) for one in (R, 1.0)]
    return seen[0] / seen[1]


def second_fill(depth, share, colour):
    one, two = (under_stray_light(cup(colour, h, 0.02, 0.015), share) for h in (1.0, depth))
    three = np.full(colour.size, 3)
    return one, Pairs(one, two, np.full(colour.size, 1.0 / depth), three, three)


@pytest.mark.parametrize(("depth", "share"), [(0.6, 0.0), (0.6, 0.006), (1.4, 0.006), (2.0, 0.003)])
def test_stray_light_goes_with_the_beer_and_is_learnt(depth, share):
    one, pairs = second_fill(depth, share, np.geomspace(5.0, 90.0, 6))
    colour = np.geomspace(4.0, 80.0, 40)
    past = under_stray_light(cup(colour, 1.0, 0.02, 0.015), share)
    got = learn_path_law(past, colour, NM, pairs, LAMP)
    assert got.taught_by == SECOND_FILL and got.stray == pytest.approx(share, abs=1e-3)
    # beyond what taught it: as stray light, none of it is taken for glare
    for factor in (1.0 / 1.15, 1.0 / 0.8):
        other = under_stray_light(cup(colour, 1.0 / factor, 0.02, 0.015), share)
        assert np.abs(got.to_depth(other, np.full(40, factor)) - past).max() < 2.5e-3
    # the law without it misses by more
    blind = replace(got, stray=0.0, glare=got.glare + share * np.median(LAMP.mean() / LAMP) * one.mean())
    deep = under_stray_light(cup(colour, 1.25, 0.02, 0.015), share)
    missed = [np.abs(a.to_depth(deep, np.full(40, 0.8)) - past).max() for a in (got, blind)]
    assert missed[0] < missed[1] if share else missed[0] < 2.5e-3


def test_stray_light_is_taken_off_and_put_on_alike():
    # the lamp as the module sees it
    stray = replace(law(returned=0.3), stray=0.01, light=0.99 * LAMP + 0.01 * LAMP.mean())
    R = under_stray_light(cup([6.0, 20.0], 1.0, 0.3, 0.012), 0.01)
    assert stray.to_depth(R, np.ones(2)) == pytest.approx(R, abs=1e-12)
    assert stray.through(R) == pytest.approx((cup([6.0, 20.0], 1.0, 0.3, 0.012) - 0.012) / 0.988, abs=1e-12)
    bright = R[:1]
    assert stray.seen(stray.absorbed(bright, NM)) == pytest.approx(bright, abs=1e-12)
    some = np.arange(10, 60)
    assert stray.at(some).light.size == 50 and law().at(some).light.size == 1


def test_a_channel_without_light_goes_as_those_beside_it_say():
    colour = np.geomspace(8.0, 60.0, 30)
    past = cup(colour, 1.0, 0.0, 0.012)
    known = replace(law(), shape=learn_path_law(past, colour, NM).shape)
    dark = cup([45.0], 1.4, 0.0, 0.012)
    here, f = cup([45.0], 1.0, 0.0, 0.012), np.array([1.0 / 1.4])
    held = law().to_depth(dark, f)
    off = [np.abs(np.log((R - 0.012) / (here - 0.012)))[here < 0.02].max() for R in (known.to_depth(dark, f), held)]
    assert off[0] < 0.35 < off[1]
    # with light enough nothing is changed by it, alone or beside a dark one
    pale = cup([8.0], 1.2, 0.0, 0.012)
    assert known.to_depth(pale, f) == pytest.approx(law().to_depth(pale, f), abs=1e-12)
    both = known.to_depth(np.vstack([pale, dark]), np.repeat(f, 2))
    np.testing.assert_array_equal(both, np.vstack([known.to_depth(pale, f), known.to_depth(dark, f)]))


def test_a_slit_bends_steep_channels():
    """A module that averages light over 13 nm, and the law that knows of it."""
    fine = np.arange(400.0, 725.0)
    near = np.exp(-0.5 * ((NM[:, None] - fine) / (13.0 / 2.3548)) ** 2)

    def seen(depth):
        through = np.exp(-0.147 * 60.0 * depth * relative_absorbance(fine))
        return (0.012 + 0.988 * through @ (near / near.sum(axis=1, keepdims=True)).T)[None]

    def off(bend):
        got = replace(law(), bend=bend).to_depth(seen(0.6), np.array([1.0 / 0.6])) - seen(1.0)
        return np.abs(got[seen(1.0) > 0.05]).max()

    # what is left is the third order of so steep a curve
    assert off(SLIT_BEND) < 0.3 * off(0.0) and off(0.0) > 4e-4
    deep = replace(law(), bend=SLIT_BEND)
    there = deep.to_depth(seen(0.6), np.array([1.5]))
    assert deep.to_depth(there, np.array([1.0 / 1.5]))[seen(0.6) > 0.2] == pytest.approx(
        seen(0.6)[seen(0.6) > 0.2],
        abs=1e-3,  # to first order in the bend
    )


def test_a_lamp_that_drifts_between_two_pours_is_not_taken_for_depth():
    colour = np.geomspace(5.0, 60.0, 6)
    one, pairs = second_fill(0.6, 0.0, colour)
    rng = np.random.default_rng(1)
    drift = 1.0 + 0.004 * rng.standard_normal((6, 1)) + 0.003 * rng.standard_normal((6, 1)) * np.linspace(-1, 1, 80)
    got = learn_path_law(one, np.full(6, np.nan), NM, replace(pairs, at_second=pairs.at_second * drift), LAMP)
    brought = replace(got, bend=0.0).to_depth(pairs.at_second, pairs.factor)  # these spectra know no slit
    assert got.exponent == pytest.approx(1.0, abs=0.02)
    assert np.abs(brought - one).max() < 4e-3


def test_the_exponent_is_moved_as_far_as_batches_agree_in_strength():
    _, pairs = second_fill(0.6, 0.0, np.geomspace(5.0, 60.0, 6))
    off = law(glare=0.015, returned=0.02, exponent=1.04)
    agreed = _as_strong(off, pairs, NM).exponent
    assert abs(agreed - 1.0) < 0.015
    # each batch by its own tenth of depth: six of them say little
    unlike = replace(pairs, factor=pairs.factor * np.exp(0.2 * np.array([-1, 1, -1, 1, -1, 1])))
    assert abs(_as_strong(off, unlike, NM).exponent - 1.04) < abs(agreed - 1.04)


def test_beers_that_no_one_law_fits_widen_it():
    colour = np.geomspace(5.0, 60.0, 6)
    one, pairs = second_fill(0.6, 0.0, colour)
    known = learn_path_law(one, np.full(6, np.nan), NM, pairs, LAMP)
    # half of the beers go with depth as if poured a tenth deeper
    other = np.where((np.arange(6) % 2)[:, None], cup(colour, 0.66, 0.02, 0.015), pairs.at_second)
    unlike = learn_path_law(one, np.full(6, np.nan), NM, replace(pairs, at_second=other), LAMP)
    size = [np.linalg.norm(one_law.directions(one, np.full(6, 0.8), np.zeros(6))[:, 3]) for one_law in (known, unlike)]
    assert size[1] > 3.0 * size[0]


def test_doubt_grows_with_the_change_of_depth():
    R = cup([12.0], 1.0, 0.0, 0.01)
    size = [
        np.linalg.norm(textbook_law().directions(R, np.array([f]), np.zeros(1))[0, 1:]) for f in (1.02, 1.1, 1.3, 1.8)
    ]
    assert np.all(np.diff(size) > 0)
    fills = textbook_law().directions(R, np.ones(1), np.array([0.01]))[0, 0]
    slope = (cup([12.0 * 1.01], 1.0, 0.0, 0.01) - R)[0]
    bright = R[0] > 0.1
    assert fills[bright] == pytest.approx(slope[bright], rel=0.05)
    assert (textbook_law().gain(R, np.array([2.0])) >= 2.0).all() and (
        textbook_law().gain(R, np.array([0.5])) >= 1
    ).all()
