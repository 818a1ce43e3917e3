"""The uncertainty budget: its parts add up, halving does what the table says, and it foretells new batches."""

import numpy as np
import pytest

import specmatch as sm
from specmatch.errors import OptionError, SpecmatchError
from specmatch.house.reading.budget import _OF_CAUSE, ADVICE
from specmatch.maths.faults.normal_variation import CAUSES

PARTS = ["fill", "lamp", "cup", "axis", "noise", "regression"]


@pytest.fixture(scope="module")
def table(small_house):
    return small_house[0].budget()


def test_variances_add_up_to_the_reading(small_house, table):
    for beer in small_house[0].beers_:
        sd, share = table.loc[beer, "sd"], table.loc[beer, "share"]
        np.testing.assert_allclose(sd["reading"] ** 2, np.sum(sd[PARTS] ** 2), rtol=1e-12)
        np.testing.assert_allclose(share[PARTS].sum(), 1.0)
        assert sd["new batches"] > sd["between batch"] > 0


def test_halving_a_component_does_what_the_table_says(small_house, table):
    for beer in small_house[0].beers_:
        rows = table.loc[beer]
        for part in PARTS:
            halved = rows["sd"][PARTS].copy()
            halved[part] /= 2.0
            np.testing.assert_allclose(rows.loc[part, "reading_sd_if_halved"], np.sqrt(np.sum(halved**2)), rtol=1e-9)


def test_four_pours_for_one_halve_the_fill(small_house):
    one, four = (small_house[0].budget(n_pours=n)["sd"].xs("fill", level="component") for n in (1, 4))
    np.testing.assert_allclose(four, one / 2.0, rtol=1e-9)


def test_a_stated_lab_is_told_apart_from_the_regression(small_house, table):
    stated = small_house[0].budget(lab_sd=0.1)
    np.testing.assert_allclose(
        stated["sd"].xs("reading", level="component"), table["sd"].xs("reading", level="component"), rtol=1e-12
    )
    rest = table["sd"].xs("regression", level="component") ** 2
    parts = stated["sd"].xs("regression", level="component") ** 2 + stated["sd"].xs("lab", level="component") ** 2
    np.testing.assert_allclose(parts, rest, rtol=1e-12)


def test_the_fill_planted_is_the_fill_found(small_house):
    """A pour 1 % deeper reads about 1 % darker: the slope of the fill is 1, and the brewery plants 1.0 to 1.5 %."""
    house, new = small_house
    deeper = np.clip(new.spectra, 1e-4, None)
    base, more = (house.read(table, scans=new.scans)["colour"].astype(float) for table in (deeper, deeper**1.01))
    slope = np.log(more / base) / np.log(1.01)
    assert 0.8 < slope.median() < 1.2
    fill = house.budget(n_pours=1)["sd"].xs("fill", level="component")
    assert 0.006 < fill.median() < 0.025


@pytest.mark.whole
@pytest.mark.slow
def test_it_foretells_the_scatter_of_new_batches(full_size):
    past, new = (sm.Brewery(seed=3).draw(n, draw=draw) for n, draw in ((8, 0), (12 if full_size else 6, 1)))
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC"))
    read = house.read(new.spectra, scans=new.scans)["colour"].astype(float)
    batch = new.scans.groupby("sample")["batch"].first().loc[read.index]
    beer = new.batches.loc[batch, "beer"].to_numpy()
    shown = np.sqrt(np.log(read).groupby(beer).var().mean())
    table = house.budget(n_pours=3)["sd"].xs("new batches", level="component")
    predicted = np.sqrt(np.mean(table**2))
    # two standard errors of 60 or 132 degrees of freedom, on both sides of the comparison
    assert abs(predicted / shown - 1.0) < (0.2 if full_size else 0.3)


def test_bad_options_are_refused(small_house):
    with pytest.raises(OptionError, match="n_pours is 0; expected a whole number"):
        small_house[0].budget(n_pours=0)
    with pytest.raises(OptionError, match="lab_sd is -1"):
        small_house[0].budget(lab_sd=-1)
    with pytest.raises(SpecmatchError, match="not fitted"):
        sm.HouseModel().budget()


def test_every_cause_of_variation_has_its_component():
    assert set(_OF_CAUSE) == set(CAUSES) and set(_OF_CAUSE.values()) <= set(ADVICE)
