"""Labs told apart through the spectra, and what a temperature costs."""

import json

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.houses import House, members
from specmatch.errors import OptionError, TableError


@pytest.fixture(scope="module")
def brewery():
    house = House(members()["mirror_row"], 4)
    return house, house.draw(4), house.draw(2, 1)


def as_set(drawn, batches=None, scans=None):
    table = drawn.scans if scans is None else scans
    return sm.ReferenceSet(drawn.spectra, table, drawn.batches if batches is None else batches, band_nm=drawn.band_nm)


@pytest.fixture(scope="module")
def two_labs(brewery):
    past = brewery[1]
    other = np.arange(len(past.batches)) % 3 == 0
    batches = past.batches.assign(lab=np.where(other, "North", "South"))
    batches["colour"] *= np.where(other, 1.05, 1.0)
    return batches


@pytest.fixture(scope="module")
def told(brewery, two_labs):
    return sm.HouseModel().fit(as_set(brewery[1], two_labs))


@pytest.fixture(scope="module")
def blind(brewery, two_labs):
    """Fitted on the values of both labs, without their names."""
    return sm.HouseModel().fit(as_set(brewery[1], two_labs.drop(columns="lab")))


def error(readings, new):
    return readings["colour"].to_numpy(float) / new.true_colour.to_numpy() - 1.0


@pytest.mark.whole
def test_a_second_lab_costs_next_to_nothing(brewery, told, blind):
    _, past, new = brewery
    one = sm.HouseModel().fit(as_set(past, past.batches.drop(columns="lab", errors="ignore")))
    labs = told.fitted.colour.labs
    assert labs.labs == ("South", "North") and labs.effect[1] == pytest.approx(np.log(1.05), abs=3.0 * labs.sd[1])
    rms = [np.sqrt(np.mean(error(m.read(new.spectra, scans=new.scans), new) ** 2)) for m in (one, told, blind)]
    assert rms[1] < 1.15 * rms[0] < rms[2]


def test_a_reading_stands_for_the_value_of_the_lab_that_is_asked_for(brewery, told, tmp_path):
    _, _, new = brewery
    told.save(tmp_path / "m.model")
    model = sm.HouseModel.load(tmp_path / "m.model")
    usual = model.read(new.spectra, scans=new.scans)
    north = model.read(new.spectra, scans=new.scans, lab="North")
    assert model.read(new.spectra, scans=new.scans, lab="north").equals(north)
    assert usual["interval_method"].str.endswith(", as South reports").all()
    assert north["interval_method"].str.endswith(", as North reports").all()
    ratio = np.exp(model.fitted.colour.labs.effect[1])
    assert (north["colour"] / usual["colour"]).to_numpy() == pytest.approx(ratio)
    wider = np.log(north["colour_high"] / north["colour_low"]) - np.log(usual["colour_high"] / usual["colour_low"])
    assert (wider > 0).all()
    each = model.read(new.spectra, scans=new.scans, lab={usual.index[1]: "North"})
    assert each["colour"].iloc[1] == north["colour"].iloc[1] and each["colour"].iloc[0] == usual["colour"].iloc[0]
    with pytest.raises(OptionError, match="lab 'West' is not one that the model knows; it knows South, North"):
        model.read(new.spectra, scans=new.scans, lab="West")
    # a Series, and names with blanks about them, say the same; a sample that is not there is told
    series = pd.Series("North", index=[f" {usual.index[1]} "])
    assert model.read(new.spectra, scans=new.scans, lab=series).equals(each)
    for call in (model.read, lambda *tables, **asked: model.verify(tables[0], usual["nearest_beer"], **asked)):
        with pytest.raises(TableError, match="a lab is named for sample 'S9', which has no scan"):
            call(new.spectra, scans=new.scans, lab={"S9": "North"})


def test_a_set_that_names_no_labs_tells_none_apart(small_house):
    house, new = small_house
    with pytest.raises(OptionError, match="the set tells no labs apart"):
        house.read(new.spectra, scans=new.scans, lab="North")


@pytest.mark.whole
def test_new_lab_values_are_held_to_the_lab_that_measured_them(brewery, told):
    new = brewery[2]
    high = new.batches.assign(lab="North", colour=1.05 * new.batches["colour"])
    by_column = sm.validate(told, new.spectra, new.scans, high).figures["log_bias"]
    unnamed = high.drop(columns="lab")
    by_name = sm.validate(told, new.spectra, new.scans, unnamed, lab="North").figures["log_bias"]
    by_none = sm.validate(told, new.spectra, new.scans, unnamed).figures["log_bias"]
    assert by_column == pytest.approx(by_name)
    # batches weigh by the width of their intervals, which is another for another lab
    assert by_column - by_none == pytest.approx(told.fitted.colour.labs.effect[1], abs=1e-3)
    assert abs(by_column) < abs(by_none)


@pytest.mark.whole
def test_the_commands_show_what_the_named_lab_would_report(brewery, told, tmp_path, capsys):
    from specmatch.cli import main

    house = brewery[0]
    told.save(tmp_path / "m.model")
    house.write_folder(tmp_path / "new", draw=1, n_batches=1, pours=1)
    place = [str(tmp_path / "m.model"), str(tmp_path / "new"), "--json"]
    colours = {}
    for command in ("read", "verify"):
        for lab in ("", "North"):
            assert main([command, *place, *(["--lab", lab] if lab else [])]) in (0, 1)
            rows = json.loads(capsys.readouterr().out)["results"]
            colours[command, lab] = np.array([row["colour"] for row in rows])
    ratio = np.exp(told.fitted.colour.labs.effect[1])
    for command in ("read", "verify"):
        assert colours[command, "North"] / colours[command, ""] == pytest.approx(ratio)
    bias = []
    for lab in ([], ["--lab", "North"]):
        assert main(["validate", *place, *lab]) in (0, 1)
        bias.append(json.loads(capsys.readouterr().out)["results"]["figures"]["log_bias"])
    # batches weigh by the width of their intervals, which is another for another lab
    assert bias[1] - bias[0] == pytest.approx(np.log(ratio), abs=1e-3)
    assert main(["read", *place, "--lab", "West"]) == 2
    assert "lab 'West' is not one that the model knows; it knows South, North" in capsys.readouterr().err
    assert main(["verify", *place, "--lab", "North", "--journal", str(tmp_path / "line.db")]) == 2
    assert "go by the main lab of the set; leave --lab out" in capsys.readouterr().err


@pytest.mark.whole
def test_what_cold_samples_cost_is_told_from_the_set(brewery):
    house, past, new = brewery
    cold = np.arange(len(past.scans)) % 5 < 2
    scans = past.scans.assign(temperature_c=np.where(cold, 6.0, 20.0))
    # cold pours read a little darker
    spectra = past.spectra.copy()
    spectra[cold] = 0.01 + 0.99 * np.maximum((spectra[cold] - 0.01) / 0.99, 1e-3) ** 1.03
    dear = sm.HouseModel().fit(sm.ReferenceSet(spectra, scans, past.batches, band_nm=past.band_nm))
    free = sm.HouseModel().fit(as_set(past, scans=scans))
    assert dear.fitted.temperature.per_c == pytest.approx(-0.03 / 14.0, rel=0.35)
    at_six = new.scans.assign(temperature_c=6.0)
    said = dear.read(new.spectra, scans=at_six)["explanation"]
    assert said.str.contains("at 6 deg C the set's own scans read").all() and said.str.contains("warm, degas").all()
    assert free.read(new.spectra, scans=at_six)["explanation"].str.contains("no cost can be seen").all()
    usual = new.scans.assign(temperature_c=dear.fitted.temperature.usual_c)
    assert not dear.read(new.spectra, scans=usual)["explanation"].str.contains("deg C").any()
    plain = sm.HouseModel().fit(as_set(past, scans=past.scans.assign(temperature_c=20.0)))
    assert plain.fitted.temperature is None
