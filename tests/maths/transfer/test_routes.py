"""Maps between modules against a bench whose differences are planted, on smooth spectra made here."""

import numpy as np

from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.transfer.routes import (
    AS_IT_IS,
    FEW_PARAMETERS,
    TERMS,
    WINDOWED_RIDGE,
    Bench,
    fit_ridge,
    fit_terms,
    pair,
    smoothed,
)
from specmatch.maths.transfer.selection import carry, carry_each, exchanged, fit_transfer

NM = np.linspace(430.0, 690.0, 80)
LIGHT = 0.2 + np.exp(-(((NM - 560.0) / 70.0) ** 2))
SCALE = LogAbsorbance("log_absorbance", 0.05, 0.01)
COLOURS = np.geomspace(0.08, 1.2, 8)


def spectra(strength):
    shape = np.exp(-(NM - 430.0) / 82.0)
    return 10.0 ** -np.outer(strength, shape)


def bench(noise=1e-4):
    one = np.ones(NM.size)
    return Bench(NM, SCALE, 0.004**2 * np.outer(one, one), np.full(NM.size, noise), np.stack([LIGHT, LIGHT]))


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
    np.testing.assert_allclose(smoothed(line, NM), line, atol=1e-12)


def test_planted_glare_and_axis_are_carried_over_to_new_spectra():
    found = fit_terms(pairs(glare_and_axis(spectra(COLOURS))), bench(), FEW_PARAMETERS)
    # a beer's exponential tail moves alike by axis and by strength: what is carried is told, not each amount
    assert found.amounts.shape == (len(TERMS), 1)
    new = spectra(np.array([0.1, 0.5, 1.0]))
    left = SCALE.apply(found.apply(new)) - SCALE.apply(glare_and_axis(new))
    before = SCALE.apply(new) - SCALE.apply(glare_and_axis(new))
    assert np.abs(left[:, 3:-3]).max() < 0.1 * np.abs(before[:, 3:-3]).max()


def test_without_any_difference_every_route_is_the_identity():
    own = spectra(COLOURS)
    for route in (AS_IT_IS, FEW_PARAMETERS):
        np.testing.assert_allclose(fit_terms(pairs(own), bench(), route).apply(own), own, atol=1e-6)
    np.testing.assert_allclose(fit_ridge(pairs(own), bench(), 0.1).apply(own), own, atol=1e-12)


def test_the_ridge_is_the_least_squares_solution_drawn_to_the_identity():
    second = glare_and_axis(spectra(COLOURS))
    found = fit_ridge(pairs(second), bench(), 0.5)
    channel = 40
    near = np.abs(NM - NM[channel]) <= 8.0
    rows = np.vstack([spectra(COLOURS), np.ones(NM.size)])
    design = np.column_stack([rows[:, near], np.ones(len(rows))])
    target = np.append(second[:, channel], 1.0)
    weight = 1.0 / (0.01 + np.abs(target))
    # the same as ordinary least squares on rows that the penalty adds
    added = np.sqrt(0.5) * np.eye(design.shape[1])
    stacked = np.vstack([design * weight[:, None], added])
    apart = np.concatenate([(target - rows[:, channel]) * weight, np.zeros(len(added))])
    expected = np.linalg.lstsq(stacked, apart, rcond=None)[0]
    expected[:-1] += np.eye(NM.size)[near, channel]
    np.testing.assert_allclose(
        np.append(found.coefficients[near, channel], found.offset[channel]), expected, atol=1e-8
    )  # fmt: skip


def test_left_out_batches_choose_a_route_that_fits_and_carry_its_doubt():
    rng = np.random.default_rng(3)
    pour = np.exp(0.004 * rng.standard_normal((2, COLOURS.size)))
    own, second = spectra(COLOURS * pour[0]), glare_and_axis(spectra(COLOURS * pour[1]))
    noisy = pair(own, second, np.ones(8), np.ones(8), bench())
    found = fit_transfer(noisy, bench(), judge)
    as_it_is = next(one for one in found.candidates if one.route == AS_IT_IS)
    assert found.chosen.error < 0.5 * as_it_is.error
    new = np.repeat(spectra(np.array([0.3])), 400, axis=0)
    each = carry_each(found, bench(), new, np.arange(400))
    # the same batches give the same draws
    np.testing.assert_array_equal(carry_each(found, bench(), new, np.arange(400)), each)
    middle = carry(found, new[:1])
    # the maps that are as likely differ about the one that is used, and less than the two modules do
    spread = SCALE.apply(each).std(axis=0)
    assert spread.min() > 0.0
    assert np.abs(SCALE.apply(each).mean(axis=0) - SCALE.apply(middle)[0]).max() < spread.max()
    assert np.median(spread) < np.median(np.abs(SCALE.apply(middle) - SCALE.apply(new[:1])))


def test_few_batches_are_not_offered_routes_of_many_parameters():
    own = spectra(COLOURS[::3])
    found = fit_transfer(pairs(glare_and_axis(own), own, 3.0), bench(), judge)
    assert WINDOWED_RIDGE not in {one.route for one in found.candidates}


def test_exchanged_labels_are_found_and_right_ones_are_not():
    second = glare_and_axis(spectra(COLOURS))
    beer = np.arange(COLOURS.size)
    assert exchanged(pairs(second, pours=3.0), bench(), judge, beer) is None
    order = np.arange(COLOURS.size)
    order[[2, 6]] = order[[6, 2]]
    assert exchanged(pairs(second[order], pours=3.0), bench(), judge, beer) == (2, 6)
