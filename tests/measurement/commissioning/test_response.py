"""Linearity, stray light, dark and noise from counts of which the truth is known."""

import numpy as np
import pytest

from specmatch.measurement.commissioning.figures import (
    dilution_nonlinearity,
    fit_dark,
    fit_noise,
    ladder_nonlinearity,
    other_light,
    slope_per_hour,
    spread,
    stray_light,
)

FULL = 50000.0


def ladder(bend, *, seed=0, drift=0.0, p=200):
    rng = np.random.default_rng(seed)
    light = FULL * np.linspace(0.1, 1.0, p)
    ms = np.repeat([4.0, 8.0, 12.0, 16.0, 20.0], 3)
    level = 1.0 + drift * rng.standard_normal(ms.size)
    true = light * (ms / 20.0 * level)[:, None]
    counts = true * (1.0 + bend * true / FULL) + rng.standard_normal(true.shape) * np.sqrt(0.03 * true)
    return counts, counts / ms[:, None], np.sqrt(0.03 * true) / true


@pytest.mark.parametrize("bend", [0.0, -0.01, 0.02])
def test_the_bend_of_a_ladder_is_found_though_the_lamp_flickers(bend):
    found = ladder_nonlinearity(*ladder(bend, drift=0.01))
    # log(1 + bend x) over the span of the counts, 0.98 of full scale
    assert abs(found.value - 0.98 * np.log1p(bend)) < 4 * found.sd + 2e-4 and found.sd < 1e-3


def test_one_integration_time_is_no_ladder():
    counts, net, noise = ladder(0.01)
    one = slice(12, 15)
    assert ladder_nonlinearity(counts[one][:, 150:], net[one][:, 150:], noise[one][:, 150:]) is None


def test_dilutions_on_a_line_and_off_it():
    share = np.repeat([1.0, 0.75, 0.5, 0.25], 3)
    sd = np.full(share.size, 0.01)
    assert abs(dilution_nonlinearity(share, 0.8 * share, sd).value) < 1e-9
    bent = 0.8 * (share + 0.05 * 4 * share * (1 - share))
    np.testing.assert_allclose(dilution_nonlinearity(share, bent, sd).value, 0.05, rtol=1e-9)
    assert dilution_nonlinearity(np.array([1.0, 1.0, 0.5]), np.ones(3), np.ones(3)) is None


def test_stray_light_is_the_share_of_the_mean():
    nm = np.linspace(400.0, 700.0, 301)
    passed = np.where(nm > 550.0, 20000.0, 0.0)
    seen = 0.997 * passed + 0.003 * passed.mean()
    found = stray_light(seen, np.full(nm.size, 2.0), nm < 510.0)
    np.testing.assert_allclose(found.value, 0.003, rtol=1e-6)
    assert stray_light(seen, np.full(nm.size, 2.0), nm < 405.0) is None
    np.testing.assert_allclose(other_light(np.full(301, 5.0), np.full(301, 1000.0), np.ones(301)).value, 0.005)


def test_the_dark_by_time_and_temperature():
    rng = np.random.default_rng(2)
    ms, hours, degrees = (rng.uniform(*ends, 40) for ends in ((4, 20), (0, 2), (18, 24)))
    counts = 900.0 + 2.0 * ms + 5.0 * hours + 3.0 * degrees + 0.01 * rng.standard_normal(40)
    found = fit_dark(counts, ms, hours, degrees)
    for estimate, true in ((found["per_ms"], 2.0), (found["per_hour"], 5.0), (found["per_degree"], 3.0)):
        assert abs(estimate.value - true) < 5 * estimate.sd
    alone = fit_dark(counts, ms, hours, np.full(40, 20.0))
    assert alone.keys() == {"offset", "per_ms", "per_hour"}


def test_read_and_shot_noise_are_told_apart():
    rng = np.random.default_rng(3)
    light = np.linspace(50.0, FULL, 300)
    groups = [
        light * share * (1 + 0.01 * rng.standard_normal((6, 1)))
        + rng.standard_normal((6, 300)) * np.sqrt(49.0 + 0.05 * light * share)
        for share in (0.2, 0.5, 1.0)
    ]
    found = fit_noise(groups, 900.0 + 7.0 * rng.standard_normal((6, 300)))
    np.testing.assert_allclose([found.read_counts, found.shot], [7.0, 0.05], rtol=0.1)
    assert fit_noise([], np.zeros((1, 300))) is None


def test_a_slope_over_time_and_a_spread():
    hours = np.linspace(0.0, 1.0, 13)
    noise = 0.001 * np.random.default_rng(4).standard_normal(13)
    found = slope_per_hour(-0.02 * hours + noise, hours)
    assert abs(found.value + 0.02) < 4 * found.sd and found.sd < 0.003
    assert slope_per_hour(hours, np.full(13, np.nan)) is None
    assert spread(np.array([1.0, 2.0, 3.0])).value == 1.0
