"""Noise that batches share through a session: how much of it scatter within beers lacks, and that it is carried."""

from dataclasses import replace

import numpy as np
import pytest

from specmatch.maths.classification.beer_scatter import held_out_statistics
from specmatch.maths.classification.class_model import add_batches, fit_class_model
from specmatch.maths.classification.sessions import USUAL_SD, few_sessions, missing_share, shared_noise
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.levels import Levels

NM = np.arange(430.0, 680.0, 4.0)


def drawn(rng, n_beers, n_batches, session_of, noise=2e-3, n_pours=2):
    """Return pours of beers whose batches share the noise of their session's reference, and levels and sessions."""
    beer = np.repeat(np.arange(n_beers), n_batches)
    session = session_of(beer)
    strength = 0.2 * 1.5**beer * np.exp(0.03 * rng.standard_normal(beer.size))
    clean = 10.0 ** -(strength[:, None] * np.exp(-(NM - 430.0) / 80.0))
    reference = 1.0 + noise * rng.standard_normal((session.max() + 1, NM.size))
    means = clean / reference[session]
    sample = np.repeat(np.arange(beer.size), n_pours)
    pours = means[sample] + noise * rng.standard_normal((sample.size, NM.size))
    return pours, Levels(sample, np.arange(beer.size), beer), session


@pytest.mark.parametrize("shape", [[8], [1] * 8, [4, 4], [5, 2, 1]])
def test_what_scatter_lacks_of_sessions_is_that_of_a_simulation(shape):
    rng = np.random.default_rng(1)
    session = np.repeat(np.arange(len(shape)), shape)
    beer = np.zeros(session.size, np.int64)
    effect = rng.standard_normal((20000, len(shape)))[:, session]
    new = rng.standard_normal(20000)
    within = effect.var(axis=1, ddof=1).mean()
    of_mean = ((new - effect.mean(axis=1)) ** 2).mean()
    counted = 1.0 + 1.0 / session.size  # of the scatter of one batch, for a new one about the mean
    # 20,000 draws: a standard error of 1 % of a variance of 2
    assert missing_share(session, beer)[0] * counted == pytest.approx(of_mean - within * counted, abs=0.08)


def test_beers_of_one_session_are_told():
    beer = np.repeat([0, 1, 2], [4, 4, 2])
    assert few_sessions(np.array([0, 0, 0, 0, 0, 1, 2, 3, 5, 5]), beer).tolist() == [0]


def test_sessions_that_mix_beers_add_nothing():
    rng = np.random.default_rng(2)
    pours, levels, session = drawn(rng, 5, 8, lambda beer: np.arange(beer.size) % 8)
    assert shared_noise(pours, levels, session, wavelength_nm=NM) is None


def test_the_noise_of_a_reference_is_told_from_pours():
    rng = np.random.default_rng(3)
    pours, levels, session = drawn(rng, 5, 8, lambda beer: beer)
    got = shared_noise(pours, levels, session, wavelength_nm=NM)
    assert got.missing == pytest.approx(2.0 / (1.0 + 1.0 / 8.0))
    # no two beers share a session: the usual sizes stand
    lamp = got.loading[:, 1] / got.base
    np.testing.assert_allclose(lamp, USUAL_SD[1])
    loading, variance = got.on_scale(LogAbsorbance("reflectance"))
    assert loading.shape == (15, NM.size) and (variance > 0).all()


def test_a_batch_is_held_out_with_all_of_its_session():
    rng = np.random.default_rng(4)
    pours, levels, session = drawn(rng, 4, 6, lambda beer: np.where(beer == 3, 6, np.arange(beer.size) % 6))
    fit = fit_class_model(pours, levels, session=session)
    before = held_out_statistics(fit.samples, fit.choice)[0].statistic
    mates = np.flatnonzero(session == session[0])[1:]
    spoilt = fit.samples.reflectance.copy()
    spoilt[mates] *= 0.7
    samples = replace(fit.samples, reflectance=spoilt)
    after = held_out_statistics(samples, fit.choice)[0].statistic
    alone = held_out_statistics(replace(samples, session=session[:0]), fit.choice)[0].statistic
    assert after[0] == pytest.approx(before[0], rel=1e-9)  # rounding only
    assert abs(alone[0] / before[0] - 1.0) > 0.01
    # the fourth beer has one session: its batches are held out one by one
    assert np.isfinite(before[18:]).all()


def test_added_batches_are_held_out_with_their_session():
    rng = np.random.default_rng(6)
    pours, levels, session = drawn(rng, 4, 8, lambda beer: np.arange(beer.size) % 8)
    first = np.arange(pours.shape[0]) < 56
    fit = fit_class_model(pours[first], levels.part(first), session=session[:28])
    rest = levels.part(~first, same_beers=True)
    assert np.array_equal(add_batches(fit, pours[~first], rest, session)[0].samples.session, session)
    # of no known session each new batch has its own
    assert np.array_equal(add_batches(fit, pours[~first], rest)[0].samples.session[28:], [8, 9, 10, 11])


def test_few_sessions_that_mix_beers_reject_as_often_as_stated():
    rejected = {True: [], False: []}
    for seed in range(6):
        pours, levels, session = drawn(np.random.default_rng([seed, 7]), 6, 8, lambda beer: np.arange(beer.size) % 5)
        new, its_levels, _ = drawn(np.random.default_rng([seed, 8]), 6, 8, lambda beer: np.arange(beer.size) % 8)
        samples = its_levels.mean(new, to="sample")
        for held_out in (True, False):
            fit = fit_class_model(pours, levels, session=session if held_out else None)
            p = fit.match(samples, np.full(len(samples), 2)).p_value[np.arange(len(samples)), its_levels.beer]
            rejected[held_out].append((p <= 0.05).mean())
    # a stated 0.05; 48 new sessions leave a standard error of about 0.015 (0.06 seen, and 0.23 without)
    assert np.mean(rejected[True]) <= 0.08
    assert np.mean(rejected[False]) > 0.15


@pytest.mark.whole
@pytest.mark.slow
def test_new_batches_of_an_archive_are_rejected_about_as_often_as_stated(full_size, claim):
    rejected = {True: [], False: []}
    for seed in range(24 if full_size else 8):
        rng = np.random.default_rng([seed, 5])
        pours, levels, session = drawn(rng, 6, 8, lambda beer: beer)
        new, its_levels, _ = drawn(rng, 6, 8, lambda beer: np.arange(beer.size) % 8)
        samples = its_levels.mean(new, to="sample")
        for carried in (True, False):
            shared = shared_noise(pours, levels, session, wavelength_nm=NM) if carried else None
            fit = fit_class_model(pours, levels, shared=shared)
            p = fit.match(samples, np.full(len(samples), 2)).p_value[np.arange(len(samples)), its_levels.beer]
            rejected[carried].append((p <= 0.05).mean())
    assert np.mean(rejected[True]) <= 0.08
    assert np.mean(rejected[False]) > 0.15
    claim("archive_rejected", np.mean(rejected[True]), 48 * len(rejected[True]))
