"""Sets of values that are no colour: their name and unit, their axis, on disk, in the model and in what is said."""

import json

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.errors import TableError, UnitError
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


def test_units_are_not_converted_and_values_are_above_zero():
    spectra, scans, batches = juices()
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_name": "sugar", "value_unit": "g/L"}
    with pytest.raises(UnitError, match="has the unit 'mg/L', the set 'g/L'"):
        sm.ReferenceSet(spectra, scans, batches.assign(colour_unit="mg/L"), **stated)
    with pytest.raises(TableError, match=r"has the value '0.0'.*ColourRegressor\(regression=None\) takes any"):
        sm.ReferenceSet(spectra, scans, batches.assign(sugar=0.0), **stated)


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
    figures = sm.evaluate(sm.HouseModel(), refs, n_folds=2).figures
    assert figures["value_name"] == "sugar" and "sugar within" in figures_line(figures)


def test_another_name_of_the_same_numbers_is_another_set(refs):
    spectra, scans, batches = juices()
    stated = {"x_unit": "1/cm", "quantity": "absorbance", "value_unit": "g/L"}
    other = sm.ReferenceSet(spectra, scans, batches.rename(columns={"sugar": "acid"}), value_name="acid", **stated)
    assert other.hash != refs.hash
