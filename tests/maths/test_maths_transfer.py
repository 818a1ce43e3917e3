"""Maps between modules against a bench whose differences are planted, on smooth spectra made here."""

import numpy as np

from specmatch.maths.spectra.noise import ChannelNoise, slit_weights
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.transfer import (
    AS_IT_IS,
    BY_WAVELENGTH,
    FEW_PARAMETERS,
    ROUTES,
    SMOOTHED_NM,
    TERMS,
    Bench,
    carry,
    carry_each,
    exchanged,
    fit_terms,
    fit_transfer,
    pair,
)

NM = np.linspace(430.0, 690.0, 80)
LIGHT = 0.2 + np.exp(-(((NM - 560.0) / 70.0) ** 2))
SCALE = LogAbsorbance("log_absorbance", 0.05, 0.01)
COLOURS = np.geomspace(0.08, 1.2, 8)


def spectra(strength):
    shape = np.exp(-(NM - 430.0) / 82.0)
    return 10.0 ** -np.outer(strength, shape)


def bench(noise=1e-4, light=LIGHT):
    rng = np.random.default_rng(8)
    apart = 0.004 * rng.standard_normal((200, 1)) + noise * rng.standard_normal((200, NM.size))
    one = ChannelNoise(light, 1e-10, 1e-8)
    return Bench(NM, SCALE, SCALE.apply(spectra(np.geomspace(0.08, 1.2, 200))), apart, 200, (one, one))


def glare_and_axis(reflectance, glare=0.01, axis_nm=0.6):
    moved = np.array([np.interp(NM + axis_nm, NM, row, right=row[-1]) for row in reflectance])
    return moved + glare * (1.0 - moved)


def pairs(second, own=None, pours=1e9):
    own = spectra(COLOURS) if own is None else own
    n = np.full(len(own), pours)
    return pair(own, second, n, n, bench())


def judge(reflectance):
    return SCALE.apply(reflectance)[:, ::8] / 0.02


def test_smoothing_keeps_straight_lines():
    line = (0.2 + 0.001 * (NM - 430.0))[None]
    np.testing.assert_allclose(line @ slit_weights(NM, SMOOTHED_NM).T, line, atol=1e-12)


def test_planted_glare_and_axis_are_carried_over_to_new_spectra():
    found = fit_terms(pairs(glare_and_axis(spectra(COLOURS))), bench(), FEW_PARAMETERS)
    # a beer's exponential tail moves alike by axis and by strength: what is carried is told, not each amount
    assert found.amounts.shape == (len(TERMS),)
    new = spectra(np.array([0.1, 0.5, 1.0]))
    left = SCALE.apply(found.apply(new)) - SCALE.apply(glare_and_axis(new))
    before = SCALE.apply(new) - SCALE.apply(glare_and_axis(new))
    assert np.abs(left[:, 3:-3]).max() < 0.1 * np.abs(before[:, 3:-3]).max()


def test_without_any_difference_every_route_is_the_identity():
    own = spectra(COLOURS)
    for route in ROUTES:
        np.testing.assert_allclose(fit_terms(pairs(own), bench(), route).apply(own), own, atol=1e-6)


def test_a_lamp_that_no_jitter_tells_of_is_learnt_by_wavelength():
    # stray light counts by how little light a channel has: here a lamp with a gap, and a bench that took it for even
    gap = 1.0 - 0.8 * np.exp(-(((NM - 500.0) / 12.0) ** 2))

    def second(own):
        return own + 0.01 * (own.mean(axis=1, keepdims=True) - own) / gap

    even = bench(light=np.ones(NM.size))
    new = spectra(np.array([0.1, 0.5, 1.0]))
    left = {}
    for route in (FEW_PARAMETERS, BY_WAVELENGTH):
        own = spectra(COLOURS)
        found = fit_terms(pairs(second(own)), even, route)
        left[route] = np.abs(SCALE.apply(found.apply(new)) - SCALE.apply(second(new))).max()
    before = np.abs(SCALE.apply(new) - SCALE.apply(second(new))).max()
    assert left[FEW_PARAMETERS] > 0.3 * before
    assert left[BY_WAVELENGTH] < 0.1 * before


def test_left_out_batches_choose_a_route_that_fits_and_carry_its_doubt(whole):
    rng, n = np.random.default_rng(3), 400 if whole else 100
    pour = np.exp(0.004 * rng.standard_normal((2, COLOURS.size)))
    own, second = spectra(COLOURS * pour[0]), glare_and_axis(spectra(COLOURS * pour[1]))
    noisy = pair(own, second, np.ones(8), np.ones(8), bench())
    found = fit_transfer(noisy, bench(), judge)
    assert found.left_out[found.route] < 0.5 * found.left_out[AS_IT_IS]
    new = np.repeat(spectra(np.array([0.3])), n, axis=0)
    each = carry_each(found, bench(), new, np.arange(n))
    # the same batches give the same draws
    np.testing.assert_array_equal(carry_each(found, bench(), new, np.arange(n)), each)
    middle = carry(found, new[:1])
    # the maps that are as likely differ about the one that is used, and less than the two modules do
    spread = SCALE.apply(each).std(axis=0)
    assert spread.min() > 0.0
    assert np.abs(SCALE.apply(each).mean(axis=0) - SCALE.apply(middle)[0]).max() < spread.max()
    assert np.median(spread) < np.median(np.abs(SCALE.apply(middle) - SCALE.apply(new[:1])))


def test_what_is_carried_over_bears_the_noise_of_the_second_module():
    quiet, loud = ChannelNoise(np.ones(NM.size), 1e-10, 1e-8), ChannelNoise(np.ones(NM.size), 1e-10, 9e-6)
    one = bench()
    noisy = Bench(NM, SCALE, one.pours, one.apart, one.dof, (quiet, loud))
    rows = np.full((400, NM.size), 0.5)
    apart = noisy.noisier(rows, np.repeat(np.arange(200), 2)) - rows
    # a scan's own share, and that of a reference which two scans have in common; 3 % of 32,000 values
    np.testing.assert_allclose((apart[::2] - apart[1::2]).var() / 2.0, 0.5 * 9e-6, rtol=0.03)
    np.testing.assert_allclose((apart[::2] * apart[1::2]).mean(), 0.25 * 9e-6, rtol=0.06)
    np.testing.assert_array_equal(
        Bench(NM, SCALE, one.pours, one.apart, one.dof, (loud, quiet)).noisier(rows, np.arange(400)), rows
    )


def test_exchanged_labels_are_found_and_right_ones_are_not():
    second = glare_and_axis(spectra(COLOURS))
    beer = np.arange(COLOURS.size)
    assert exchanged(pairs(second, pours=3.0), bench(), judge, beer) is None
    order = np.arange(COLOURS.size)
    order[[2, 6]] = order[[6, 2]]
    assert exchanged(pairs(second[order], pours=3.0), bench(), judge, beer) == (2, 6)
