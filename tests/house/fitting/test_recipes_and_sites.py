"""Batches of an older recipe, and sites whose module nobody named."""

import logging

import numpy as np
import pandas as pd
from small_house import small_tables

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.house.fitting.pours import gather_set
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.edits import before_recipe


def dated(since=""):
    spectra, scans, batches = small_tables(n_beers=2, n_batches=4)
    days = [f"2025-0{1 + place % 4}-01" for place in range(len(batches))]
    beers = pd.DataFrame({"valid_from": [since]}, index=pd.Index(["Beer 0"], name="beer"))
    return ReferenceSet(spectra, scans, batches.assign(packaged_on=days), beers)


def test_batches_older_than_the_recipe_of_their_beer_are_not_learnt_from():
    refs = dated("2025-02-15")
    assert before_recipe(refs.scans, refs.batches, refs.beers) == {"0000", "0001"}
    pours = gather_set(refs)
    assert set(pours.batches) == set(refs.batches.index) - {"0000", "0001"}
    assert len(gather_set(dated()).batches) == len(refs.batches)


def test_a_model_says_which_batches_it_did_not_learn_from(caplog):
    drawn = Brewery(2).draw(4, beers=["Chalk Lager", "Peat Stout"])
    first = drawn.batches.index[drawn.batches["beer"] == "Peat Stout"][0]
    days = np.where(drawn.batches.index == first, "2024-01-05", "2025-06-05")
    beers = pd.DataFrame({"valid_from": ["2025-01-01"]}, index=pd.Index(["Peat Stout"], name="beer"))
    refs = ReferenceSet(drawn.spectra, drawn.scans, drawn.batches.assign(packaged_on=days), beers)
    with caplog.at_level(logging.WARNING, logger="specmatch"):
        house = sm.HouseModel().fit(refs)
    assert first not in house.fitted.batches and first in caplog.text


def test_sites_without_a_named_module_are_told():
    spectra, scans, batches = small_tables(n_beers=3, n_batches=6)
    scans["site"] = np.where(np.arange(len(scans)) % 2, "North", "South")

    def told(**columns):
        found = ReferenceSet(spectra, scans.assign(**columns), batches).audit()
        return set(found.loc[found["code"] == "mixed_conditions", "subject"])

    assert "site" in told()
    assert "site" not in told(instrument=scans["site"].map({"North": "unit 1", "South": "unit 2"}))
