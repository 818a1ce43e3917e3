"""Sets of values that are no colour: their name and unit, their axis, on disk, in the model and in what is said."""

import json

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import OptionError, TableError, UnitError
from specmatch.report import pages
from specmatch.report.text import figures_line, readings_text

NM = np.arange(1100.0, 2500.0, 10.0)


def juices(seed=0, n=8):
    """An invented near-infrared set: water bands, a sugar band, an offset of each scan; absorbance over 1/cm."""
    rng = np.random.default_rng(seed)
    water = np.exp(-(((NM - 1450) / 85) ** 2)) + 1.5 * np.exp(-(((NM - 1930) / 100) ** 2))
    sugar = np.r_[rng.normal(90.0, 9.0, n), rng.normal(160.0, 16.0, n)]
    names = [f"{kind}{seed}-{i}" for kind in ("Pear", "Grape") for i in range(n)]
    A = np.outer(rng.normal(1.0, 0.01, 2 * n), water) + np.outer(sugar, 0.004 * np.exp(-(((NM - 2100) / 65) ** 2)))
    A += rng.normal(0.0, 0.02, (2 * n, 1)) + rng.normal(0.0, 5e-4, A.shape)
    spectra = pd.DataFrame(A, index=names, columns=1e7 / NM)
    scans = pd.DataFrame({"sample": names, "batch": names}, index=names)
    batches = pd.DataFrame({"beer": [name.split(str(seed))[0] for name in names], "sugar": sugar.round(1)}, index=names)
    return spectra, scans, batches


def made(**changed):
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_name": "sugar", "value_unit": "g/L"}
    return sm.ReferenceSet(*juices(), **(stated | changed))


@pytest.fixture(scope="module")
def refs():
    return made()


@pytest.fixture(scope="module")
def model(refs):
    return sm.HouseModel().fit(refs)


def test_name_and_unit_are_kept_on_disk_and_through_changes(refs, tmp_path):
    assert repr(refs).endswith("1100-2490 nm, g/L>")
    refs.save(tmp_path / "juices")
    kept = json.loads((tmp_path / "juices" / "datapackage.json").read_text(encoding="utf-8"))
    assert kept["specmatch"]["value_name"] == "sugar" and kept["specmatch"]["colour_unit"] == "g/L"
    again = sm.ReferenceSet.load(tmp_path / "juices")
    assert (again.value_name, again.colour_unit, again.hash) == ("sugar", "g/L", refs.hash)
    fewer = again.drop("Pear0-0", reason="spilt")
    assert (fewer.value_name, fewer.colour_unit) == ("sugar", "g/L")


def test_a_set_of_colours_is_written_as_before(tmp_path):
    spectra, scans, batches = juices()
    spectra = spectra.set_axis(np.linspace(430.0, 680.0, NM.size), axis=1)
    sm.ReferenceSet(spectra, scans, batches.rename(columns={"sugar": "colour"})).save(tmp_path / "beers")
    kept = json.loads((tmp_path / "beers" / "datapackage.json").read_text(encoding="utf-8"))
    assert "value_name" not in kept["specmatch"] and kept["specmatch"]["colour_unit"] == "EBC"


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"value_unit": None}, "no unit"),
        ({"value_unit": "EBC"}, "units of a beer's colour"),
        ({"value_name": "colour"}, "expected EBC or SRM"),
        ({"x_unit": None}, "is no wavelength between 200 and 1200 nm"),
    ],
)
def test_what_is_not_stated_is_refused(changed, match):
    with pytest.raises(UnitError, match=match):
        made(**changed)


def test_units_are_not_converted_and_a_value_is_a_number():
    spectra, scans, batches = juices()
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_name": "sugar", "value_unit": "g/L"}
    with pytest.raises(UnitError, match="has the unit 'mg/L', the set 'g/L'"):
        sm.ReferenceSet(spectra, scans, batches.assign(colour_unit="mg/L"), **stated)
    with pytest.raises(TableError, match=r"has the value 'inf'; expected a number$"):
        sm.ReferenceSet(spectra, scans, batches.assign(sugar=np.inf), **stated)


def departures():
    """The juices by how far their sugar departs from 125 g/L: one is 0 and half are below."""
    spectra, scans, batches = juices()
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_name": "departure", "value_unit": "g/L"}
    batches["departure"] = batches.pop("sugar") - 125.0
    batches.loc[batches.index[0], "departure"] = 0.0
    spectra.iloc[0] += (125.0 - juices()[2]["sugar"].iloc[0]) * 0.004 * np.exp(-(((NM - 2100) / 65) ** 2))
    return sm.ReferenceSet(spectra, scans, batches, **stated)


@pytest.mark.whole
def test_values_of_zero_and_below_are_values(tmp_path):
    refs = departures()
    assert not {"colour_gap", "lab_value"} & set(refs.audit()["code"])
    model = sm.HouseModel().fit(refs)
    model.save(tmp_path / "departure.model")
    again = sm.HouseModel.load(tmp_path / "departure.model")
    new_spectra, new_scans, new = juices(seed=1, n=4)
    new_spectra = (10.0**-new_spectra).set_axis([f"{x} 1/cm" for x in new_spectra.columns], axis=1)
    readings = again.read(new_spectra, scans=new_scans)
    assert (readings["colour"] + 125.0 - new["sugar"]).abs().max() < 3.0
    assert (readings["colour"] < 0).any() and not readings["warnings"].map(lambda one: "colour_unknown" in one).any()
    assert (readings["colour_low"] < readings["colour"]).all() and (readings["colour"] < readings["colour_high"]).all()
    with pytest.raises(OptionError, match="a budget of uncertainty counts errors as parts of a value"):
        again.budget()
    assert refs.set_colour("Pear0-1", -3.0, reason="measured again").batches.loc["Pear0-1", "colour"] == -3.0


@pytest.mark.whole
def test_errors_of_values_below_zero_are_told_in_their_unit():
    refs = departures()
    found = sm.evaluate(sm.HouseModel(), refs, n_folds=2)
    assert np.isnan(found.figures["relative_error"]) and found.figures["rmsep"] < 3.0 and found.budget is None
    assert f"departure within {found.figures['rmsep']:.3g} of" in figures_line(found.figures)
    page = pages.set_page(refs, evaluation=found)
    assert sm.learning_curve(refs, more=(5,))["colour_error"].isna().all()
    assert "; departure in g/L;" in page and "How good is the departure?" in page


def test_it_is_audited_fitted_read_and_stated_by_its_name(refs, model, tmp_path):
    assert not {"unit_doubtful", "lab_value"} & set(refs.audit()["code"])
    spectra, scans, batches = juices(seed=1, n=4)
    new = (10.0**-spectra).set_axis([f"{x} 1/cm" for x in spectra.columns], axis=1)
    readings = model.read(new, scans=scans)
    assert (readings["colour"] / batches["sugar"] - 1.0).abs().max() < 0.05
    assert set(readings["colour_unit"]) == {"g/L"}
    assert (readings["nearest_beer"] == batches["beer"]).all()
    assert "sugar, g/L" in readings_text(readings) and "colour, " not in readings_text(readings)
    model.save(tmp_path / "juice.model")
    again = sm.HouseModel.load(tmp_path / "juice.model")
    pd.testing.assert_frame_equal(again.read(new, scans=scans), readings)


@pytest.mark.whole
def test_its_figures_bear_its_name(refs):
    figures = sm.evaluate(sm.HouseModel(), refs, n_folds=2).figures
    assert figures["value_name"] == "sugar" and "sugar within" in figures_line(figures)


def test_another_name_of_the_same_numbers_is_another_set(refs):
    spectra, scans, batches = juices()
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_unit": "g/L"}
    other = sm.ReferenceSet(spectra, scans, batches.rename(columns={"sugar": "acid"}), value_name="acid", **stated)
    assert other.hash != refs.hash


def test_an_audit_speaks_of_the_value_by_its_name():
    spectra, scans, batches = juices(n=12)
    of_lab = np.where(np.arange(len(batches)) % 2, "North", "South")
    batches["sugar"] *= np.where(of_lab == "North", 1.08, 1.0)
    batches = batches.assign(lab=of_lab)
    batches.loc[["Pear0-3", "Grape0-4"], "sugar"] = [150.0, np.nan]
    batches.loc["Grape0-7", "sugar"] = 900.0
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_name": "sugar", "value_unit": "g/L"}
    found = sm.ReferenceSet(spectra, scans, batches, **stated).audit()
    assert {"lab_value", "missing_lab", "colour_gap", "lab_bias"} <= set(found["code"])
    said = " ".join([*found["sentence"], *found["action"]])
    assert "colour" not in said
    for words in (
        "of sugar",
        "has no lab sugar",
        "values of sugar in between",
        "lab values of sugar by",
        "sugar blank",
    ):
        assert words in said, words


def test_small_and_large_values_keep_their_digits():
    spectra, scans, batches = juices()
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_name": "iron", "value_unit": "g/L"}
    small = sm.ReferenceSet(
        spectra, scans, batches.assign(iron=batches["sugar"] * 1e-5).drop(columns="sugar"), **stated
    )
    read = sm.HouseModel().fit(small).read((10.0 ** -spectra.iloc[:1]).set_axis(NM, axis=1))
    told = readings_text(read)
    assert f"{read['colour'].iloc[0]:.4g} ({read['colour_low'].iloc[0]:.4g} to " in told and "0.0 (" not in told
    page = pages.set_page(small, why_not="not asked")
    assert f"{small.batches['colour'].min():.4g}" in page and "0.0 ±" not in page
