"""Scans at another depth than the model's: brought to it, doubted by as much as that may be wrong, or held."""

import re

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.depth import ONE, SECOND, TWO, near_of, reference_set, rows_of, shares, six_over_the_colours
from benchmarks.houses import House, members
from specmatch.errors import ReferenceSetError, TableError
from specmatch.maths.optics.path_law import LAB_COLOURS, SECOND_FILL


@pytest.fixture(scope="module")
def brewery():
    house = House(members()["mirror_row"], 3)
    return house, house.draw(6), house.draw(1, 1)


@pytest.fixture(scope="module")
def model(brewery):
    return sm.HouseModel().fit(reference_set(brewery[1]))


def test_a_set_and_its_model_know_their_depth(model):
    depth, law = model.fitted.depth, model.fitted.path_law
    assert (depth.fill_ml, depth.cup_mm, depth.cups) == (10.0, 40.0, ("C40",))
    assert law.taught_by == LAB_COLOURS and law.returned < 0.15


def test_at_the_depth_of_the_set_nothing_is_done(model, brewery):
    new = brewery[2]
    told = model.read(new.spectra, scans=new.scans)
    assert (told["path_factor"] == 1.0).all()
    blind = model.read(new.spectra, scans=new.scans.drop(columns=["fill_ml", "cup_mm", "cup"]))
    pd.testing.assert_frame_equal(blind.iloc[:, :4], told.iloc[:, :4])
    assert blind["warnings"].map(lambda codes: "depth_unknown" in codes).all()
    assert blind["explanation"].str.contains("fill_ml is not stated: taken to be at the set's depth, 7.96 mm").all()


def test_a_recorded_filling_is_made_good_and_widens_the_interval(model, brewery):
    house, _, new = brewery
    here = model.read(new.spectra, scans=new.scans)
    other = house.draw(1, 1, fill_ml=8.0)
    got = model.read(other.spectra, scans=other.scans)
    assert got["path_factor"].to_numpy() == pytest.approx(1.25)
    ratio = (got["colour"] / here["colour"]).to_numpy()
    assert abs(ratio.mean() - 1.0) < 0.01 and ratio.std() < 0.015
    width = [np.log(r["colour_high"] / r["colour_low"]).median() for r in (here, got)]
    assert 1.1 * width[0] < width[1] < 2.5 * width[0]
    # the same spectra taken to be at 10 mL read a fifth too pale
    wrong = model.read(other.spectra, scans=other.scans.assign(fill_ml=10.0))
    assert (wrong["colour"] / here["colour"]).mean() < 0.87
    assert got["explanation"].str.contains("absorbance times 1.25, as its lab colours say").all()
    # another cup of the same depth is the same reading, but for what its diameter may be
    cup = house.draw(1, 1, fill_ml=10.0 * (36.0 / 40.0) ** 2, cup_mm=36.0)
    same = model.read(cup.spectra, scans=cup.scans)
    assert same["path_factor"].to_numpy() == pytest.approx(1.0)
    assert (same["colour_high"] > here["colour_high"]).all()
    assert same["colour"].to_numpy() == pytest.approx(here["colour"].to_numpy())


@pytest.mark.parametrize(("column", "value"), [("fill_ml", 0.0), ("fill_ml", -10.0), ("cup_mm", 1e9)])
def test_a_filling_that_is_none_is_refused(model, brewery, column, value):
    new = brewery[0].draw(1, 1)
    scans = new.scans.astype({column: object})
    scans.loc[scans.index[1], column] = value
    said = re.escape(f"line 2 ('{scans.index[1]}'), column {column}: {value:g} is outside")
    with pytest.raises(TableError, match=said):
        model.read(new.spectra, scans=scans)


def test_a_stated_uncertainty_of_the_volume_counts(model, brewery):
    other = brewery[0].draw(1, 1, fill_ml=8.0)
    width = []
    for sd in (0.01, 0.3):
        got = model.read(other.spectra, scans=other.scans.assign(fill_sd_ml=sd))
        width.append(np.log(got["colour_high"] / got["colour_low"]).median())
    assert width[1] > 1.5 * width[0]


def test_beyond_a_factor_of_two_a_claim_is_held(model, brewery):
    house = brewery[0]
    for fill, held in ((5.0, False), (4.0, True), (21.0, True)):
        other = house.draw(1, 1, fill_ml=fill)
        beer = other.scans.groupby("sample", sort=False)["batch"].first().map(other.batches["beer"])
        judged = model.verify(other.spectra, claimed=beer, scans=other.scans)
        told = judged["warnings"].map(lambda codes: "path_out_of_range" in codes)
        assert told.all() if held else not told.any()
        assert not held or (judged["decision"] == "hold").all()


def test_deep_scans_of_dark_beers_have_no_light_left(model, brewery):
    house = brewery[0]
    deep = house.draw(1, 1, fill_ml=16.0)
    told = model.read(deep.spectra, scans=deep.scans)["warnings"].map(lambda codes: "path_out_of_range" in codes)
    dark = deep.true_colour.to_numpy() > 45.0
    pale = deep.true_colour.to_numpy() < 15.0
    assert told[dark].all() and not told[pale].any()


@pytest.mark.whole
def test_batches_at_a_second_fill_teach_the_law_and_are_not_learnt_from_otherwise(brewery, model, tmp_path):
    plain = model
    house, past, _ = brewery
    six = six_over_the_colours(past.batches["colour"])
    refs = reference_set(past, more=house.draw(6, fill_ml=6.0), batches=six)
    model = sm.HouseModel().fit(refs)
    law = model.fitted.path_law
    assert law.taught_by == SECOND_FILL and law.n_batches == 6 and law.lowest == pytest.approx(0.6)
    assert np.array_equal(model.fitted.identity.batch_means.shape, plain.fitted.identity.batch_means.shape)
    other = house.draw(1, 1, fill_ml=7.0)
    said = model.read(other.spectra, scans=other.scans)["explanation"]
    assert said.str.contains("as 6 batches at a second fill taught").all()
    # a model file keeps depth and law
    model.save(tmp_path / "a.model")
    again = sm.HouseModel.load(tmp_path / "a.model")
    assert again.fitted.depth == model.fitted.depth
    pd.testing.assert_frame_equal(
        again.read(other.spectra, scans=other.scans), model.read(other.spectra, scans=other.scans)
    )


def test_a_set_of_fillings_that_cannot_be_brought_together_is_refused(brewery):
    past = brewery[1]
    rows = past.scans.index
    for fill, said in ((3.0, "0.30 times the set's depth"), (np.nan, "fill_ml is not stated and other scans")):
        scans = past.scans.assign(fill_ml=past.scans["fill_ml"].where(rows != rows[0], fill))
        scans.loc[rows[-1], "fill_ml"] = 9.0
        with pytest.raises(ReferenceSetError, match=f"1 scan of the set cannot be brought to its depth.*{said}"):
            sm.HouseModel().fit(sm.ReferenceSet(past.spectra, scans, past.batches, band_nm=past.band_nm))


@pytest.mark.whole
def test_without_fillings_no_depth_is_known(brewery):
    past, new = brewery[0].draw(3), brewery[2]
    scans = past.scans.drop(columns=["fill_ml", "cup_mm", "cup"])
    model = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, scans, past.batches, band_nm=past.band_nm))
    assert model.fitted.depth is None and model.fitted.path_law is None
    got = model.read(new.spectra, scans=new.scans.assign(fill_ml=8.0))
    assert (got["path_factor"] == 1.0).all()
    assert not got["warnings"].map(lambda codes: bool({"depth_unknown", "path_out_of_range"} & set(codes))).any()


@pytest.mark.whole
@pytest.mark.slow
@pytest.mark.parametrize("member", ["mirror_row", "white_bowl"])
def test_colour_coverage_and_identity_at_other_depths(member, request):
    # of one seed alone a mean of 120 batches is known to 0.2 % only
    seeds = range(4) if request.config.getoption("--full-size") else range(2)
    rows = pd.DataFrame([row for seed in seeds for row in rows_of(members()[member], seed, (0.6, 0.8, 1.1, 1.25))])
    for name, bias in ((ONE, 0.9), (TWO, 0.5)):
        low, high = near_of(name, SECOND)
        got = shares(rows[(rows["set"] == name) & rows["depth"].between(low, high)])
        assert abs(got["bias %"]) <= bias and got["cover 90"] >= 0.88 and got["reject 5"] <= 0.07
        assert got["silent"] == 0


def test_a_build_leaves_out_by_name_what_cannot_be_brought_together(brewery, tmp_path):
    past = brewery[1]
    scans = past.scans[past.scans["batch"].isin(past.batches.index[:6])].copy()
    scans["fill_ml"] = scans["fill_ml"].astype(object)
    first, second, third = scans.index[:3]
    scans.loc[first, "fill_ml"], scans.loc[second, "fill_ml"], scans.loc[third, "fill_ml"] = 3.0, "", 9.0
    folder = tmp_path / "tables"
    folder.mkdir()
    past.spectra.loc[scans.index].to_csv(folder / "spectra.csv", index_label="scan_id")
    scans.to_csv(folder / "scans.csv", index_label="scan_id")
    past.batches.iloc[:6].to_csv(folder / "batches.csv", index_label="batch")
    refs, left_out = sm.build_set([folder])
    reasons = left_out.set_index("name")["reason"]
    assert "times the set's depth" in reasons[first] and "fill_ml is not stated" in reasons[second]
    assert third in refs.scans.index and refs.scans.loc[third, "fill_ml"] == 9.0
    assert not {first, second} & set(refs.scans.index)
