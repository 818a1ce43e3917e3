"""Means from scans to pours to samples, and short gaps bridged.

Sets of more pours than scatter is learnt from: what is chosen, what the others still teach, what is unchanged.
"""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.errors import WavelengthMismatchError
from specmatch.house.fitting import pours as large_sets
from specmatch.house.fitting.pours import average, bridge_missing, gather_set, pours_to_learn_from, refuse_wide_gaps
from specmatch.maths.statistics.levels import mean_by

NM = np.arange(500.0, 560.0, 5.0)


def test_pours_weigh_alike_however_many_scans_they_have():
    reflectance = np.array([[0.1], [0.3], [0.8]])
    pours = average(reflectance, pd.Series(["p1", "p1", "p2"]))
    assert np.allclose(pours.reflectance, [[0.2], [0.8]])
    sample = average(pours.reflectance, pd.Series(["s", "s"]))
    assert np.allclose(sample.reflectance, [[0.5]])
    assert sample.counts.tolist() == [2]


def test_the_order_of_first_appearance_is_kept():
    got = average(np.array([[0.1], [0.2], [0.3]]), pd.Series(["z", "a", "z"]))
    assert list(got.names) == ["z", "a"]
    assert np.allclose(got.reflectance, [[0.2], [0.2]])
    assert got.codes.tolist() == [0, 1, 0]


def test_a_gap_of_one_slit_width_is_bridged_and_said():
    line = 0.001 * NM
    holed = line.copy()
    holed[[0, 5, 6]] = np.nan
    bridged = bridge_missing(np.stack([line, holed]), NM)
    got = bridged.reflectance
    assert bridged.lacking.tolist() == [False, True]
    assert bridged.wide is None
    assert np.allclose(got[1, 1:], line[1:])
    assert got[1, 0] == line[1]  # nothing lies beyond the edge: the nearest value stands there
    assert np.isnan(holed[5])


def test_a_wider_gap_is_refused_by_scan_and_range():
    rows = np.stack([0.001 * NM] * 3)
    rows[1, 4:9] = np.nan
    rows[2, :4] = np.nan
    bridged = bridge_missing(rows, NM)
    assert np.flatnonzero(bridged.wide[1]).tolist() == [4, 5, 6, 7, 8]
    assert np.flatnonzero(bridged.wide[2]).tolist() == [0, 1, 2, 3]
    with pytest.raises(WavelengthMismatchError, match="scan 'holed' has no values from 520.0 to 540.0 nm"):
        refuse_wide_gaps(bridged, NM, pd.Index(["whole", "holed", "cut"]))


N_SAMPLES = 4


def several_samples_a_batch(n_batches: int, draw: int = 0) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return tables of an invented brewery: four samples of three pours of each batch."""
    drawn = Brewery(seed=3).draw(n_batches, n_pours=3 * N_SAMPLES, draw=draw)
    scans = drawn.scans.copy()
    number = scans.groupby("batch").cumcount()
    scans["sample"] = scans["batch"] + "-" + (number // 3).astype(str)
    return drawn.spectra, scans, drawn.batches


@pytest.fixture(scope="module")
def tables():
    return several_samples_a_batch(4)


@pytest.fixture
def few_pours(monkeypatch):
    """Let a set of more than 288 pours count as large: two samples of three pours of each of 48 batches."""
    monkeypatch.setattr(large_sets, "MOST_POURS", 288)
    monkeypatch.setattr(large_sets, "SCANS_AT_A_TIME", 50)


@pytest.fixture(scope="module")
def learnt_in_part(tables):
    """A model of the tables as one of a large set."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(large_sets, "MOST_POURS", 288)
        patch.setattr(large_sets, "SCANS_AT_A_TIME", 50)
        return sm.HouseModel().fit(sm.ReferenceSet(*tables))


def test_samples_are_chosen_whole_and_spread_over_each_batch(few_pours):
    sizes = {"b1": 40, "b2": 3, "b3": 80}
    rows = [(b, f"{b}-{s:02d}", f"{b}-{s:02d}-{p}") for b, n in sizes.items() for s in range(n) for p in range(3)]
    scans = pd.DataFrame(rows, columns=["batch", "sample", "pour"])
    kept = scans[pours_to_learn_from(scans)]
    samples = kept.groupby("batch")["sample"].nunique()
    # the small batch gives all it has; the others share what is left of 288 pours / 3 = 96 samples
    assert samples["b2"] == 3 and samples["b1"] == 40 and 90 <= samples.sum() <= 96
    assert (kept.groupby("sample").size() == 3).all()
    own = kept.loc[kept["batch"] == "b3", "sample"].drop_duplicates().str[-2:].astype(int)
    assert own.diff().max() <= 2 and own.max() >= 78 and own.min() <= 1
    again = pours_to_learn_from(scans, {"b1": 5})
    assert scans[again].groupby("batch")["sample"].nunique()["b1"] == 5


def test_a_sample_of_very_many_pours_is_learnt_from_as_one_of_eight(few_pours):
    rows = [(f"b{b}", f"s{b}", f"s{b}-{p:03d}") for b in range(4) for p in range(100)]
    scans = pd.DataFrame(rows, columns=["batch", "sample", "pour"])
    assert scans[pours_to_learn_from(scans)].groupby("sample").size().tolist() == [8] * 4


@pytest.mark.whole
def test_all_pours_of_a_large_set_teach_the_means_and_are_looked_at(few_pours, tables):
    spectra, scans, batches = tables
    # one pour of a sample that is not among those chosen is spoilt by a white ring of a fifth of the surface
    chosen = gather_set(sm.ReferenceSet(spectra, scans, batches))
    assert chosen.some_of_many and len(chosen.names) == 288
    spoilt = next(name for name in scans.index if scans.loc[name, "pour"] not in set(chosen.names))
    spectra = spectra.copy()
    spectra.loc[spoilt] += 0.2 * (1.0 - spectra.loc[spoilt])
    refs = sm.ReferenceSet(spectra, scans, batches)
    house = sm.HouseModel().fit(refs)
    # one good triple in a hundred has an odd pour by chance: more than 8 among 192 would come once in thousands of runs
    assert scans.loc[spoilt, "pour"] in house.fitted.odd_pours and len(house.fitted.odd_pours) <= 8

    faults, pours = house.fitted.faults, gather_set(refs)
    whole, odd_pours = large_sets.batch_means_in_chunks(refs, pours, faults)
    assert scans.loc[spoilt, "pour"] in odd_pours
    large_sets.MOST_POURS = 10_000  # the fixture puts it back
    every = gather_set(refs, wavelength_nm=pours.wavelength_nm)
    good = ~every.names.isin(odd_pours)
    sample = every.levels.sample[good]
    means, _ = mean_by(every.reflectance[good], sample)
    of_batch = mean_by(means, pd.Series(every.levels.codes("batch")[good]).groupby(sample).first().to_numpy())[0]
    np.testing.assert_allclose(whole, of_batch, rtol=1e-12)


@pytest.mark.whole
def test_a_large_set_reads_like_the_same_set_learnt_whole(tables, learnt_in_part):
    new = several_samples_a_batch(2, draw=1)
    whole = sm.HouseModel().fit(sm.ReferenceSet(*tables))
    read = [house.read(new[0], scans=new[1]) for house in (whole, learnt_in_part)]
    assert (read[0]["nearest_beer"] == read[1]["nearest_beer"]).mean() > 0.97
    # both are known to about 1.5 %; their difference is a small part of that
    ratio = np.log(read[0]["colour"] / read[1]["colour"])
    assert np.sqrt((ratio**2).mean()) < 0.005
    width = [np.log(one["colour_high"] / one["colour_low"]).median() for one in read]
    assert 0.8 < width[1] / width[0] < 1.25


@pytest.mark.whole
def test_the_order_of_rows_changes_no_digit_of_a_large_set(few_pours, tables, learnt_in_part):
    spectra, scans, batches = tables
    order = np.random.default_rng(0).permutation(len(scans))
    shuffled = sm.ReferenceSet(spectra.iloc[order], scans.iloc[order], batches.iloc[::-1])
    read = [house.read(spectra, scans=scans) for house in (learnt_in_part, sm.HouseModel().fit(shuffled))]
    pd.testing.assert_frame_equal(*read, check_exact=True)


@pytest.mark.whole
def test_batches_can_be_added_to_the_model_of_a_large_set(few_pours, tables, learnt_in_part):
    more, old = several_samples_a_batch(2, draw=2), learnt_in_part
    grown_refs = sm.ReferenceSet(*(pd.concat(pair) for pair in zip(tables, more, strict=True)))
    grown = old.add_batches(grown_refs)
    assert len(grown.fitted.batches) == 72
    n_old = len(old.fitted.identity.samples.n_pours)
    kept = grown.fitted.identity.samples.reflectance[:n_old]
    np.testing.assert_allclose(kept, old.fitted.identity.samples.reflectance, rtol=1e-9)


@pytest.mark.whole
def test_a_gap_in_a_scan_that_is_not_chosen_is_refused_all_the_same(few_pours, tables):
    spectra, scans, batches = tables
    chosen = set(gather_set(sm.ReferenceSet(spectra, scans, batches)).names)
    name = next(name for name in scans.index if scans.loc[name, "pour"] not in chosen)
    holed = spectra.copy()
    holed.loc[name, [nm for nm in holed.columns if 500.0 < nm < 560.0]] = np.nan
    with pytest.raises(WavelengthMismatchError, match=f"{scans.loc[name, 'pour']}.*no values from"):
        sm.HouseModel().fit(sm.ReferenceSet(holed, scans, batches))
