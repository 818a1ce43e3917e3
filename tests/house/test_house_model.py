"""The house model on the invented brewery: readings, claims, refusals, and that a fitted model never changes."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.errors import (
    ModelFileError,
    OptionError,
    SpecmatchError,
    TableError,
    TooFewBatchesError,
    UnknownBeerError,
    WavelengthMismatchError,
)
from specmatch.house.reading.readings import READING_COLUMNS


@pytest.fixture(scope="module")
def house(small_house):
    return small_house[0]


@pytest.fixture(scope="module")
def new(small_house):
    return small_house[1]


def as_set(drawn, **options):
    return sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches, **options)


def test_a_reading_is_a_row_a_sample_in_the_order_given(house, new):
    readings = house.read(new.spectra, scans=new.scans)
    assert list(readings.columns) == list(READING_COLUMNS)
    assert list(readings.index) == list(dict.fromkeys(new.scans["sample"]))
    assert readings.index.name == "sample"
    assert set(readings["n_pours"]) == {3}
    assert set(readings["colour_unit"]) == {"EBC"}


def test_readings_do_not_depend_on_company_order_or_column_order(house, new):
    readings = house.read(new.spectra, scans=new.scans)
    turned = new.spectra.iloc[::-1, ::-1]
    again = house.read(turned, scans=new.scans).loc[readings.index]
    pd.testing.assert_frame_equal(
        again, readings, rtol=1e-6
    )  # the order of sums moves the last digits, the kernel matrix magnifies them
    one = new.scans[new.scans["sample"] == readings.index[4]]
    alone = house.read(new.spectra.loc[one.index], scans=one)
    pd.testing.assert_frame_equal(alone, readings.iloc[[4]], rtol=1e-6)


def test_samples_may_be_told_by_a_series_or_not_at_all(house, new):
    by_series = house.read(new.spectra, scans=new.scans["sample"])
    told = house.read(new.spectra, scans=new.scans)
    # of the filling nothing is known then, and the reading says so
    assert by_series["warnings"].map(lambda codes: "depth_unknown" in codes).all()
    assert not told["warnings"].map(lambda codes: "depth_unknown" in codes).any()
    words = ["warnings", "explanation", "instrument"]
    pd.testing.assert_frame_equal(by_series.drop(columns=words), told.drop(columns=words))
    lone = house.read(new.spectra)
    assert list(lone.index) == list(new.spectra.index)
    assert set(lone["n_pours"]) == {1}


def test_a_single_spectrum_as_a_series_gives_one_reading(house, new):
    lone = house.read(new.spectra.iloc[5])
    assert lone.index.tolist() == [new.spectra.index[5]]


def test_a_right_claim_mostly_stands_and_a_wrong_one_is_held(house, new):
    beer_of = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    right = house.verify(new.spectra, claimed=beer_of, scans=new.scans)
    # 24 samples at a stated 5 %: 5 or more held has a chance of under 1 %
    assert (right["decision"] == "hold").sum() <= 4
    darkest, palest = house.beers_[0], house.beers_[1]
    wrong = house.verify(new.spectra, claimed=darkest, scans=new.scans)
    others = wrong[(beer_of.loc[wrong.index] != darkest).to_numpy()]
    assert (others["decision"] == "hold").mean() > 0.9
    assert darkest != palest
    assert others["reason"].str.contains(f"not typical of {darkest}").any()


def test_a_blank_claim_is_a_reading_only(house, new):
    names = list(dict.fromkeys(new.scans["sample"]))
    got = house.verify(new.spectra, claimed={names[0]: house.beers_[0]}, scans=new.scans)
    assert got["decision"].iloc[0] in ("consistent", "hold")
    assert got["decision"].iloc[1:].isna().all()
    assert (got["reason"].iloc[1:] == "no claim was made: a reading only").all()


def test_claims_outside_the_set_are_refused(house, new):
    with pytest.raises(UnknownBeerError, match="'Nobody Stout', which is no beer of the set"):
        house.verify(new.spectra, claimed="Nobody Stout", scans=new.scans)
    with pytest.raises(TableError, match="verify needs a claim"):
        house.verify(new.spectra, scans=new.scans)


def test_a_narrower_scan_is_refused_with_both_ranges(house, new):
    with pytest.raises(WavelengthMismatchError, match=r"reaches from 5\d\d\.\d to .* the model needs 4"):
        house.read(new.spectra.loc[:, new.spectra.columns > 520.0])


def test_missing_channels_are_bridged_and_said(house, new):
    holed = new.spectra.iloc[:3].copy()
    holed.iloc[0, 120:123] = np.nan
    readings = house.read(holed)
    assert "missing_channels" in readings["warnings"].iloc[0]
    assert "missing_channels" not in readings["warnings"].iloc[1]


def test_a_lost_stretch_leaves_an_identity_and_no_colour(house, new):
    cut = new.spectra.copy()
    cut.loc[:, (cut.columns > 560.0) & (cut.columns < 610.0)] = np.nan
    whole, got = house.read(new.spectra, scans=new.scans), house.read(cut, scans=new.scans)
    assert got["colour"].isna().all()
    assert got["warnings"].map(lambda codes: "missing_channels" in codes).all()
    assert (got["nearest_beer"] == whole["nearest_beer"]).mean() > 0.9
    mixed = pd.concat([new.spectra.iloc[[0]], cut.iloc[[1]]])
    one, other = house.read(mixed)["colour"]
    assert np.isfinite(one) and np.isnan(other)


def test_a_scan_with_next_to_nothing_left_is_refused(house, new):
    cut = new.spectra.iloc[:2].copy()
    cut.loc[:, cut.columns > 440.0] = np.nan
    with pytest.raises(WavelengthMismatchError, match="channels"):
        house.read(cut)


def test_wider_coverage_gives_wider_intervals_from_the_same_fit(house, new):
    widths = []
    for coverage in (0.5, 0.8, 0.9, 0.95):
        got = house.read(new.spectra, scans=new.scans, coverage=coverage)
        widths.append((got["colour_high"] - got["colour_low"]).to_numpy())
        assert ((got["colour_low"] <= got["colour"]) & (got["colour"] <= got["colour_high"])).all()
    assert (np.diff(widths, axis=0) >= 0).all()


def test_a_colour_beyond_the_set_is_said(house):
    dark = Brewery(seed=1).draw(1, draw=7, beers=[Brewery(seed=1).beers[0]])
    stronger = dark.spectra**1.6  # 1.6 times the absorbance of the palest beer: inside the range of colours
    weaker = dark.spectra.clip(lower=1e-3) ** 0.3
    assert "outside_colour_range" not in house.read(stronger)["warnings"].iloc[0]
    assert "outside_colour_range" in house.read(weaker)["warnings"].iloc[0]


def test_what_no_beer_of_the_set_explains_is_said(house, new):
    flat = new.spectra.iloc[:1] * 0 + 0.3
    got = house.read(flat)
    assert got["plausible_beers"].iloc[0] == ()
    assert {"unlike_any_beer", "interval_not_covered"} <= set(got["warnings"].iloc[0])


def test_saved_and_loaded_models_read_alike(house, new, tmp_path):
    house.save(tmp_path / "house.model")
    loaded = sm.HouseModel.load(tmp_path / "house.model")
    assert (loaded.coverage, loaded.false_reject_rate) == (house.coverage, house.false_reject_rate)
    pd.testing.assert_frame_equal(loaded.read(new.spectra, scans=new.scans), house.read(new.spectra, scans=new.scans))


def test_a_pickle_is_no_model_and_nothing_in_it_runs(tmp_path):
    class Evil:
        def __reduce__(self):
            return (open, (str(tmp_path / "ran"), "w"))

    import pickle

    (tmp_path / "evil.model").write_bytes(pickle.dumps(Evil()))
    with pytest.raises(ModelFileError, match="evil.model"):
        sm.HouseModel.load(tmp_path / "evil.model")
    assert not (tmp_path / "ran").exists()


def test_a_fitted_model_never_changes(house, new):
    before = house.read(new.spectra, scans=new.scans)
    house.wavelengths_[:] = 0.0
    with pytest.raises(SpecmatchError, match="fitted already and never changes"):
        house.fit(as_set(Brewery(seed=2).draw(2)))
    pd.testing.assert_frame_equal(house.read(new.spectra, scans=new.scans), before)


def test_many_threads_read_alike(house, new, whole):
    alone = house.read(new.spectra, scans=new.scans)
    with ThreadPoolExecutor(8) as pool:
        for got in pool.map(lambda _: house.read(new.spectra, scans=new.scans), range(24 if whole else 8)):
            pd.testing.assert_frame_equal(got, alone)


def test_inputs_are_never_written_to(house, new):
    spectra, scans = new.spectra.copy(deep=True), new.scans.copy(deep=True)
    house.verify(new.spectra, claimed=house.beers_[0], scans=new.scans)
    pd.testing.assert_frame_equal(new.spectra, spectra)
    pd.testing.assert_frame_equal(new.scans, scans)


@pytest.mark.parametrize("wrong", [{"coverage": 1.0}, {"coverage": 90}, {"false_reject_rate": 0.0}])
def test_settings_outside_their_range_are_refused(wrong):
    with pytest.raises(OptionError, match="expected a share between 0 and 1, such as 0.(9|05)$"):
        sm.HouseModel(**wrong).fit(as_set(Brewery(seed=1).draw(1)))


def test_too_few_batches_and_unfitted_models_are_refused():
    few = Brewery(seed=1).draw(1, beers=Brewery(seed=1).beers[:2])
    with pytest.raises(TooFewBatchesError, match="the set holds 2 batches; a house model needs 3"):
        sm.HouseModel().fit(as_set(few))
    several = Brewery(seed=1).draw(2, beers=Brewery(seed=1).beers[:3])
    flat = sm.ReferenceSet(several.spectra * 0.0 + 0.5, several.scans, several.batches)
    with pytest.raises(TableError, match="all 18 pours of the set hold one spectrum"):
        sm.HouseModel().fit(flat)
    with pytest.raises(SpecmatchError, match="not fitted"):
        sm.HouseModel().read(few.spectra)


def test_batches_without_a_lab_colour_serve_identity_only():
    drawn = Brewery(seed=3).draw(4, beers=Brewery.beers[:5])
    batches = drawn.batches.copy()
    batches.loc[batches["beer"] == batches["beer"].iloc[0], "colour"] = np.nan
    refs = sm.ReferenceSet(drawn.spectra, drawn.scans, batches)
    house = sm.HouseModel().fit(refs)
    assert batches["beer"].iloc[0] in house.beers_
    assert np.isfinite(house.read(drawn.spectra, scans=drawn.scans)["colour"]).all()


def test_a_retired_beer_is_not_offered_after_its_last_day():
    brewery = Brewery(seed=1)
    past, new = (brewery.draw(n, draw=draw, beers=brewery.beers[:6]) for n, draw in ((4, 0), (1, 1)))
    old = brewery.beers[4]
    beers = pd.DataFrame({"valid_to": ["2020-12-31"]}, index=pd.Index([old], name="beer"))
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches, beers=beers))
    beer_of = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    got = house.verify(new.spectra, claimed=beer_of, scans=new.scans)
    own = got[got["claimed"] == old]
    assert (own["decision"] == "hold").all()
    assert own["reason"].str.contains("not offered on the day").all()
    assert not got["plausible_beers"].map(lambda names: old in names).any()
    # a sample from before that day, or of an unknown day, may still be it
    earlier = house.read(new.spectra, scans=new.scans.assign(measured_at="2020-06-01T08:00:00+00:00"))
    undated = house.read(new.spectra, scans=new.scans.drop(columns="measured_at"))
    for readings in (earlier, undated):
        assert (readings.loc[own.index, "nearest_beer"] == old).all()


def test_a_notebook_shows_the_model_with_every_name_escaped():
    drawn = Brewery(seed=1).draw(3, beers=Brewery(seed=1).beers[:3])
    batches = drawn.batches.assign(
        beer=drawn.batches["beer"].where(drawn.batches["beer"] != "Meadow Pils", "<b>Pils</b>")
    )
    house = sm.HouseModel().fit(sm.ReferenceSet(drawn.spectra, drawn.scans, batches))
    shown = house._repr_html_()
    assert "&lt;b&gt;Pils" in shown
    assert "<b>Pils" not in shown
    assert "not fitted" in sm.HouseModel()._repr_html_()


def test_a_fit_on_anything_but_a_set_says_what_it_wants():
    with pytest.raises(TableError, match=r"got a DataFrame; expected a ReferenceSet: ReferenceSet\("):
        sm.HouseModel().fit(pd.DataFrame())


def test_a_fit_runs_on_one_thread_whatever_the_machine_offers(monkeypatch):
    import threadpoolctl

    seen = []
    monkeypatch.setattr(
        "specmatch.house.fitting.second_module.fit_set",
        lambda *_, **__: seen.append({pool["num_threads"] for pool in threadpoolctl.threadpool_info()}),
    )
    past = Brewery(seed=1).draw(1)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches)
    with threadpoolctl.threadpool_limits(limits=2):
        before = [pool["num_threads"] for pool in threadpoolctl.threadpool_info()]
        sm.HouseModel().fit(refs)
        assert [pool["num_threads"] for pool in threadpoolctl.threadpool_info()] == before
    assert 2 in before and seen == [{1}]


def test_claims_of_a_row_a_scan_are_those_of_their_samples(house, new):
    rows = new.scans["batch"].map(new.batches["beer"])
    by_row = pd.Series(rows.to_numpy(), index=new.scans["sample"])
    once = by_row[~by_row.index.duplicated()]
    judged = house.verify(new.spectra, by_row, new.scans)
    assert judged["decision"].equals(house.verify(new.spectra, once, new.scans)["decision"])
    by_row.iloc[0] = "Peat Stout"
    with pytest.raises(TableError, match="is said to be 'Peat Stout' and 'Lantern Gold'; keep"):
        house.verify(new.spectra, by_row, new.scans)
    blank = once.astype("string").mask(np.arange(len(once)) == 0)
    assert house.verify(new.spectra, blank, new.scans)["decision"].isna().sum() == 1


def test_a_day_that_is_none_decides_nothing(small_house):
    from dataclasses import replace

    model, new = small_house
    offered = replace(model.fitted.offered, valid_from=("2020-01-01",) * len(model.beers_))
    dated = model.with_fitted(replace(model.fitted, offered=offered))
    one = new.scans["sample"] == new.scans["sample"].iloc[0]
    spectra, scans = new.spectra[one], new.scans[one]
    beer = new.batches.at[scans["batch"].iloc[0], "beer"]
    for day in ("24.06.2025", "Jun 24, 2025", pd.Timestamp("2025-06-24")):
        assert dated.verify(spectra, beer, scans.assign(measured_at=day))["p_value"].notna().all()
    with pytest.raises(TableError, match="'yesterday' is no date"):
        dated.verify(spectra, beer, scans.assign(measured_at="yesterday"))


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("coverage", "0.9", "coverage is '0.9'"),
        ("coverage", [0.9], r"coverage is \[0.9\]"),
        ("specification", "house.limits.csv", "got a str 'house.limits.csv'; expected a Specification"),
        ("claimed", " ", "verify needs a claim"),
        ("claimed", pd.DataFrame({"beer": ["x"]}), "claimed is a DataFrame, no name"),
    ],
)
def test_options_of_another_kind_say_what_is_wanted(house, new, option, value, said):
    with pytest.raises(SpecmatchError, match=said):
        house.verify(new.spectra, **({"claimed": "Peat Stout", "scans": new.scans} | {option: value}))


def test_what_is_no_set_or_model_is_told_how_one_is_come_by(house, new):
    path = "sets/house"
    for call in (
        house.add_batches,
        sm.choose_batches,
        lambda p: sm.evaluate(house, p),
        lambda p: sm.compare_sets(p, p),
    ):
        with pytest.raises(TableError, match="got a str 'sets/house'; expected a ReferenceSet"):
            call(path)
    with pytest.raises(TableError, match="got a str 'house.model'; expected a HouseModel"):
        sm.validate("house.model", new.spectra, new.scans, new.batches)


def test_packages_of_two_lots_are_no_sequence(house, new):
    with pytest.raises(TableError, match="the packages are of batches"):
        house.next_package(new.spectra, "Peat Stout", new.scans)
    lot = new.scans["batch"] == new.scans["batch"].iloc[0]
    own = house.next_package(new.spectra[lot], "Chalk Lager", new.scans[lot])
    assert house.next_package(new.spectra[lot], "Chalk Lager", new.scans) == own  # whose table holds other lots too
    with pytest.raises(OptionError, match="most_packages is 0"):
        house.next_package(new.spectra[lot], "Chalk Lager", new.scans[lot], most_packages=0)


def test_a_scan_needs_a_name(house, new):
    with pytest.raises(TableError, match="scan_id is blank in row 2; give each its name"):
        house.read(new.spectra.iloc[:2].set_axis(["a", None], axis=0))


def test_a_model_saved_with_loose_accents_answers(house, new, tmp_path):
    def saved(*beers):
        model = sm.HouseModel()
        model._fitted = replace(house.fitted, beers=(*beers, *house.beers_[len(beers) :]))
        model.save(tmp_path / "old.model")
        return sm.HouseModel.load(tmp_path / "old.model")

    loose, whole = "Ko\u0308lsch", "K\u00f6lsch"
    old = saved(loose)
    assert old.beers_[0] == whole
    spectra = new.spectra[:6]
    for claim in (loose, whole):
        verified = old.verify(spectra, claimed=claim)
        assert verified["decision"].tolist() == house.verify(spectra, claimed=house.beers_[0])["decision"].tolist()
    with pytest.raises(ModelFileError, match="two beers whose names differ in the form of their accents alone"):
        saved(loose, whole)
