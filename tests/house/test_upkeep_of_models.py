"""Adding batches to a model, the changeover, and one package after the other."""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.errors import OptionError, ReferenceSetError, UnknownBeerError
from specmatch.maths.classification.blends import mixed_reflectance


def joined(*drawn):
    return sm.ReferenceSet(
        pd.concat([part.spectra for part in drawn]),
        pd.concat([part.scans for part in drawn]),
        pd.concat([part.batches for part in drawn]),
    )


@pytest.fixture(scope="module")
def brewery():
    return Brewery(seed=1)


@pytest.fixture(scope="module")
def house(small_house):
    return small_house[0]


@pytest.fixture(scope="module")
def past(brewery):
    return brewery.draw(5, beers=brewery.beers[:5])


@pytest.fixture(scope="module")
def old(past):
    return sm.HouseModel().fit(joined(past))


def test_added_batches_are_known_and_the_old_model_is_left_alone(brewery, past, old):
    more, new = (brewery.draw(1, draw=draw, beers=brewery.beers[:5]) for draw in (1, 2))
    before = old.read(new.spectra, scans=new.scans)
    grown = old.add_batches(joined(past, more))
    assert set(grown.fitted.batches) == set(past.batches.index) | set(more.batches.index)
    assert grown.fitted.identity.batches_per_beer.tolist() == [6] * 5
    assert np.array_equal(grown.wavelengths_, old.wavelengths_)
    # a batch that was added is its own nearest batch; a file holds the grown model like any other
    again = grown.read(more.spectra, scans=more.scans)
    batch_of = more.scans.groupby("sample", sort=False)["batch"].first()
    assert (again["nearest_batch"] == batch_of.loc[again.index]).mean() > 0.9
    pd.testing.assert_frame_equal(old.read(new.spectra, scans=new.scans), before)


def test_a_new_beer_is_added_and_a_refit_is_advised(brewery, past, old):
    newcomer = brewery.draw(3, draw=1, beers=brewery.beers[9:10])
    grown = old.add_batches(joined(past, newcomer))
    assert grown.beers_[-1] == brewery.beers[9]
    assert any("new" in reason for reason in grown.refit_reasons)
    one = brewery.draw(1, draw=2, beers=brewery.beers[9:10])
    assert grown.read(one.spectra, scans=one.scans)["nearest_beer"].tolist() == [brewery.beers[9]]


def test_batches_cannot_be_taken_away_or_changed(past, old):
    gone = past.scans["batch"].iloc[0]
    kept = past.scans[past.scans["batch"] != gone]
    smaller = sm.ReferenceSet(past.spectra.loc[kept.index], kept, past.batches.drop(index=gone))
    with pytest.raises(ReferenceSetError, match=f"batch '{gone}' of the model is not in the set"):
        old.add_batches(smaller)
    with pytest.raises(ReferenceSetError, match="has changed in the set"):
        old.add_batches(sm.ReferenceSet(past.spectra * 0.99, past.scans, past.batches))


@pytest.fixture(scope="module")
def changeover(brewery):
    """Two beers, scans of a new batch of the pale one, and the same with two fifths of the dark one in them."""
    pale, dark = brewery.beers[2], brewery.beers[9]
    new = brewery.draw(1, draw=3, beers=[pale, dark])
    beer = new.scans["batch"].map(new.batches["beer"])
    base, other = (new.spectra[(beer == name).to_numpy()] for name in (pale, dark))
    half = pd.DataFrame(
        mixed_reflectance(np.maximum(base.to_numpy(), 1e-3), np.maximum(other.to_numpy(), 1e-3), 0.4),
        index=base.index,
        columns=base.columns,
    )
    return pale, dark, base, half, new.scans.loc[base.index]


def test_a_changeover_says_how_much_is_left_and_what_it_could_see(house, changeover):
    pale, dark, base, half, scans = changeover
    # both in one table: scans of two samples
    scans = pd.concat([scans.assign(sample="half"), scans.assign(sample="none", pour="none-" + scans["pour"])])
    both = pd.concat([half, base]).set_axis([f"s{i}" for i in range(len(scans))])
    table = house.changeover(both, scans.set_axis(both.index), before=dark, after=pale)
    got, none = table.loc["half"], table.loc["none"]
    # Beer-Lambert of two scans leaves out the glare, and batches differ: 0.4 comes back to within a few hundredths
    assert abs(got["fraction"] - 0.4) < 0.1
    assert got["fraction_low"] <= got["fraction"] <= got["fraction_high"]
    assert none["fraction_low"] == 0.0
    assert 0.0 < none["smallest_visible"] < 0.3
    assert "may be missed" in none["sentence"]


@pytest.mark.whole
def test_water_is_told_and_a_series_sees_less_than_one_sample(house, changeover):
    pale, dark, base, half, scans = changeover
    none = house.changeover(base, scans, before=dark, after=pale).iloc[0]
    water = house.changeover(base, scans, before="water", after=pale).iloc[0]
    assert water["fraction_low"] == 0.0
    series = pd.concat([half.iloc[[0]], *[base.iloc[[0]]] * 5]).set_axis([f"P{i}" for i in range(6)])
    together = house.changeover_series(series, before=dark, after=pale)
    assert together.first == "P1" and together.smallest_visible < none["smallest_visible"]


def test_a_series_is_read_in_time_and_another_beer_is_no_new_beer(house, changeover):
    pale, dark, base, half, _ = changeover
    series = pd.concat([half.iloc[[0]], *[base.iloc[[0]]] * 5]).set_axis([f"P{i}" for i in range(6)])
    times = [f"2025-06-24T08:0{i}:00+01:00" for i in range(6)]
    scans = pd.DataFrame({"sample": series.index, "batch": "b", "measured_at": times}, index=series.index)
    newest_first = series.iloc[::-1]
    got = house.changeover_series(newest_first, scans.loc[newest_first.index], before=dark, after=pale)
    assert got.first == "P1" and "in the order of their times" in got.sentence
    wrong = house.changeover_series(series, scans, before="Water", after="Meadow Pils")  # paler than what is there
    assert "in the order" not in wrong.sentence
    assert wrong.first is None and "no blend of the two" in wrong.sentence


def test_a_series_of_few_samples_is_refused(house, changeover):
    pale, dark, base, _, _ = changeover
    series = pd.concat([base.iloc[[0]]] * 4).set_axis([f"P{i}" for i in range(4)])
    with pytest.raises(OptionError, match="5 samples or more, got 4"):
        house.changeover_series(series, before=dark, after=pale)


def test_names_of_a_changeover_are_checked(brewery, past, house):
    with pytest.raises(UnknownBeerError, match="'Nobody' is no beer of the set"):
        house.changeover(past.spectra, past.scans, before="Nobody", after=brewery.beers[0])
    with pytest.raises(UnknownBeerError, match="None is no beer of the set"):
        house.changeover(past.spectra, past.scans, before=None, after=brewery.beers[0])
    with pytest.raises(UnknownBeerError, match="'water' is no beer of the set"):
        house.changeover(past.spectra, past.scans, before=brewery.beers[0], after="water")
    with pytest.raises(OptionError, match="name two"):
        house.changeover(past.spectra, past.scans, before=brewery.beers[0], after=brewery.beers[0])


def test_packages_are_taken_until_they_are_enough(brewery, house):
    pale, dark = brewery.beers[1], brewery.beers[8]
    new = brewery.draw(1, draw=5, n_pours=6, beers=[pale])
    right, wrong = (house.next_package(new.spectra, claim).decision for claim in (pale, dark))
    assert right in ("consistent", "hold")
    assert wrong == "hold"
    assert house.next_package(new.spectra.iloc[:1], dark).n_packages == 1
    with pytest.raises(UnknownBeerError, match="no beer of the set"):
        house.next_package(new.spectra, "Nobody")
