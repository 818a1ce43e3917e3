"""The noise of channels, told by how far they stand off their neighbours."""

import numpy as np
import pytest

from specmatch.maths.spectra.noise import (
    ChannelNoise,
    channel_noise,
    fit_light_noise,
    off_the_cubic,
    overall_noise,
    weighing_noise,
)

NOISE = np.linspace(0.7, 1.4, 60)


def pours(n_samples, n_pours, seed=5):
    """Return rows of smooth shapes with noise, and their samples."""
    rng = np.random.default_rng(seed)
    at = np.linspace(0.0, 1.0, NOISE.size)
    sample = np.repeat(np.arange(n_samples), n_pours)
    beers = 20.0 * np.exp(-np.outer(rng.uniform(0.5, 2.0, n_samples), at))
    drift = np.outer(rng.normal(size=sample.size), 5.0 * at)
    return beers[sample] + drift + NOISE * rng.normal(size=(sample.size, NOISE.size)), sample


@pytest.mark.parametrize("robust", [False, True])
def test_noise_is_found_beside_smooth_shapes(robust):
    rows, sample = pours(200, 3)
    # 400 deviations tell a standard deviation to 3.5 %, medians of them to 6 %: five times that among 60 channels
    np.testing.assert_allclose(channel_noise(rows, sample, robust=robust), NOISE, rtol=0.25)


def test_lone_rows_keep_the_shape_of_their_beer():
    rows, sample = pours(400, 1)
    np.testing.assert_allclose(channel_noise(rows, sample), NOISE, rtol=0.25)
    cubic = np.arange(20.0)[None] ** 3
    np.testing.assert_allclose(off_the_cubic(cubic), 0.0, atol=1e-9)


def test_a_few_bad_rows_leave_robust_noise_be():
    rows, sample = pours(200, 3)
    clean = channel_noise(rows, sample, robust=True)
    rows[[0, 3], 20] += 1000.0
    # pours of two samples of 200 are bad, and move the middle by so much
    np.testing.assert_allclose(channel_noise(rows, sample, robust=True), clean, rtol=0.06)
    assert channel_noise(rows, sample)[20] > 20.0


def test_channels_weigh_alike_where_their_noise_cannot_be_told():
    rows, sample = pours(200, 3)
    assert weighing_noise(rows[:6], sample[:6]).tolist() == [1.0] * NOISE.size
    assert weighing_noise(np.zeros((60, 5)), np.repeat(np.arange(20), 3)).tolist() == [1.0] * 5
    rows[:, 30:40] = np.linspace(0.0, 1.0, 10)
    assert weighing_noise(rows, sample).min() == pytest.approx(0.2 * np.median(weighing_noise(rows, sample)), rel=0.01)


def test_one_noise_of_all_channels_passes_over_hot_ones_and_gaps():
    rng = np.random.default_rng(2)
    pattern = rng.normal(0.0, 30.0, 200)
    darks = pattern + 2.0 * rng.normal(size=(3, 200))
    darks[0, 5], darks[1, 50:60] = np.nan, 500.0
    # some 400 values: their median tells it to 4 %
    assert overall_noise(darks, np.zeros(3, int)) == pytest.approx(2.0, rel=0.15)
    assert overall_noise(np.full((1, 9), np.nan), np.zeros(1, int)) == 0.0


@pytest.mark.parametrize("levels", [(0.05, 0.9), (0.02, 0.3)])
def test_the_light_of_a_lamp_comes_back_from_the_jitter_of_pours(levels):
    """A detector's noise of 0.3 % of the photons': light of the ends was told three times too bright."""
    rng, nm = np.random.default_rng(2), np.arange(430.0, 700.0, 2.0)
    light = 0.04 + np.exp(-(((nm - 560.0) / 70.0) ** 2))
    light = light / light.max()
    sample = np.repeat(np.arange(80), 3)
    # beers differ in level and in slope over the band
    even = np.geomspace(*levels, 80)[sample, None] ** (1.0 - 0.5 * (nm - 430.0) / 270.0)
    noise = ChannelNoise(light, 6e-10, 2e-7)
    rows = even * (1.0 + rng.normal(0.0, 0.01, 240)[:, None])
    rows = rows + rng.normal(size=even.shape) * np.sqrt(noise.variance(even))
    got = fit_light_noise(rows, sample, wavelength_nm=nm).light
    # 160 free rows tell a channel's variance to 11 %, ten channels of a slit together to 4 %
    assert np.abs(np.log(got / light)).max() < 0.3
    assert np.sqrt(np.mean(np.log(got / light) ** 2)) < 0.12
