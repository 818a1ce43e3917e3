"""A second module: never consistent before it is taught, read by its own part of the model afterwards."""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.houses import House, HouseSpec, members
from benchmarks.houses.liquids import LiquidSpec
from benchmarks.transfer import counts, figures, reference_set
from specmatch.errors import OptionError, ReferenceSetError, TableError, TooFewBatchesError
from specmatch.house.fitting.fitted import FittedHouse

UNIT = "unit-harsh_second"


@pytest.fixture(scope="module")
def house():
    return House(HouseSpec("test_transfer", "six beers", liquid=LiquidSpec(beers=6, low_ebc=6.0, high_ebc=50.0)), 5)


@pytest.fixture(scope="module")
def refs(house):
    return reference_set(house.draw(6))


@pytest.fixture(scope="module")
def model(refs):
    return sm.HouseModel().fit(refs)


@pytest.fixture(scope="module")
def again(house):
    return house.draw(6, module="harsh_second", again=1)


@pytest.fixture(scope="module")
def new(house):
    return house.draw(5, 1, module="harsh_second")


@pytest.fixture(scope="module")
def shared(refs, again):
    return again.scans[again.scans["batch"].isin(sm.choose_batches(refs, transfer=6).index)]


@pytest.fixture(scope="module")
def both(model, again, shared):
    return model.transfer(again.spectra.loc[shared.index], shared, instrument=UNIT)


def claims_of(drawn):
    return pd.Series(drawn.batches["beer"].to_numpy(), index=[f"{name}-S1" for name in drawn.batches.index])


def taught_by(model, again, scans, instrument=UNIT):
    return model.transfer(again.spectra.loc[scans.index], scans, instrument=instrument)


def test_a_module_that_the_model_does_not_know_is_never_consistent(model, house):
    for module in ("mild_second", "harsh_second"):
        drawn = house.draw(5, 1, module=module)
        judged = model.verify(drawn.spectra, claims_of(drawn), scans=drawn.scans)
        assert not (judged["decision"] == "consistent").any()
        assert judged["warnings"].map(lambda codes: "other_instrument" in codes).all()
        assert set(judged["instrument"]) == {f"unit-{module}"}
    typical = judged[judged["reason"].str.startswith("typical")]
    assert typical["reason"].str.contains("a module that the model does not know").all()


def test_the_set_s_own_module_raises_nothing_and_a_set_without_a_record_says_so(model, refs, house):
    own = house.draw(2, 1)
    judged = model.verify(own.spectra, claims_of(own), scans=own.scans)
    assert (judged["decision"] == "consistent").sum() >= 10
    assert not judged["warnings"].map(lambda codes: "other_instrument" in codes).any()
    unrecorded = sm.ReferenceSet(refs.spectra, refs.scans.drop(columns="instrument"), refs.batches, colour_unit="EBC")
    reading = sm.HouseModel().fit(unrecorded).read(own.spectra, scans=own.scans)
    assert reading["explanation"].str.contains("records no instrument").all()
    assert not reading["warnings"].map(lambda codes: "other_instrument" in codes).any()


def test_six_shared_batches_make_its_readings_consistent_and_covered(both, model, new, house):
    foreign = house.draw(40, 2, module="harsh_second", foreign_over_colours=True)
    before, after = counts(model, new, foreign), counts(both, new, foreign)
    assert before["consistent"] == 0
    assert after["consistent"] >= 0.8 * after["n"]
    assert after["covered"] >= 0.8 * after["n"]
    assert after["squares"] < 0.5 * before["squares"]
    told = both.transfers.iloc[0]
    assert (told["instrument"], told["n_batches"]) == (UNIT, 6) and 0.0 < told["colour_error"] < 0.05


def test_a_mixed_table_is_read_by_module_in_the_order_given(both, model, new, house):
    own = house.draw(2, 3)
    one, two = new.scans.index[:6], own.scans.index[:6]
    spectra = pd.concat([new.spectra.loc[one], own.spectra.loc[two]]).iloc[::-1]
    scans = pd.concat([new.scans.loc[one], own.scans.loc[two]]).loc[spectra.index]
    readings = both.read(spectra, scans=scans)
    assert readings.index.tolist() == list(scans["sample"].drop_duplicates())
    alone = both.read(new.spectra.loc[one], scans=new.scans.loc[one])
    # sums of pours in another order
    np.testing.assert_allclose(readings.loc[alone.index, "colour"], alone["colour"], rtol=1e-9)
    mains = model.read(own.spectra.loc[two], scans=own.scans.loc[two])
    np.testing.assert_allclose(readings.loc[mains.index, "colour"], mains["colour"], rtol=1e-9)
    p = both.p_values(spectra, scans=scans)
    assert p.index.tolist() == readings.index.tolist()
    np.testing.assert_allclose(
        p.loc[alone.index], both.p_values(new.spectra.loc[one], scans=new.scans.loc[one]), rtol=1e-6
    )


def test_a_sample_of_two_modules_is_refused_and_one_without_a_name_is_held(both, new, house):
    own = house.draw(1, 3)
    scans = pd.concat([new.scans.iloc[:1], own.scans.iloc[:1]]).assign(sample="S", batch="B")
    with pytest.raises(TableError, match=r"sample 'S' has scans of two modules of the model"):
        both.read(pd.concat([new.spectra.iloc[:1], own.spectra.iloc[:1]]), scans=scans)
    judged = both.verify(own.spectra, claims_of(own), scans=own.scans.assign(instrument=""))
    assert not (judged["decision"] == "consistent").any()
    assert judged["explanation"].str.contains("not stated, and the model knows").all()
    without = both.verify(own.spectra, claims_of(own), scans=own.scans.drop(columns="instrument"))
    assert not (without["decision"] == "consistent").any()


def test_one_spectrum_is_read_by_its_module_and_names_are_matched_without_blanks(both, model, again, shared, new):
    one = both.read(new.spectra.iloc[0], new.scans)
    pd.testing.assert_frame_equal(one, both.read(new.spectra.iloc[:1], new.scans))
    spectra = again.spectra.loc[shared.index]
    padded = spectra.set_axis([f"{name} " for name in spectra.index], axis=0)
    with pytest.raises(ReferenceSetError, match="the band is 700-400 nm; expected the lower edge first"):
        model.transfer(padded, shared, instrument=UNIT, band_nm=(700.0, 400.0))


def test_a_saved_model_knows_its_modules_and_inspect_lists_them(both, new, tmp_path):
    from specmatch.report.inspected import inspected_text

    both.save(tmp_path / "both.model")
    loaded = sm.HouseModel.load(tmp_path / "both.model")
    before, after = (one.read(new.spectra, scans=new.scans) for one in (both, loaded))
    pd.testing.assert_frame_equal(before, after)
    text = inspected_text(sm.inspect_file(tmp_path / "both.model"))
    assert f"second module: {UNIT}, taught by 6 batches, " in text
    assert "instruments of the set: unit-own" in text


@pytest.mark.whole
def test_a_fleet_grows_one_module_at_a_time_and_a_module_is_replaced_by_its_name(both, house, shared):
    mild = house.draw(6, module="mild_second", again=2)
    scans = mild.scans.loc[shared.index]
    fleet = both.transfer(mild.spectra.loc[shared.index], scans, instrument="unit-mild_second")
    assert fleet.transfers["instrument"].tolist() == [UNIT, "unit-mild_second"]
    assert len(both.transfers) == 1  # a fitted model never changes
    assert len(fleet.transfer(mild.spectra.loc[shared.index], scans, instrument="unit-mild_second").transfers) == 2


def grown_by(refs, drawn, scans, batches=None):
    """Return the set with scans of another module, under names of their own."""
    other = scans.rename(index=lambda name: f"2-{name}")
    for level in ("pour", "sample"):
        other[level] = "2-" + other[level]
    return sm.ReferenceSet(
        pd.concat([refs.spectra, drawn.spectra.loc[scans.index].set_axis(other.index)]),
        pd.concat([refs.scans, other]), refs.batches if batches is None else batches, colour_unit="EBC",
        band_nm=refs.band_nm,
    )  # fmt: skip


@pytest.fixture(scope="module")
def whole(refs, again, shared):
    return grown_by(refs, again, shared)


@pytest.mark.whole
def test_batches_that_only_the_second_module_has_measured_teach_it_too(whole, new, model, caplog):
    batches = new.batches.index[new.batches["beer"] != new.batches["beer"].iloc[-1]]
    stranger = new.batches.index[-1]
    told = pd.concat([whole.batches, new.batches.loc[[*batches, stranger]]])
    told.loc[stranger, "beer"] = "Never on the first"
    more = grown_by(whole, new, new.scans[new.scans["batch"].isin([*batches, stranger])], told)
    fitted = sm.HouseModel().fit(more)
    assert fitted.fitted.batches == model.fitted.batches  # the set's own module has not seen them
    (second,) = fitted.fitted.modules
    assert second.fitted.batches == (*model.fitted.batches, *sorted(batches)) and len(second.shared) == 6
    assert second.fitted.beers == model.fitted.beers
    assert f"batches of beers that only it has measured teach nothing: {stranger}" in caplog.text
    # they are its own: each is the nearest batch of its own scans
    rows = new.scans["batch"].isin(batches)
    readings = fitted.read(new.spectra[rows], scans=new.scans[rows])
    assert (readings["nearest_batch"] == [name.removesuffix("-S1") for name in readings.index]).mean() > 0.8


@pytest.mark.whole
def test_batches_that_are_added_keep_the_modules_that_were_taught(both, refs, house, new):
    later = house.draw(1, 4)
    names = {name: f"L-{name}" for name in later.batches.index}
    scans = later.scans.assign(batch=later.scans["batch"].map(names))
    grown = refs.extend(later.spectra, scans, later.batches.rename(index=names), reason="a year later")
    more = both.add_batches(grown)
    assert more.transfers["instrument"].tolist() == [UNIT] and more.refit_reasons == ()
    assert set(names.values()) <= set(more.fitted.modules[0].fitted.batches)
    taught = sm.HouseModel().with_fitted(more.fitted)
    before, after = (one.read(new.spectra, scans=new.scans)["colour"] for one in (both, taught))
    np.testing.assert_allclose(after, before, rtol=0.03)  # six batches more of 42
    from dataclasses import replace

    old = replace(both.fitted, modules=(replace(both.fitted.modules[0], pours=None),))
    lost = both.with_fitted(old).add_batches(grown)
    assert lost.transfers.empty and "transfer unit-harsh_second again" in lost.refit_reasons[0]


@pytest.mark.whole
def test_the_audit_and_the_choice_take_a_further_module_for_what_it_is(refs, whole, new):
    assert sm.choose_batches(whole, transfer=6).index.tolist() == sm.choose_batches(refs, transfer=6).index.tolist()
    alone, both = (one.audit() for one in (refs, whole))
    pd.testing.assert_frame_equal(alone[["code", "subject"]], both[["code", "subject"]])
    two = grown_by(refs, new, new.scans, pd.concat([refs.batches, new.batches])).audit()  # no batch of both
    mixed = two[(two["code"] == "mixed_conditions") & (two["subject"] == "instrument")]
    assert mixed["action"].str.contains("teach the other by batches of the set measured on both").all() and len(mixed)


@pytest.mark.whole
def test_a_set_of_two_modules_is_evaluated_each_batch_by_its_own(whole, refs, new):
    batches = new.batches.index[:6]
    more = grown_by(
        whole, new, new.scans[new.scans["batch"].isin(batches)], pd.concat([whole.batches, new.batches.loc[batches]])
    )
    result = sm.evaluate(sm.HouseModel(), more, n_folds=3)
    assert set(batches) <= set(result.colour.index)
    error = np.log(result.colour["colour"] / result.colour["lab"])
    # read by the main model those of the second module are 7 % off
    assert np.sqrt((error[batches] ** 2).mean()) < 0.05
    assert result.figures["between_pour_sd"] < 0.03
    few = grown_by(refs, new, new.scans.iloc[:0], refs.batches)
    assert sm.evaluate(sm.HouseModel(), few, n_folds=3).figures["n_batches"] == len(refs.batches)


@pytest.mark.whole
def test_figures_draw_a_sample_by_the_module_that_measured_it(both, new, house):
    plots = pytest.importorskip("matplotlib") and sm.plots
    drawn = plots.plot_departure(both, new.spectra, new.scans, sample=new.scans["sample"].iloc[0])
    assert drawn.lines
    plots.plot_identity_map(both, new.spectra, new.scans)
    own = house.draw(1, 3)
    with pytest.raises(TableError, match=r"two modules of the model, each of which has a map"):
        plots.plot_identity_map(both, pd.concat([new.spectra, own.spectra]), pd.concat([new.scans, own.scans]))


@pytest.mark.whole
def test_a_set_of_several_modules_makes_the_same_transfer(whole, both, new):
    fitted = sm.HouseModel().fit(whole)
    assert fitted.transfers["instrument"].tolist() == [UNIT]
    readings = (one.read(new.spectra, scans=new.scans)["colour"] for one in (fitted, both))
    np.testing.assert_allclose(*readings, rtol=0.02)


@pytest.mark.whole
def test_a_new_lamp_on_the_same_module_goes_the_same_road(refs, house):
    named = refs.scans.assign(lamp="LED 1")
    old = sm.HouseModel().fit(sm.ReferenceSet(refs.spectra, named, refs.batches, colour_unit="EBC"))
    lamp = house.draw(6, lamp="phosphor_neutral", again=1)
    scans = lamp.scans[lamp.scans["batch"].isin(sm.choose_batches(refs, transfer=4).index)].assign(lamp="LED 2")
    taught = taught_by(old, lamp, scans, "unit-own")
    assert taught.transfers["module"].tolist() == ["unit-own, lamp LED 2"]
    new = house.draw(3, 1, lamp="phosphor_neutral")
    judged = taught.verify(new.spectra, claims_of(new), scans=new.scans.assign(lamp="LED 2"))
    assert (judged["decision"] == "consistent").mean() > 0.7
    assert not judged["warnings"].map(lambda codes: "outside_conditions" in codes).any()
    # under the old lamp's name the set itself answers, and says nothing of the new one
    kept = house.draw(1, 3)
    reading = taught.read(kept.spectra, scans=kept.scans.assign(lamp="LED 1"))
    # (the house's few batches share their sessions)
    assert reading["interval_method"].eq("jackknife+, spread of pours, few sessions added").all()


@pytest.mark.parametrize(
    ("change", "error", "said"),
    [
        (lambda s: s.assign(batch=s["batch"] + "x"), TableError, r"batch 'B0-\d+x' is not of the set \(6 of 6 are not"),
        (lambda s: s[s["batch"].isin(s["batch"].unique()[:2])], TooFewBatchesError, r"2 batches of the set .* needs 3"),
        (lambda s: s.assign(cup="C60", cup_mm=60.0), TableError, r"cup.* at the same time"),
        (lambda s: s.assign(instrument="unit-own"), TableError, r"no scan is of instrument 'unit-harsh_second'"),
        (lambda s: s.drop(columns="batch"), TableError, r"needs a scans table with the column batch"),
    ],
    ids=["not of the set", "too few", "another cup", "another name", "no batches"],
)
def test_bad_input_gets_a_clear_line(model, again, shared, change, error, said):
    with pytest.raises(error, match=said):
        taught_by(model, again, change(shared))


def test_scans_of_a_third_module_are_named(model, again, shared, caplog):
    third = shared.rename(lambda name: f"{name}-3").assign(instrument="unit-3", sample=shared["sample"] + "-3")
    third["pour"] = third["pour"] + "-3"
    spectra = pd.concat([again.spectra.loc[shared.index], again.spectra.loc[shared.index].set_axis(third.index)])
    model.transfer(spectra, pd.concat([shared, third]), instrument=UNIT)
    assert f"not scans of {UNIT!r}, and left aside: {len(third)} of unit-3" in caplog.text


def test_channels_in_which_the_second_module_has_no_light_are_not_learnt_from(model, again, shared, house):
    band = (470.0, 640.0)
    both = model.transfer(again.spectra.loc[shared.index], shared, instrument=UNIT, band_nm=band)
    nm = both.fitted.modules[0].fitted.wavelength_nm
    assert band[0] <= nm[0] < 475.0 and 635.0 < nm[-1] <= band[1]
    # its scans of another filling are brought by the law of the channels that are left
    deep = house.draw(1, 1, module="harsh_second", fill_ml=8.0)
    told = both.read(deep.spectra, scans=deep.scans)
    assert told["path_factor"].to_numpy() == pytest.approx(1.25)
    assert np.abs(told["colour"].to_numpy() / deep.true_colour.to_numpy() - 1.0).mean() < 0.06


@pytest.mark.whole
def test_a_matt_base_of_another_level_asks_for_a_set_of_its_own():
    matt = House(members()["white_bowl"], 0)
    refs = reference_set(matt.draw())
    model = sm.HouseModel().fit(refs)
    for module, advice in (("harsh_second", "measure a set of its own"), ("mild_second", "transfer serves")):
        second = matt.draw(module=module, again=1)
        scans = second.scans[second.scans["batch"].isin(sm.choose_batches(refs, transfer=6).index)]
        both = model.transfer(second.spectra.loc[scans.index], scans, instrument=f"unit-{module}")
        assert both.transfers.iloc[0]["advice"] == advice


def test_batches_of_one_beer_teach_nothing(model, again, refs):
    beer = refs.batches["beer"].iloc[0]
    one = again.scans[again.scans["batch"].isin(refs.batches.index[refs.batches["beer"] == beer][:4])]
    with pytest.raises(ReferenceSetError, match=f"all 4 batches are of one beer, {beer}"):
        taught_by(model, again, one)


def test_swapped_labels_are_named(model, again, shared):
    order = list(shared["batch"].unique())
    a, b = order[0], order[1]
    swapped = shared.assign(batch=shared["batch"].replace({a: b, b: a}))
    with pytest.raises(TableError, match=f"'({a}|{b})'.*'({a}|{b})'.*labels look swapped"):
        taught_by(model, again, swapped)


def test_a_second_module_that_is_the_first_one_is_refused(model, refs, shared, again):
    with pytest.raises(TableError, match=r"'unit-own' is a module of the set itself"):
        taught_by(model, again, shared.assign(instrument="unit-own"), "unit-own")
    own = refs.scans.loc[shared.index].assign(instrument=UNIT)
    with pytest.raises(TableError, match=r"these scans are those of the set itself"):
        model.transfer(refs.spectra.loc[shared.index], own, instrument=UNIT)
    with pytest.raises(OptionError, match=r"instrument is blank"):
        taught_by(model, again, shared, " ")


def test_a_model_of_an_older_version_says_that_it_kept_no_pours(model, again, shared):
    from dataclasses import replace

    old: FittedHouse = replace(model.fitted, pours=None)
    with pytest.raises(sm.SpecmatchError, match=r"kept no pours, from which a transfer starts: fit it again"):
        taught_by(model.with_fitted(old), again, shared)


def test_batches_to_share_start_at_the_two_that_lie_farthest_apart(refs):
    chosen = sm.choose_batches(refs, transfer=5)
    assert len(chosen) == 5 and chosen.index.is_unique
    assert chosen["gain"].is_monotonic_decreasing
    colours = refs.batches["colour"]
    assert colours[chosen.index[:2]].max() > 2.0 * colours[chosen.index[:2]].min()
    with pytest.raises(OptionError, match=r"transfer is 2; a second module needs 3"):
        sm.choose_batches(refs, transfer=2)


@pytest.mark.whole
def test_the_commands_name_batches_and_teach_a_module(model, refs, house, tmp_path, capsys):
    from specmatch.cli import main

    refs.save(tmp_path / "set")
    assert main(["choose", str(tmp_path / "set"), "--transfer", "4"]) == 0
    assert "measure these on the second module" in capsys.readouterr().out
    model.save(tmp_path / "house.model")
    house.write_folder(tmp_path / "unit-2", n_batches=6, pours=1, module="mild_second", again=1)
    sheet = pd.read_csv(tmp_path / "unit-2" / "scans.csv", dtype=str, keep_default_na=False)
    kept = (sheet["role"] != "sample") | sheet["batch"].isin(sm.choose_batches(refs, transfer=6).index)
    sheet[kept].to_csv(tmp_path / "unit-2" / "scans.csv", index=False)
    (tmp_path / "unit-2" / "batches.csv").unlink()  # the set knows its batches
    out = ["--out", str(tmp_path / "both.model")]
    code = main(["transfer", str(tmp_path / "house.model"), str(tmp_path / "unit-2"), "--instrument", "unit 2", *out])
    said = capsys.readouterr()
    assert code == 2 and "no scan is of instrument 'unit 2'" in said.err
    name = ["--instrument", "unit-mild_second"]
    code = main(["transfer", str(tmp_path / "house.model"), str(tmp_path / "unit-2"), *name, *out])
    assert code == 0 and "taught by 6 batches of the set" in capsys.readouterr().out
    assert sm.HouseModel.load(tmp_path / "both.model").transfers["instrument"].tolist() == ["unit-mild_second"]


@pytest.mark.whole
@pytest.mark.slow
@pytest.mark.parametrize("member", ["night_cellar", "rough_hands"])
def test_on_houses_that_set_no_threshold_six_batches_do_nearly_as_well_as_a_set_of_its_own(member):
    rows = pd.DataFrame(figures(member, "harsh_second", 3, (3, 6))).set_index("shared")
    error, covered = np.sqrt(rows["squares"] / rows["n"]), rows["covered"] / rows["n"]
    assert rows.loc["none", "consistent"] == 0
    # 1.60 was seen in the roughest of the houses: pours of heavy tails tell little of a module in six batches
    assert error["6"] <= 1.8 * error["own set"] < error["none"]
    assert covered["6"] >= covered["own set"] - 0.05 and covered["3"] >= covered["own set"] - 0.05
    assert rows.loc["6", "rejected"] <= 0.12 * rows.loc["6", "n"]
