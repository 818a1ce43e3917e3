"""Batches that were chosen because they lie far out, as they are expected to be found again."""

import numpy as np
import pytest

from specmatch.house.fitting.second_module import _measured_again
from specmatch.maths.spectra.noise import ChannelNoise
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.levels import Levels
from specmatch.maths.transfer.routes import Bench

NM = np.linspace(430.0, 690.0, 40)
SCALE = LogAbsorbance("log_absorbance", 0.05, 0.01)
BEERS, BATCHES, POURS = 4, 30, 3


def poured(batch_sd, pour_sd, seed=2):
    """Return a bench of beers whose batches and pours differ by strength, and mean and true reflectance of batches."""
    rng = np.random.default_rng(seed)
    beer = np.repeat(np.geomspace(0.1, 0.6, BEERS), BATCHES)
    true = beer * np.exp(batch_sd * rng.standard_normal(beer.size))
    pour = np.repeat(true, POURS) * np.exp(pour_sd * rng.standard_normal(beer.size * POURS))
    shape = np.exp(-(NM - 430.0) / 82.0)
    rows = SCALE.apply(10.0 ** -np.outer(pour, shape))
    batch = np.repeat(np.arange(beer.size), POURS)
    levels = Levels.of_pours(batch, batch, np.repeat(np.arange(BEERS), BATCHES * POURS))
    apart = levels.about_sample(rows) * np.sqrt(POURS / (POURS - 1.0))
    noise = ChannelNoise(np.ones(NM.size), 1e-10, 1e-8)
    first = np.stack([(10.0 ** -np.outer(pour[batch == k], shape)).mean(axis=0) for k in range(beer.size)])
    return Bench(NM, SCALE, rows, apart, len(rows), (noise, noise)), levels, first, 10.0 ** -np.outer(true, shape)


@pytest.mark.parametrize(("batch_sd", "pour_sd"), [(0.05, 0.0866), (0.05, 0.005), (0.001, 0.05)])
def test_the_farthest_batches_are_found_where_they_truly_lie(batch_sd, pour_sd):
    bench, levels, first, true = poured(batch_sd, pour_sd)
    # of each beer the three whose pours look darkest, as a choice of the farthest takes them
    codes = np.concatenate([k * BATCHES + np.argsort(first[k * BATCHES :][:BATCHES, 0])[:3] for k in range(BEERS)])
    found = _measured_again(bench, levels, codes, first[codes])
    off = SCALE.apply(first[codes]) - SCALE.apply(true[codes])
    left = SCALE.apply(found) - SCALE.apply(true[codes])
    # half: 12 batches know their mean to a third of a pour's scatter; 0.001: where pours hardly differ there is no bias
    assert abs(left[:, 0].mean()) < 0.5 * abs(off[:, 0].mean()) + 1e-3


def test_a_handful_of_batches_is_left_as_it_is():
    bench, levels, first, _ = poured(0.05, 0.05)
    few = np.isin(levels.codes("batch"), [0, 1, 30, 31, 60, 61])
    part = Bench(NM, SCALE, bench.pours[few], bench.apart[few], bench.dof, bench.noises)
    codes = np.arange(3)
    kept = _measured_again(part, levels.part(few), codes, first[codes])
    np.testing.assert_array_equal(kept, first[codes])
