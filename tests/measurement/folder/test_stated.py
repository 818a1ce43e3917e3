"""Tables from a program are read, or refused, as sheets of a folder are: dates, numbers, names of columns."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from small_house import small_tables

from specmatch.errors import TableError, UnitError
from specmatch.measurement.folder.stated import as_stated
from specmatch.reference.reference_set import ReferenceSet

SCANS = pd.DataFrame({"sample": ["a", "b"], "batch": ["A", "B"]}, index=["s1", "s2"])


def dates(*cells):
    return as_stated(SCANS.assign(measured_at=pd.Series(cells, index=SCANS.index)), "scans")["measured_at"].tolist()


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (("13.06.2025", "01.06.2025"), ["2025-06-13", "2025-06-01"]),  # the first can be read one way only
        (("6/13/2025 8:30", "6/1/2025 9:00"), ["2025-06-13T08:30:00", "2025-06-01T09:00:00"]),
        ((date(2025, 6, 13), None), ["2025-06-13", ""]),
        ((pd.Timestamp("2025-06-13"), pd.NaT), ["2025-06-13", ""]),
        (
            (pd.Timestamp("2025-06-13 08:30"), pd.Timestamp("2025-06-01")),
            ["2025-06-13T08:30:00", "2025-06-01T00:00:00"],
        ),
        ((pd.Timestamp("2025-06-13 08:30", tz="Europe/Berlin"),) * 2, ["2025-06-13T08:30:00+02:00"] * 2),
        (("2025-06-13T08:30:00+02:00", ""), ["2025-06-13T08:30:00+02:00", ""]),
    ],
)
def test_dates_of_every_form_become_iso(cells, expected):
    assert dates(*cells) == expected


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (("soon", ""), r"line 1 \('s1'\), column measured_at: 'soon' is no date"),
        (("", 45000.5), r"line 2 \('s2'\), column measured_at: '45000.5' is no date"),
        (("01.06.2025", ""), "'01.06.2025' may be 2025-01-06 or 2025-06-01; write 2024-03-12"),
        (("2025-06-01T08:00:00", "2025-06-01T08:00:00+02:00"), "with an offset"),
    ],
)
def test_what_is_no_date_or_may_be_two_is_refused(cells, said):
    with pytest.raises(TableError, match=said):
        dates(*cells)


@pytest.mark.parametrize("cells", [["10", "9,5"], ["10 mL", "9.5"], [10, 9.5], pd.array([10, 9.5], dtype="Float64")])
def test_numbers_are_read_as_sheets_read_them(cells):
    read = as_stated(SCANS.assign(fill_ml=cells), "scans")["fill_ml"]
    assert read.astype(float).tolist() == [10.0, 9.5]


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        ("temperature_c", "hot", r"line 2 \('s2'\), column temperature_c: 'hot' is not a number"),
        ("temperature_c", 500.0, "500 is outside -10 to 100"),
        ("fill_ml", -1.0, "-1 is outside 0.05 to 5000"),
        ("fill_sd_ml", np.inf, "inf is outside 0 to 1000"),
        ("cup_mm", True, "'True' is not a number"),
        ("integration_ms", pd.Timestamp("2025-06-01"), "'2025-06-01T00:00:00' is not a number"),
    ],
)
def test_what_is_no_number_or_far_off_is_refused(column, cell, said):
    with pytest.raises(TableError, match=said):
        as_stated(SCANS.assign(**{column: pd.Series([np.nan, cell], SCANS.index, dtype=None)}), "scans")


def test_columns_are_known_in_any_spelling_and_a_near_miss_is_refused():
    assert as_stated(SCANS.assign(**{"Fill ml": 10.0}), "scans").columns.tolist()[-1] == "fill_ml"
    with pytest.raises(TableError, match="has column 'fill_ml' twice, in two spellings"):
        as_stated(SCANS.assign(fill_ml=10.0, Fill_ml=9.0), "scans")
    with pytest.raises(TableError, match="has column 'batch' twice; keep"):
        as_stated(pd.concat([SCANS, SCANS[["batch"]]], axis=1), "scans")
    with pytest.raises(TableError, match="column 'temp' is not known, and is likely meant for 'temperature_c'"):
        as_stated(SCANS.assign(temp=20.0), "scans")
    with pytest.raises(TableError, match=r"column 'cup_mm' says '41.0', where line 1 \('s1'\) has '40.0'"):
        as_stated(SCANS.assign(cup="C", cup_mm=[40.0, 41.0]), "scans")
    with pytest.raises(TableError, match=r"line 2 \('s2'\), column reference_kind: 'milk' is not known; write water"):
        as_stated(SCANS.assign(reference_kind=["Wasser", "milk"]), "scans")
    own = SCANS.assign(beer="Pale", hop="x")  # what a house keeps besides
    assert as_stated(own, "scans").equals(own)


def test_a_table_without_rows_is_refused_in_words():
    spectra, scans, batches = small_tables()
    with pytest.raises(TableError, match="have no row in the scans table"):
        ReferenceSet(spectra, scans.iloc[:0], batches)


def test_pours_counted_anew_in_each_sample_bear_its_name():
    table = pd.DataFrame({"sample": list("aabb"), "pour": [1, 2, 1, 2]}, index=list("wxyz"))
    assert as_stated(table, "scans")["pour"].tolist() == ["a-1", "a-2", "b-1", "b-2"]
    assert as_stated(table.iloc[:2], "scans")["pour"].tolist() == ["1", "2"]


def test_values_of_another_kind_are_one_column_of_numbers():
    spectra, scans, batches = small_tables()
    named = {"value_name": "glucose", "value_unit": "g/L"}
    with pytest.raises(TableError, match="has columns 'colour' and 'glucose'; keep the one that counts"):
        ReferenceSet(spectra, scans, batches.assign(glucose=1.0), **named)
    for strange in (True, pd.Timestamp("2025-06-01")):
        with pytest.raises(TableError, match="expected a number"):
            ReferenceSet(spectra, scans, batches.drop(columns="colour").assign(glucose=strange), **named)


def test_a_set_is_made_of_tables_as_of_sheets():
    spectra, scans, batches = small_tables()
    refs = ReferenceSet(spectra, scans, batches)
    typed = batches.rename(columns=str.title).assign(
        Colour=batches["colour"].map("{:.9g}".format).str.replace(".", ",")
    )
    assert ReferenceSet(spectra, scans.assign(fill_ml="10 mL"), typed).hash == refs.hash
    with pytest.raises(TableError, match="column 'unit' is not known, and is likely meant for 'colour_unit'"):
        ReferenceSet(spectra, scans, batches.assign(unit="SRM"))
    with pytest.raises(TableError, match="'2025-06-01T00:00:00' is not a number"):
        ReferenceSet(spectra, scans, batches.assign(colour=pd.Timestamp("2025-06-01")))
    with pytest.raises(UnitError, match="'percent', and no value is above"):
        ReferenceSet(spectra, scans, batches, quantity="percent")
    with pytest.raises(UnitError, match="reference_kind is 'base', and the scans say 'water'"):
        ReferenceSet(spectra, scans.assign(reference_kind="water"), batches, reference_kind="base")
    with pytest.raises(UnitError, match="colour_unit is 'SRM' and value_unit 'EBC'"):
        ReferenceSet(spectra, scans, batches, colour_unit="SRM", value_unit="EBC")


def test_a_day_in_german_order_is_the_day_of_the_recipe():
    spectra, scans, batches = small_tables()
    days = [(2026, 1 + row % 3, 20 - row) for row in range(len(scans))]
    german, iso = ("{2:02d}.{1:02d}.{0}", "{0}-{1:02d}-{2:02d}")
    stepped = [
        ReferenceSet(spectra, scans.assign(measured_at=[form.format(*day) for day in days]), batches)
        .recipe_step("Beer 0", when, reason="malt")
        .batches["beer"]
        .tolist()
        for form, when in ((german, "15.02.2026"), (iso, date(2026, 2, 15)))
    ]
    assert stepped[0] == stepped[1] and "Beer 0 until 2026-02-15" in stepped[0]


@pytest.mark.parametrize(
    ("beers", "said"),
    [
        (pd.DataFrame({"valid_to": ["2020-01-01", ""]}, index=["beer 0", "Beer 1"]), "'beer 0' where the batches say"),
        (pd.DataFrame({"valid_to": ["2020-01-01"]}), "holds '0' and no beer of the batches"),
        (pd.DataFrame({"Valid_Till": ["2020-01-01"]}, index=["Beer 0"]), "'Valid_Till' is not known"),
        (pd.Series("2020-01-01", index=["Beer 0"]), "beers are a Series"),
    ],
)
def test_a_row_about_a_beer_is_never_passed_over(beers, said):
    with pytest.raises(TableError, match=said):
        ReferenceSet(*small_tables(), beers)


def test_a_table_without_rows_bears_the_known_headings():
    got = as_stated(pd.DataFrame(columns=["Batch", "Beer", "Colour"]), "batches")
    assert (got.index.name, list(got.columns)) == ("batch", ["beer", "colour"])
