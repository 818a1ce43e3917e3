"""Delimited text of every ordinary kind: read right, or refused with the reason and the way out."""

import numpy as np
import pytest

from specmatch.errors import AmbiguousScanFileError, OptionError, ScanFileError, UnitError
from specmatch.measurement.readers.cells import (
    NumberMarks,
    candidate_separators,
    is_data_line,
    is_value,
    looks_numeric,
    names_over_units,
    parse_number,
    possible_marks,
    read_meta,
    split_line,
    token_kind,
)
from specmatch.measurement.readers.files import read_scans, scans_from_bytes
from specmatch.measurement.readers.jcamp_dx import is_jcamp, is_packed
from specmatch.measurement.readers.row_layout import wavelength_header
from specmatch.measurement.readers.scan import _declared_points, cells_to_numbers, decimals_of
from specmatch.measurement.readers.units import (
    Label,
    names_wavelength,
    read_label,
    settle_scale,
    stated_x_unit,
    to_nanometres,
)

X = [410.0, 460.0, 510.0, 560.0, 610.0, 660.0]
R = [0.071, 0.152, 0.334, 0.478, 0.592, 0.641]


def read(tmp_path, text, encoding="utf-8", name="scan.txt", **told):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return read_scans(path, **told)


def rows(separator=";", decimal=".", header="wavelength;reflectance", x=X, y=R, digits=3):
    header = header.replace(";", separator)
    return "\n".join(
        [header, *(f"{a:.1f}{separator}{b:.{digits}f}".replace(".", decimal) for a, b in zip(x, y, strict=True)), ""]
    )


def check(scan, x=X, y=R):
    assert scan.wavelength_nm.tolist() == pytest.approx(x, abs=1e-9)
    assert scan.values.tolist() == pytest.approx(y, abs=1e-12)
    assert scan.values.dtype == np.float64 and not scan.values.flags.writeable


@pytest.mark.parametrize("separator", [";", ",", "\t", " ", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_separators_and_decimal_marks(tmp_path, separator, decimal):
    if separator == decimal:
        return
    [scan] = read(tmp_path, rows(separator, decimal))
    check(scan)
    assert f"decimal {decimal!r}" in scan.notes


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)  # fmt: skip
def test_encodings(tmp_path, encoding):
    text = "beer: Altes Märzen\nintegration: 80 \u00b5s\ntemperature: 19 \u00b0C\n" + rows()
    [scan] = read(tmp_path, text, encoding)
    check(scan)
    assert scan.meta["beer"] == "Altes Märzen" and scan.meta["temperature"] == "19 \u00b0C"
    if encoding != "utf-8":
        assert any(note.startswith("text encoding") for note in scan.notes)


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r", "\n\n"])
def test_line_ends_and_blank_lines(tmp_path, newline):
    check(*read(tmp_path, rows().replace("\n", newline)))


def test_header_and_footer_of_any_length(tmp_path):
    head = "".join(f"# line {k}: value {k},5\n" for k in range(30))
    [scan] = read(tmp_path, head + rows() + "end of scan\nchecked: yes\n")
    check(scan)
    assert scan.meta["line 7"] == "value 7,5" and scan.meta["checked"] == "yes"


def test_units_in_a_line_of_their_own(tmp_path):
    text = rows(header="wavelength;R\nnm;%", y=[100 * v for v in R], digits=1)
    [scan] = read(tmp_path, text)
    check(scan)
    assert scan.quantity == "reflectance" and "percent, as stated: divided by 100" in scan.notes


@pytest.mark.parametrize("last", ["0.3", "---"], ids=["plain", "a value missing"])
@pytest.mark.parametrize(
    ("header", "title", "quantity", "meta"),
    [
        ("Wavelength;Absorbance\nnm;a.u.", "Absorbance", "absorbance", {}),
        ("Golflengte;Reflectantie\nnm;-", "Reflectantie", "reflectance", {}),
        ("dark_corrected;yes\nnm;counts", "counts", "counts", {"dark_corrected": "yes"}),
        ("dark_corrected;yes\nWavelength;Counts\nnm;-", "Counts", "counts", {"dark_corrected": "yes"}),
        ("sample;Amber\nnm;%", "%", "reflectance", {"sample": "Amber"}),
    ],
)
def test_names_over_units_are_told_from_a_header_line_over_names(tmp_path, header, title, quantity, meta, last):
    """A lost `dark_corrected` would subtract the dark twice, lost names leave the quantity unknown."""
    [scan] = read(tmp_path, f"{header}\n400;0.5\n410;0.4\n420;0.2\n430;{last}\n")
    assert (scan.quantity, dict(scan.meta)) == (quantity, {**meta, "column": title})


@pytest.mark.parametrize(
    "text", ["420,1,15\n470,1,27\n520,2,08\n", "wavelength,counts\n420,1,15\n470,1,27\n520,2,08\n"]
)
def test_comma_that_parts_and_marks(tmp_path, text):
    with pytest.raises(AmbiguousScanFileError, match=r"420 \| 1,15 or 420,1 \| 15; .*separator=','"):
        read(tmp_path, text)
    scans = read(tmp_path, text, separator=",", decimal=".")
    assert [scan.values.tolist() for scan in scans] == [[1, 1, 2], [15, 27, 8]]


@pytest.mark.parametrize(
    "text", ["wl\tcounts\n410\t1.234\n460\t2.345\n510\t3.456\n", "wl\tcounts\n410\t1,234\n460\t987\n510\t2,345\n"]
)
def test_lone_groups_of_three_are_ambiguous(tmp_path, text):
    with pytest.raises(AmbiguousScanFileError, match="decimal=.*thousands="):
        read(tmp_path, text)
    mark = "." if "." in text else ","
    [small] = read(tmp_path, text, decimal=mark, thousands="")
    [large] = read(tmp_path, text, decimal="," if mark == "." else ".", thousands=mark)
    assert large.values[0] == 1234 and small.values[0] == 1.234


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["812", "1.204", "17.305,4", "44.001,0", "60.120"], [812, 1204, 17305.4, 44001, 60120]),
        (["812", "1,204", "17,305.4", "44,001.0", "60,120"], [812, 1204, 17305.4, 44001, 60120]),
        (["1 204,5", "17 305,4", "812,0", "44 001,0", "60 120,0"], [1204.5, 17305.4, 812, 44001, 60120]),
        (["1'204", "17'305", "812", "44'001", "60'120"], [1204, 17305, 812, 44001, 60120]),
        (["1.204.000", "812", "2.000.001", "3", "4"], [1204000, 812, 2000001, 3, 4]),
    ],
)
def test_thousands_where_they_are_certain(tmp_path, cells, values):
    text = "wavelength\tcounts\n" + "".join(f"{x:.0f}\t{cell}\n" for x, cell in zip(X, cells, strict=False))
    [scan] = read(tmp_path, text)
    assert scan.values.tolist() == values and any("thousands" in note for note in scan.notes)


def test_a_mark_that_one_number_does_not_share(tmp_path):
    with pytest.raises(ScanFileError, match=r"line 4: '0,334' does not fit the marks"):
        read(tmp_path, rows().replace("0.334", "0,334"))


@pytest.mark.parametrize("order", [1, -1])
def test_order_and_duplicates(tmp_path, order):
    x, y = [410, 410, 460, 510, 510], [0.2, 0.4, 0.5, 0.6, 0.7]
    [scan] = read(tmp_path, rows(x=x[::order], y=y[::order]))
    check(scan, [410, 460, 510], [0.3, 0.5, 0.65])
    assert "2 points at 410 nm merged into their mean" in scan.notes
    assert any("descending" in note for note in scan.notes) == (order < 0)


def test_wavelengths_that_go_up_and_down(tmp_path):
    with pytest.raises(ScanFileError, match=r"line 4: wavelengths go up and down \(560 then 510\)"):
        read(tmp_path, rows(x=[410, 560, 510, 610, 660, 670]))


def test_tokens_stand_for_missing_values_and_keep_their_place(tmp_path):
    cells = ["640", "OVRFLW", "-", "n/a", ">65535", "#N/A", "nan", "1.#QNAN", "+Inf", "", "???", "30210"]
    cells[10] = "?"
    text = "wavelength;counts\n" + "".join(f"{400 + 20 * k};{cell}\n" for k, cell in enumerate(cells))
    [scan] = read(tmp_path, text)
    assert np.flatnonzero(scan.missing).tolist() == list(range(1, 11))
    assert np.flatnonzero(scan.saturated).tolist() == [1, 4, 8]
    assert np.isnan(scan.values[1:11]).all() and scan.values[[0, 11]].tolist() == [640, 30210]
    assert "10 value(s) missing, 3 of them over the range" in scan.notes


def test_percent_and_fraction(tmp_path):
    [fraction] = read(tmp_path, rows(header="wavelength;reflectance"))
    [percent] = read(tmp_path, rows(header="wavelength;reflectance", y=[100 * v for v in R], digits=1))
    check(percent)
    check(fraction)
    assert any("fraction assumed" in note for note in fraction.notes)
    dark = rows(header="wavelength;reflectance", y=[0.52, 0.55, 0.61, 0.8, 1.12, 1.41])
    with pytest.raises(AmbiguousScanFileError, match="scale='fraction' or scale='percent'"):
        read(tmp_path, dark)
    faulty = rows(header="wavelength;reflectance", y=[-0.03, 0.11, 0.4, 0.9, 1.02, 1.4])
    assert read(tmp_path, faulty)[0].values[-1] == 1.4  # no percentage of a beer lies below its surface's glare
    [told] = read(tmp_path, dark, scale="percent")
    assert told.values[-1] == pytest.approx(0.0141, abs=1e-12)
    [stated] = read(tmp_path, dark.replace(";reflectance", ";R [%]", 1))
    assert stated.values.tolist() == told.values.tolist()
    with pytest.raises(UnitError, match="header says fraction but the values run from 7.1 to 64.1"):
        read(tmp_path, rows(header="wavelength;R [fraction]", y=[100 * v for v in R], digits=1))


@pytest.mark.parametrize(
    ("unit", "to_unit"),
    [
        ("um", lambda nm: nm / 1000),
        ("\u00b5m", lambda nm: nm / 1000),
        ("1/cm", lambda nm: 1e7 / nm),
        ("cm-1", lambda nm: 1e7 / nm),
    ],
)
def test_x_units(tmp_path, unit, to_unit):
    lines = [f"x [{unit}]\tR", *(f"{to_unit(x):.6f}\t{y}" for x, y in zip(X, R, strict=True)), ""]
    [scan] = read(tmp_path, "\n".join(lines))
    assert scan.wavelength_nm == pytest.approx(X, rel=1e-6)  # six decimals of 1/cm and um
    assert scan.values.tolist() == R
    bare = "\n".join(["x\tR", *lines[1:]])
    with pytest.raises(ScanFileError, match="with no unit, expected 200-1200 nm; name the unit with x_unit="):
        read(tmp_path, bare)
    [told] = read(tmp_path, bare, x_unit="1/cm" if "cm" in unit else "um")
    assert told.values.tolist() == R
    with pytest.raises(ScanFileError, match="expected 150-3500 nm"):
        read(tmp_path, "\n".join(["x [1/cm]\tR", *(f"{x}\t{y}" for x, y in zip(X, R, strict=True)), ""]))


def test_pixels_and_their_polynomial(tmp_path):
    text = "pixel;counts\n" + "".join(f"{k};{900 + 40 * k}\n" for k in range(8))
    with pytest.raises(ScanFileError, match="pixel_polynomial="):
        read(tmp_path, text)
    [scan] = read(tmp_path, text, pixel_polynomial=(400.0, 2.5, -0.01))
    assert scan.wavelength_nm.tolist() == pytest.approx([400 + 2.5 * k - 0.01 * k * k for k in range(8)], abs=1e-9)
    [own] = read(tmp_path, "wavelength_coefficients: 400.0 2.5 -0.01\n" + text)
    assert own.wavelength_nm.tolist() == scan.wavelength_nm.tolist()
    with pytest.raises(OptionError, match="rising wavelengths"):
        read(tmp_path, text, pixel_polynomial=(2.5, 400.0))


def test_a_pixel_column_before_the_wavelengths_gives_way(tmp_path):
    text = "pixel;wavelength_nm;counts\n" + "".join(f"{k};{400 + 3 * k};{900 + k}\n" for k in range(6))
    [scan] = read(tmp_path, text)
    assert scan.wavelength_nm.tolist() == [400, 403, 406, 409, 412, 415]
    assert any("left out: pixel" in note for note in scan.notes)


def test_pairs_of_unequal_length(tmp_path):
    full = "wl_1\tone\twl_2\ttwo\n420\t0.1\t430\t0.5\n470\t0.2\t530\t0.6\n520\t0.3\t\t\n570\t0.4\t\t\n"
    for text in (full, full.replace("\t\t\n", "\n")):
        one, two = read(tmp_path, text)
        check(one, [420, 470, 520, 570], [0.1, 0.2, 0.3, 0.4])
        check(two, [430, 530], [0.5, 0.6])
        assert (one.scan_id, two.scan_id) == ("one", "two")


def test_columns_without_names_that_may_be_pairs(tmp_path):
    text = "".join(f"{400 + k};{110 + k};{250 + 4 * k};{110 + k}\n" for k in range(9))
    with pytest.raises(AmbiguousScanFileError, match="layout='columns' or layout='pairs'"):
        read(tmp_path, text)
    assert len(read(tmp_path, text, layout="columns")) == 3 and len(read(tmp_path, text, layout="pairs")) == 2
    same_axis = "".join(f"{400 + k};{900 + k};{400 + k};{700 + k}\n" for k in range(9))
    assert [scan.values[0] for scan in read(tmp_path, same_axis)] == [900, 700]
    fractions = "".join(f"{400 + k};0.3{k};{410 + k};0.4{k}\n" for k in range(9))
    assert [scan.wavelength_nm[0] for scan in read(tmp_path, fractions, scale="fraction")] == [400, 410]


def test_rows_and_columns_are_the_same_table(tmp_path):
    columns = "wavelength,P1,P2\n410,0.1,0.2\n510,0.2,0.3\n610,0.3,0.4\n710,0.4,0.5\n"
    in_rows = "pour,410,510,610,710\nP1,0.1,0.2,0.3,0.4\nP2,0.2,0.3,0.4,0.5\n"
    for text in (columns, in_rows, in_rows.replace("410,510,610,710", "410 nm,510 nm,610 nm,710 nm")):
        one, two = read(tmp_path, text)
        check(one, [410, 510, 610, 710], [0.1, 0.2, 0.3, 0.4])
        check(two, [410, 510, 610, 710], [0.2, 0.3, 0.4, 0.5])
    square = ",410,510,610\n410,0.1,0.2,0.3\n510,0.4,0.5,0.6\n610,0.7,0.8,0.9\n"
    with pytest.raises(AmbiguousScanFileError, match="layout='columns' or layout='rows'"):
        read(tmp_path, square)
    assert [scan.scan_id for scan in read(tmp_path, square, layout="rows")] == ["410", "510", "610"]


def test_numeric_names_of_rows_stay_names(tmp_path):
    scans = read(tmp_path, "batch,410,510\n007,0.1,0.2\n7,0.3,0.4\n1E5,0.5,0.6\n")
    assert [scan.scan_id for scan in scans] == ["007", "7", "1E5"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("nm;counts\n400;1,5\n410;x\n", "line 2: 1 line of numbers, where a spectrum has 2 or more"),
        ("", "the file is empty"),
        ("\n \r\n\n", "the file is empty"),
        ("wavelength,reflectance\n", "a header but no table"),
        ("only words here\nand more\n", "a header but no table"),
        ("wavelength;counts\n410;many\n460;more\n", "'many' is not a number"),
        (rows().replace("0.334", "0.3x4"), r"line 4: '0.3x4' is not a number"),
        (rows().replace("510.0;0.334", "510.0;0.334;0.1"), "fields where the table has"),
        (rows().replace("510.0;0.334", "510.00.334"), "line 4: '510.00.334' is not a number|line 4: 1 fields where"),
        (rows().replace("0.334", "00334"), "decimal mark may be lost"),
        ("points;7\n" + rows(), "truncated: 7 points declared, 6 found"),
        ("points;5\n" + rows(), "5 points declared, 6 found"),
        (rows()[:-2], "truncated: 6 points found, the last value is cut short"),
        (rows()[:-5], "truncated: 6 points found"),
        (rows()[: rows().rindex("660.0") + 2], "the line is damaged or cut"),
        (rows() + rows(), "several tables"),
        (b"PK\x03\x04rest of a workbook", "a zip or spreadsheet file, not text"),
        (b"\x00\x01\x02\x03" * 40, "binary data, not text"),
        (rows().encode("utf-16")[:-3], "does not decode"),
        ("wavelength;counts\n410;?\n460;?\n510;?\n", "no number among|no table"),
        ("wavelength\n410\n460\n510\n", "a header but no table|single column"),
    ],
)
def test_refusals_name_file_and_line(tmp_path, text, match):
    with pytest.raises(ScanFileError, match=match) as caught:
        read(tmp_path, text)
    assert "scan.txt" in str(caught.value)


def test_missing_file_and_wrong_options(tmp_path):
    with pytest.raises(ScanFileError, match="none.txt: cannot be read"):
        read_scans(tmp_path / "none.txt")
    for option in (
        {"layout": "heap"},
        {"x_unit": "furlong"},
        {"separator": "/"},
        {"quantity": "taste"},
        {"scale": "x"},
    ):
        with pytest.raises(OptionError, match="is not known; use one of"):
            read(tmp_path, rows(), **option)
    with pytest.raises(OptionError, match="encoding 'klingon' is not known"):
        read_scans(tmp_path / "scan.txt", encoding="klingon")
    for none in (0, "x", 1.5):
        with pytest.raises(OptionError, match="wavelength_column is .*; expected a whole number, 1 or more"):
            read_scans(tmp_path / "scan.txt", wavelength_column=none)


def test_lost_lines_and_spikes_are_noted(tmp_path):
    x = [400 + 5.0 * k for k in range(30)]
    y = [0.1 + 0.01 * k for k in range(30)]
    [scan] = read(tmp_path, rows(x=x[:12] + x[13:], y=y[:12] + y[13:]))
    assert any("jump from 455 to 465 nm" in note for note in scan.notes)
    y[20] = 0.9
    [scan] = read(tmp_path, rows(x=x, y=y))
    assert any("stands off its neighbours at 500 nm" in note for note in scan.notes)


def test_a_spectra_table_of_our_own_comes_back(tmp_path):
    [scan] = read(tmp_path, "scan_id,410.0,460.0,510.0\nP1,0.5,1.02,1.3\n")
    assert scan.quantity == "reflectance" and scan.values.tolist() == [0.5, 1.02, 1.3]


def test_marks_and_tokens():
    assert possible_marks(["1,5", "2,25"]) == [NumberMarks(",")]
    assert possible_marks(["1.5", "2,25"]) == []
    assert parse_number("\u22120.5", NumberMarks()) == -0.5 and parse_number("1D3", NumberMarks()) == 1000.0
    assert parse_number("1_000", NumberMarks()) is None
    assert [token_kind(cell) for cell in ("Pils", "---", "65535*", "##")] == ["", "missing", "over", "missing"]


def test_scans_compare_by_identity_and_cannot_be_written_to():
    [scan] = scans_from_bytes(rows().encode(), name="a")
    with pytest.raises(ValueError, match="read-only"):
        scan.values[0] = 1.0
    with pytest.raises(TypeError, match="does not support item assignment"):
        scan.meta["beer"] = "other"
    with pytest.raises(UnitError, match="is not reflectance"):
        scans_from_bytes(rows(header="wavelength;counts").encode(), name="a")[0].as_reflectance()


@pytest.mark.parametrize(
    ("header", "factor", "scale"),
    [
        ("wavelength;reflectance %", 100.0, "percent"),
        ("wavelength;reflectance", 100.0, "percent"),
        ("wavelength;reflectance (fraction)", 1.0, "fraction"),
        ("wavelength;reflectance", 1.0, "fraction assumed"),
        ("wavelength;counts", 1000.0, ""),
    ],
)
def test_a_scan_says_how_its_file_writes_the_scale(tmp_path, header, factor, scale):
    [scan] = read(tmp_path, rows(header=header, y=[factor * r for r in R]))
    assert scan.scale == scale
    assert scan.values.max() <= 1.0 or scale == ""


def test_a_scan_says_whether_its_file_ends_with_a_line_end(tmp_path):
    whole = rows()
    assert [scan.open_end for scan in read(tmp_path, whole)] == [None]
    assert [scan.open_end for scan in read(tmp_path, whole.rstrip("\n"))] == [len(R) - 1]
    # the words of a header are no verdict on the file
    assert [scan.open_end for scan in read(tmp_path, "remark;may be cut\n" + whole)] == [None]


def test_an_error_says_how_far_reading_came(tmp_path):
    for text, stage in (("remark;none\nby;KA\n", "table"), (rows().replace("0.334", "x"), "content")):
        with pytest.raises(ScanFileError, match="scan.txt") as caught:
            read(tmp_path, text)
        assert caught.value.stage == stage


def test_the_name_of_a_file_does_not_choose_among_its_errors(tmp_path):
    said = set()
    for name in ("scan.txt", "no table, no header.txt"):
        with pytest.raises(ScanFileError, match="is not a number") as caught:
            read(tmp_path, rows().replace("0.334", "x"), name=name)
        said.add(str(caught.value).removeprefix(name))
    assert len(said) == 1


class TestPartsOfAText:
    @pytest.mark.parametrize(
        ("line", "separator", "cells"),
        [
            (' 400 ; "a; b" ;0,25', ";", ["400", "a; b", "0,25"]),
            ("400\t\t0.25", "\t", ["400", "", "0.25"]),
            ("  400   0.25 ", " ", ["400", "0.25"]),
        ],
    )
    def test_a_line_is_split_and_quotes_shield(self, line, separator, cells):
        assert split_line(line, separator) == cells

    def test_only_separators_that_occur_are_tried(self):
        assert candidate_separators("400;0,25", None) == [";", ",", " "]
        assert candidate_separators("400;0,25", ";") == [";"]

    @pytest.mark.parametrize("cell", ["0,25", "---", "OVER", "-1.5e-3"])
    def test_what_stands_for_a_number(self, cell):
        assert is_value(cell)
        assert is_data_line(["400", cell])
        assert not is_data_line(["beer", cell])

    @pytest.mark.parametrize("cell", ["Amber Lane", "12 EBC"])
    def test_what_stands_for_none(self, cell):
        assert not is_value(cell)
        assert not is_data_line(["400", cell])

    def test_one_cell_is_no_row(self):
        assert not is_data_line(["400"])

    @pytest.mark.parametrize(("cell", "could"), [("1.234,5", True), ("-0,25", True), ("12 EBC", False), ("", False)])
    def test_what_could_be_a_number_under_some_mark(self, cell, could):
        assert looks_numeric(cell) == could

    def test_decimals_are_counted_behind_the_mark(self):
        assert decimals_of(["0,250", "1", "---", "1.234,5"], NumberMarks(",", ".")).tolist() == [3, 0, -1, 1]

    def test_tokens_over_the_range_are_told_from_missing_ones(self):
        values, over = cells_to_numbers([["0,25", "---"], ["0,5", "OVER"]], NumberMarks(","))
        assert values[:, 0].tolist() == [0.25, 0.5] and np.isnan(values[:, 1]).all()
        assert over.tolist() == [[False, False], [False, True]]

    def test_names_of_columns_stand_over_their_units(self):
        assert names_over_units(["Wavelength", "Absorbance"], ["nm", "a.u."])
        assert not names_over_units(["operator", "KA"], ["nm", "counts"])

    def test_header_lines_are_kept_by_key_the_first_of_a_name(self):
        lines = ["# operator: KA", "a remark", "", "cup=C40", "operator;BM"]
        assert read_meta(lines, first_line=3) == {"operator": "KA", "line 4": "a remark", "cup": "C40"}

    @pytest.mark.parametrize(
        ("meta", "points"),
        [
            ({"operator": "A", "Number of points": "288"}, 288),
            ({"points": "7"}, 7),
            ({"points": "many"}, None),
            ({}, None),
        ],
    )
    def test_points_that_a_header_declares(self, meta, points):
        assert _declared_points(meta) == points

    @pytest.mark.parametrize(
        ("cells", "wavelengths"),
        [
            (["batch", "400", "500"], ["400", "500"]),
            (["id", "400 nm", "410 nm"], ["400", "410"]),
            (["B-1", "0.25", "0.05"], None),
        ],
    )
    def test_a_header_of_wavelengths(self, cells, wavelengths):
        assert wavelength_header(cells) == wavelengths

    def test_a_text_begins_as_jcamp_does_behind_its_comments(self):
        assert is_jcamp("$$ by hand\n##TITLE= Amber Lane\n")
        assert not is_jcamp("wavelength;counts\n")

    @pytest.mark.parametrize(("table", "packed"), [("400 12 13E+1", False), ("400 12 -13", False), ("400A2J%", True)])
    def test_letters_that_only_packed_forms_have(self, table, packed):
        assert is_packed([(1, table)]) == packed


class TestUnitsOfAHeader:
    @pytest.mark.parametrize(
        ("heading", "unit"),
        [("x [um]", "um"), ("x [1/cm]", "1/cm"), ("wavelength_nm", "nm"), ("wavelength", ""), ("counts", "")],
    )
    def test_units_of_a_wavelength(self, heading, unit):
        assert stated_x_unit(heading) == unit
        assert names_wavelength(heading) == (heading != "counts")

    @pytest.mark.parametrize(
        ("heading", "label"),
        [
            ("Reflectance [%]", Label("reflectance", "percent")),
            ("counts", Label("counts", "")),
            ("scan_id", Label("reflectance", "fraction")),
        ],
    )
    def test_quantity_and_scale(self, heading, label):
        assert read_label(heading) == label

    @pytest.mark.parametrize(
        ("x", "unit"), [([25000.0, 20000.0], "1/cm"), ([0.4, 0.5], "um"), ([4000.0, 5000.0], "angstrom")]
    )
    def test_every_unit_comes_to_nanometres(self, x, unit):
        assert to_nanometres(np.array(x), unit, stated=True) == pytest.approx([400.0, 500.0])

    def test_an_axis_that_cannot_be_what_it_is_taken_for_is_refused(self):
        with pytest.raises(ScanFileError, match=r"0.4 to 0.5 with no unit, expected .* nm; name the unit"):
            to_nanometres(np.array([0.4, 0.5]), "nm", stated=False)
        with pytest.raises(ScanFileError, match="wavelengths are positive"):
            to_nanometres(np.array([-400.0, 500.0]), "nm", stated=True)

    def test_a_scale_is_settled_by_the_values_only_where_they_can_be_one_thing(self):
        told = {"quantity": None, "scale": None}
        values, quantity, scale, notes = settle_scale(np.array([6.2, 63.0]), Label("reflectance"), **told)
        assert values == pytest.approx([0.062, 0.63]) and (quantity, scale) == ("reflectance", "percent")
        assert notes == ["percent taken from the values, 6.2 to 63; the file does not say"]
        values, _, scale, notes = settle_scale(np.array([0.062, 0.63]), Label("reflectance"), **told)
        assert values.tolist() == [0.062, 0.63] and notes[0].startswith(scale) and scale == "fraction assumed"
        with pytest.raises(AmbiguousScanFileError, match="with no scale stated"):
            settle_scale(np.array([0.9, 1.6]), Label("reflectance"), **told)
