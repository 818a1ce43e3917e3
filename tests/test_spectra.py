"""The gate for spectra: what is converted, what is refused, and that the input is left alone."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specmatch.errors import OptionError, TableError, UnitError, WavelengthMismatchError
from specmatch.spectra import check_spectra, match_wavelengths, spectra_table, text_ids, wavelengths_from

GRID = [430.0, 440.0, 450.0]


def table(values=None, columns=None, index=None):
    values = [[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]] if values is None else values
    return pd.DataFrame(values, index=index or ["a", "b"], columns=GRID if columns is None else columns)


def test_columns_in_any_order_come_back_ascending_with_their_values():
    got = check_spectra(table()[[450.0, 430.0, 440.0]])
    assert got.wavelength_nm.tolist() == GRID
    assert got.values.tolist() == [[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]]


@pytest.mark.parametrize("columns", [["430", "440.0", "450"], ["430 nm", "440nm", " 450 "], [430, 440, 450]])
def test_headings_as_text_or_whole_numbers_are_wavelengths(columns):
    assert check_spectra(table(columns=columns)).wavelength_nm.tolist() == GRID


def test_percent_absorbance_and_wavenumbers_are_converted_when_told():
    assert np.allclose(check_spectra(table() * 100, quantity="percent").values, table().to_numpy())
    assert np.allclose(check_spectra(-np.log10(table()), quantity="absorbance").values, table().to_numpy())
    in_cm = check_spectra(table(columns=[1e7 / x for x in GRID]), x_unit="1/cm")
    assert np.allclose(in_cm.wavelength_nm, GRID)
    assert np.allclose(check_spectra(table(columns=[x / 1000 for x in GRID]), x_unit="um").wavelength_nm, GRID)


def test_a_series_is_one_spectrum_named_by_its_name():
    got = check_spectra(pd.Series([0.3, 0.1], index=[450, 430], name=17))
    assert got.scan_ids.tolist() == ["17"]
    assert got.values.tolist() == [[0.1, 0.3]]


def test_scan_ids_may_stand_in_a_column_as_in_the_scans_table():
    table = pd.DataFrame([[0.1, 0.2], [0.3, 0.4]], index=pd.Index(["a", "b"], name="scan_id"), columns=[450.0, 460.0])
    found = check_spectra(table.reset_index())
    assert found.scan_ids.tolist() == ["a", "b"] and found.values.tolist() == table.to_numpy().tolist()


def test_a_letter_and_its_accent_are_the_same_name_written_as_one_or_as_two():
    assert text_ids(pd.Index(["Ko\u0308lsch"]), "beer").tolist() == ["K\u00f6lsch"]


def test_the_input_is_never_written_to():
    given_table = table()[[450.0, 430.0, 440.0]]
    before = given_table.copy(deep=True)
    got = check_spectra(given_table)
    got.values[:] = -1
    pd.testing.assert_frame_equal(given_table, before)


def test_dead_channels_pass_but_percent_does_not():
    values = np.full((1, 9), 0.2)
    values[0, :2] = [-40.0, 900.0]
    got = check_spectra(pd.DataFrame(values, index=["dead"], columns=np.arange(400.0, 490.0, 10)))
    assert got.values[0, 1] == 900.0
    with pytest.raises(UnitError, match="'a' has a median of 20; .*quantity='percent'"):
        check_spectra(table() * 100)


@pytest.mark.parametrize(
    ("bad", "error", "words"),
    [
        (table(index=["a", "a"]), TableError, "'a' stands more than once"),
        (table(columns=[430.0, 430.0, 450.0]), TableError, "430 nm stands twice"),
        (table(columns=["430", "batch", "450"]), TableError, "column 'batch' is no wavelength"),
        (table(columns=[43.0, 44.0, 45.0]), UnitError, "no wavelength between 200 and 1200"),
        (table(values=[[0.1, "OVER", 0.3], [0.1, 0.2, 0.3]]), TableError, "scan 'a' holds 'OVER' at column 440"),
        (table(values=[[0.1, 0.2, 0.3], [0.1, np.inf, 0.3]]), TableError, "scan 'b' is infinite at 440 nm"),
        (table(values=[[np.nan] * 3, [0.1, 0.2, 0.3]]), TableError, "scan 'a' has no value at all"),
        (table().iloc[:0], TableError, "0 scans"),
        (table() > 0.2, TableError, "holds bool values such as"),
        (table() * 1j, TableError, "holds complex128 values"),
        ([[0.1, 0.2]], TableError, "spectra are a list"),
    ],
)
def test_bad_tables_are_refused_by_name(bad, error, words):
    with pytest.raises(error, match=words):
        check_spectra(bad)


def test_unknown_options_name_the_choices():
    with pytest.raises(OptionError, match="expected one of reflectance, percent, absorbance"):
        check_spectra(table(), quantity="counts")
    with pytest.raises(OptionError, match="expected one of nm, um, 1/cm"):
        check_spectra(table(), x_unit="eV")


def test_a_narrower_or_coarser_scan_is_refused_with_both_ranges():
    spectra = check_spectra(table())
    with pytest.raises(
        WavelengthMismatchError, match="'a' reaches from 430.0 to 450.0 nm, the model needs 420.0-450.0"
    ):
        match_wavelengths(spectra, np.array([420.0, 450.0]))
    coarse = check_spectra(table(columns=[430.0, 440.0, 500.0]))
    with pytest.raises(WavelengthMismatchError, match="step of 60.0 nm"):
        match_wavelengths(coarse, np.array([435.0, 470.0]))


def test_a_missing_channel_stays_missing_and_spoils_only_itself():
    spectra = check_spectra(table(values=[[0.1, np.nan, 0.3], [0.4, 0.5, 0.6]]))
    got = match_wavelengths(spectra, np.array([430.0, 440.0, 445.0, 450.0]))
    assert np.isnan(got[0]).tolist() == [False, True, True, False]
    assert got[0, [0, 3]].tolist() == [0.1, 0.3]


def test_the_table_form_round_trips():
    expected = table().rename_axis(index="scan_id", columns="wavelength_nm")
    pd.testing.assert_frame_equal(spectra_table(check_spectra(table())), expected, check_index_type=False)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(400, 700), min_size=5, max_size=40, unique=True), st.data())
def test_resampling_equals_numpy_interp_in_either_direction(x, data):
    x = np.unique(np.round(x, 3))
    if x.size < 5 or np.diff(x).max() > 20:
        return
    y = np.sin(x / 50)
    wanted = np.linspace(x[0], x[-1], data.draw(st.integers(2, 30)))
    up = match_wavelengths(check_spectra(pd.DataFrame([y], columns=x)), wanted)[0]
    down = match_wavelengths(check_spectra(pd.DataFrame([y[::-1]], columns=x[::-1])), wanted)[0]
    # wavelengths closer than 1e-6 nm count as equal, hence 1e-7 in a curve with a slope of 1/50 a nm
    assert np.allclose(up, np.interp(wanted, x, y), atol=1e-7, rtol=0)
    assert np.array_equal(up, down)


@pytest.mark.parametrize(
    ("given", "ids"), [(pd.Index([7, 8]), ["7", "8"]), (pd.Series([" B-1", "B-2 "], dtype=object), ["B-1", "B-2"])]
)
def test_identifiers_become_text_without_outer_blanks(given, ids):
    got = text_ids(given, "batch")
    assert got.tolist() == ids and got.name == "batch" and got.dtype == object


def test_identifiers_that_a_reader_made_numbers_of_are_refused():
    with pytest.raises(TableError, match="batch holds float64 values such as 7.0; identifiers are text"):
        text_ids(pd.Index([7.0, 8.0]), "batch")


@pytest.mark.parametrize(
    ("headings", "unit"), [([400.0, 500.0], "nm"), (["400", "500"], "nm"), ([0.4, 0.5], "um"), ([25000, 20000], "1/cm")]
)
def test_headings_come_to_nanometres_in_the_order_given(headings, unit):
    assert wavelengths_from(pd.Index(headings), x_unit=unit) == pytest.approx([400.0, 500.0])


def test_text_with_empty_cells_and_units_of_every_form_is_read():
    text = pd.DataFrame([["0.5", " "], ["0.4", "0.3"]], index=["a", "b"], columns=["22222.2 cm⁻¹", "20000 cm⁻¹"])
    got = check_spectra(text)
    assert got.wavelength_nm.round(1).tolist() == [450.0, 500.0] and np.isnan(got.values[0, 1])
    assert check_spectra(text.set_axis([22222.2, 20000.0], axis=1), x_unit="cm-1").wavelength_nm[1] == 500.0
    with pytest.raises(TableError, match="expected a number; read commas with decimal=','"):
        check_spectra(text.replace("0.5", "0,5"))
