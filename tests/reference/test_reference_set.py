"""The reference set in memory: what it takes, what it refuses, what it hands out."""

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables

from specmatch.errors import OptionError, ParentsError, ReferenceSetError, TableError, UnitError
from specmatch.reference.build import share_of_single_pours
from specmatch.reference.disk.encoding import decode_table, encode_table, slug
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.alignment import check_band, check_beers, type_of, unit_of


def test_tables_come_back_aligned_and_in_the_order_given():
    spectra, scans, batches = small_tables()
    refs = ReferenceSet(spectra, scans.iloc[::-1], batches)
    assert list(refs.spectra.index) == list(refs.scans.index) == list(spectra.index)
    assert refs.spectra.index.name == "scan_id" and refs.batches.index.name == "batch"
    assert refs.scans["fill_ml"].dtype == np.float64
    assert list(refs.batches.index) == list(batches.index)


def test_inputs_are_not_written_to_and_the_set_cannot_be_changed_from_outside():
    spectra, scans, batches = small_tables()
    before = spectra.copy(), scans.copy(), batches.copy()
    refs = ReferenceSet(spectra, scans, batches)
    first = refs.hash
    handed = refs.batches
    handed.loc[handed.index[0], "beer"] = "Other"
    for given, kept in zip((spectra, scans, batches), before, strict=True):
        pd.testing.assert_frame_equal(given, kept)
    assert refs.batches["beer"].iloc[0] == "Beer 0"
    assert not refs.spectra.to_numpy().flags.writeable
    assert refs.hash == first == ReferenceSet(*before).hash


def test_hash_tells_content_not_name():
    spectra, scans, batches = small_tables()
    one = ReferenceSet(spectra, scans, batches, name="a")
    assert one.hash == ReferenceSet(spectra[spectra.columns[::-1]], scans, batches, name="b").hash
    other = spectra.copy()
    other.iloc[0, 0] = np.nextafter(other.iloc[0, 0], 1.0)
    assert one.hash != ReferenceSet(other, scans, batches).hash
    assert one.hash != ReferenceSet(spectra, scans, batches, colour_unit="SRM").hash


def test_colours_are_brought_to_the_unit_of_the_set():
    spectra, scans, batches = small_tables()
    batches["colour_unit"] = "EBC"
    refs = ReferenceSet(spectra, scans, batches, colour_unit="SRM")
    # EBC/SRM = 25/12.7: both scales are multiples of the same absorbance (ASBC Beer-10A, Analytica-EBC 9.6)
    assert np.allclose(refs.batches["colour"], batches["colour"] * 12.7 / 25, rtol=1e-12)
    assert set(refs.batches["colour_unit"]) == {"SRM"}


def test_columns_of_the_sheets_are_text_but_for_numbers():
    spectra, scans, batches = small_tables()
    # a certificate is named by twelve digits of its hash, which may all be numerals
    refs = ReferenceSet(spectra, scans.assign(certificate=123456789012, lamp=7, temperature_c="20"), batches)
    assert refs.scans.iloc[0][["certificate", "lamp", "temperature_c"]].tolist() == ["123456789012", "7", 20.0]


def test_identifiers_stay_text():
    spectra, scans, batches = small_tables(n_beers=1, n_batches=2, n_pours=2)
    names = {"0000": "1E5", "0001": "100000"}
    scans["batch"] = scans["batch"].map(names)
    refs = ReferenceSet(spectra, scans, batches.rename(index=names))
    assert list(refs.batches.index) == ["1E5", "100000"]


def test_rows_without_a_spectrum_are_listed_not_lost(caplog):
    spectra, scans, batches = small_tables()
    fewer = spectra.iloc[2:]
    refs = ReferenceSet(fewer, scans, batches)
    assert refs.left_out["name"].tolist() == [*spectra.index[:2], "0000"]
    assert set(refs.left_out["reason"]) == {"has no spectrum", "has no scan"}
    assert "0000" in caplog.text


def test_few_batches_may_be_a_set_but_none_may_not():
    spectra, scans, batches = small_tables(n_beers=1, n_batches=1, n_pours=1)
    assert len(ReferenceSet(spectra, scans, batches).batches) == 1
    with pytest.raises(ReferenceSetError, match="the set is empty"):
        ReferenceSet(spectra.iloc[:0], scans.iloc[:0], batches.iloc[:0])


def test_bad_tables_are_refused_by_name():
    spectra, scans, batches = small_tables()
    with pytest.raises(ReferenceSetError, match=r"the first '0000' \(scan '0000-0.csv'\)"):
        ReferenceSet(spectra, scans, batches.iloc[1:])
    twice = scans.copy()
    twice.loc["0001-0.csv", "sample"] = "0000-s"
    with pytest.raises(ParentsError, match="sample '0000-s' stands under"):
        ReferenceSet(spectra, twice, batches)
    with pytest.raises(UnitError, match="expected EBC or SRM"):
        ReferenceSet(spectra, scans, batches, colour_unit="Lovibond")
    with pytest.raises(ReferenceSetError, match="the lower edge first"):
        ReferenceSet(spectra, scans, batches, band_nm=(700.0, 430.0))
    with pytest.raises(ReferenceSetError, match="expected two wavelengths"):
        ReferenceSet(spectra, scans, batches, band_nm=(430.0,))
    with pytest.raises(TableError, match=r"line 1 \('0000-0.csv'\), column fill_ml: 'ten' is not a number"):
        ReferenceSet(spectra, scans.assign(fill_ml="ten"), batches)
    with pytest.raises(TableError, match="which a spreadsheet runs"):
        ReferenceSet(spectra, scans, batches.assign(**{"=1+1": 0}))
    with pytest.raises(TableError, match="scans are a list"):
        ReferenceSet(spectra, [1], batches)
    beers = pd.DataFrame({"recipe": ["a", "b"]}, index=["Beer 0", "Beer 0"])
    with pytest.raises(TableError, match="'Beer 0' stands twice"):
        ReferenceSet(spectra, scans, batches, beers)


def test_reference_kind_is_taken_from_the_scans_where_they_agree():
    spectra, scans, batches = small_tables()
    assert ReferenceSet(spectra, scans.assign(reference_kind="water"), batches).reference_kind == "water"
    mixed = scans.assign(reference_kind=["water", "base"] * (len(scans) // 2))
    assert ReferenceSet(spectra, mixed, batches).reference_kind is None


def test_a_band_has_two_edges_the_lower_one_first():
    assert check_band([430, 700]) == (430.0, 700.0) and check_band(None) is None
    with pytest.raises(ReferenceSetError, match="the band is 700-430 nm; expected the lower edge first"):
        check_band((700, 430))
    with pytest.raises(ReferenceSetError, match="expected two wavelengths in nm"):
        check_band((430, 500, 700))


def test_each_beer_stands_once_in_the_table_of_beers():
    table = pd.DataFrame({"beer": [" Pale", "Amber"], "recipe": ["R1", "R2"]})
    assert check_beers(table)["recipe"].to_dict() == {"Pale": "R1", "Amber": "R2"} and check_beers(None) is None
    with pytest.raises(TableError, match="beer 'Pale' stands twice"):
        check_beers(pd.DataFrame({"beer": ["Pale", "Pale "], "recipe": ["R1", "R2"]}))


def test_the_unit_of_a_set_may_be_said_by_its_column():
    assert unit_of(None, pd.DataFrame({"colour_unit": ["srm", "srm"]}), "sets/house") == "SRM"


def test_single_pours_are_counted_by_samples():
    scans = pd.DataFrame({"sample": ["a", "b", "b", "c", "c"], "pour": ["1", "2", "3", "4", "4"]})
    assert share_of_single_pours(scans) == pytest.approx(2 / 3)  # a, and c of one pour scanned twice


@pytest.mark.parametrize(
    ("column", "kind"),
    [
        (pd.Series([1.5]), "number"),
        (pd.Series([1]), "integer"),
        (pd.Series([True]), "boolean"),
        (pd.Series(["x"], dtype=object), "string"),
    ],
)
def test_types_of_columns(column, kind):
    assert type_of(column) == kind


@pytest.mark.parametrize(
    ("name", "told"), [("House set, 2026", "house-set-2026"), ("--", "reference-set"), ("Weißbier", "wei-bier")]
)
def test_names_of_packages_keep_to_the_letters_allowed(name, told):
    assert slug(name) == told


def test_a_table_comes_back_from_csv_and_no_cell_is_a_formula():
    table = pd.DataFrame({"colour": [0.1, np.nan]}, index=pd.Index(["007", "=b"], name="batch", dtype=object))
    data = encode_table(table)
    assert data.decode().splitlines() == ["batch,colour", "007,0.1", "'=b,"]
    fields = [{"name": "batch", "type": "string"}, {"name": "colour", "type": "number"}]
    back = decode_table(data, fields, source="batches.csv")
    assert back.index.tolist() == ["007", "=b"] and back.index.name == "batch"
    assert back["colour"].iloc[0] == 0.1 and np.isnan(back["colour"].iloc[1])


def test_scans_that_extend_leaves_out_are_said(caplog):
    spectra, scans, batches = small_tables()
    old = scans["batch"] < "0020"
    refs = ReferenceSet(spectra[old], scans[old], batches[batches.index < "0020"])
    with caplog.at_level("WARNING"):
        grown = refs.extend(spectra[~old], scans[~old], batches.iloc[6:8], reason="more")
    assert len(grown.batches) == 8 and grown.left_out["name"].tolist() == ["0022-0.csv", "0022-1.csv"]
    assert "'0022-1.csv' left out: batch '0022' has no row with a beer in a batches table" in caplog.text
    with pytest.raises(ReferenceSetError, match="left out is 6 scans, the first as batch '0020' has no row"):
        refs.extend(spectra[~old], scans[~old], reason="more")


def test_sets_of_two_values_are_not_merged():
    tables = small_tables()
    one, other = (ReferenceSet(*tables, value_name=name, value_unit="g/L") for name in ("glucose", "ethanol"))
    with pytest.raises(UnitError, match="holds glucose, g/L and 'house' holds ethanol, g/L"):
        one.merge(other, reason="together")


def test_edits_take_days_numbers_and_names_as_programs_have_them():
    refs = ReferenceSet(*small_tables())
    assert refs.drop("0000", reason="r", when=pd.Timestamp("2026-01-31")).history[-1]["when"] == "2026-01-31"
    assert refs.select(beers="Beer 1").batches["beer"].unique().tolist() == ["Beer 1"]
    assert len(refs.select(batch=["0000", "0010"]).batches) == 2
    with pytest.raises(ReferenceSetError, match="beer 'Beer one' is not in the set"):
        refs.select(beers=["Beer 1", "Beer one"])
    for blank in (np.nan, pd.NA, None):
        with pytest.raises(OptionError, match="the new beer is blank"):
            refs.relabel("0000", blank, reason="r")
        with pytest.raises(OptionError, match="give another name"):
            refs.rename_beer("Beer 1", blank, reason="r")
    for wrong in ("x", True, None):
        with pytest.raises(OptionError, match="the colour is .*; expected a number, or NaN for none"):
            refs.set_colour("0000", wrong, reason="r")
    with pytest.raises(OptionError, match="the colour_sd is 'x'"):
        refs.set_colour("0000", 5.0, reason="r", colour_sd="x")
    with pytest.raises(OptionError, match="no batch is named"):
        refs.drop([], reason="r")
    with pytest.raises(OptionError, match="needs a reason"):
        refs.drop("0000", reason=None)
