"""Batches judged by a class model that does not rest on them."""

import numpy as np

from specmatch.maths.classification.left_out import judge_batches
from specmatch.maths.statistics.levels import Levels

N_BEERS, N_BATCHES, N_POURS, P = 4, 10, 2, 24


def house(seed, wrong=()):
    """Return pours and levels of beers that differ in strength and shape; batches `wrong` bear the next beer's name."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0.0, 1.0, P)
    shapes = np.stack([np.exp(-x), np.exp(-3.0 * x)])
    beer = np.repeat(np.arange(N_BEERS), N_BATCHES)
    amounts = np.array([[0.2, 0.1], [0.3, 0.1], [0.3, 0.3], [0.5, 0.2]])[beer]
    amounts = amounts * np.exp(0.04 * rng.standard_normal(amounts.shape))
    spectra = np.repeat(10.0 ** -(amounts @ shapes), N_POURS, axis=0)
    level = 1.0 + 0.005 * rng.standard_normal((len(spectra), 1))
    spectra = spectra * level + 0.001 * rng.standard_normal(spectra.shape)
    label = beer.copy()
    label[list(wrong)] = (beer[list(wrong)] + 1) % N_BEERS
    batch = np.repeat(np.arange(beer.size), N_POURS)
    return spectra, Levels.of_pours(batch, batch, label[batch]), beer


def test_wrong_labels_are_out_of_the_core_and_nearest_to_their_own_beer():
    wrong = [3, 14, 27]
    spectra, levels, beer = house(1, wrong)
    judged = judge_batches(spectra, levels)
    assert not judged.core[wrong].any() and judged.core.mean() >= 0.85
    assert (judged.p_value[wrong, levels.beer[wrong]] < 1e-3).all()
    assert (judged.p_value[wrong, beer[wrong]] > 0.01).all()
    assert (judged.squared[wrong].argmin(axis=1) == beer[wrong]).all()


def test_a_batch_is_judged_as_by_a_set_without_it():
    spectra, levels, _ = house(2)
    judged = judge_batches(spectra, levels)
    row = 7
    kept = np.flatnonzero(levels.codes("batch") != row)
    model = judge_batches(spectra[kept], levels.part(kept)).model
    mean = levels.mean(spectra, to="batch")[[row]]
    without = model.match(mean, np.array([N_POURS])).distance[0, levels.beer[row]] ** 2 * model.beer_means.shape[1]
    # axes and scales are those of all batches here, and of the others there: a fortieth of the set
    assert 0.5 < judged.squared[row, levels.beer[row]] / without < 2.0


def test_clean_batches_are_seldom_doubted(whole):
    own = []
    for seed in range(6 if whole else 3):
        spectra, levels, _ = house(10 + seed)
        judged = judge_batches(spectra, levels)
        own.append(judged.p_value[np.arange(levels.beer.size), levels.beer])
    p = np.concatenate(own)
    # batches at five per cent, with three standard errors of a proportion
    assert np.mean(p < 0.05) < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / p.size)


def test_sets_without_scatter_are_not_judged():
    spectra, levels, _ = house(3)
    few = np.flatnonzero(levels.codes("batch") % N_BATCHES == 0)
    assert judge_batches(spectra[few], levels.part(few)) is None
