"""What labs leave in their folders: read where it can be read one way, else refused with its way out."""

from datetime import datetime

import numpy as np
import pytest
from tiny_folder import bare_folder as folder

import specmatch as sm
from specmatch.errors import AmbiguousScanFileError, MissingScanError, ScanFileError, SheetError
from specmatch.measurement.folder.dates import date_readings
from specmatch.measurement.folder.sheets import read_sheet

NM = np.arange(420.0, 700.0, 20.0)
LIGHT = 100.0 + 600.0 * np.exp(-(((NM - 560.0) / 90.0) ** 2))  # counts a ms
BEER = np.linspace(0.1, 0.8, NM.size)
SHEET = "file,role,sample\ndark.csv,dark,\nlight.csv,reference,\nbeer.csv,sample,S1\n"


def lines(counts, head="", names="wavelength_nm;counts"):
    body = "".join(f"{x:g};{y:.0f}\n" for x, y in zip(NM, counts, strict=True))
    return f"{head}{names}\n{body}"


def scans(path, text, name="a.csv", **told):
    (path / name).write_text(text, encoding="utf-8")
    return sm.read_scans(path / name, **told)


@pytest.mark.parametrize(
    "head",
    [
        "Integration Time (sec): {s:.6E}\n", "Integration Time (usec): {us:.0f} (USB)\n",
        "Integration time: {ms:g}\n", "IntegrationTime={us:g}\n", "Integrationszeit [ms]; {ms:g}\n",
        "Belichtungszeit: {ms:g} ms\n", "Temps d'intégration (ms): {ms:g}\n", "Tiempo de integración: {ms:g} ms\n",
        "Integration time: {ms:g} milliseconds\n", "Spectrometer Integration Time [ms]: {ms:g}\n",
    ],
)  # fmt: skip
def test_integration_times_of_headers_are_never_taken_as_equal(tmp_path, head):
    def text(light, ms):
        return lines(1000.0 + 2.0 * ms + light * ms, head.format(ms=ms, s=ms / 1e3, us=ms * 1e3))

    sheet = SHEET + "dark2.csv,dark,\n"
    files = {"dark": text(0.0 * NM, 80.0), "dark2": text(0.0 * NM, 40.0), "light": text(LIGHT, 80.0)}
    session = sm.measure(folder(tmp_path / "f", sheet, beer=text(LIGHT * BEER, 40.0), **files))
    assert np.allclose(session.spectra.iloc[0], BEER, atol=1e-3)  # whole counts


@pytest.mark.parametrize(
    "head",
    [
        "Correct for electrical dark: Enabled\n", "Dark correction: on\n", "Dunkelkorrektur: ja\n", "dark;removed\n",
        "# dark corrected\n", "Processing: dark subtraction\n", "Background subtracted;1\n",
    ],
)  # fmt: skip
def test_a_dark_that_the_recorder_took_off_is_told_in_many_words(tmp_path, head):
    files = {"dark": lines(NM * 0 + 900.0), "light": lines(50 * LIGHT, head), "beer": lines(50 * LIGHT * BEER, head)}
    session = sm.measure(folder(tmp_path / "f", SHEET, **files))
    assert np.allclose(session.spectra.iloc[0], BEER, atol=1e-3)  # whole counts


def test_what_the_recorder_leaves_of_the_dark_is_taken_off(tmp_path):
    head = "Electric dark correction enabled: true\n"
    files = {"light": lines(50 * LIGHT + 300, head), "beer": lines(50 * LIGHT * BEER + 300, head)}
    session = sm.measure(folder(tmp_path / "f", SHEET, dark=lines(NM * 0 + 300.0, head), **files))
    assert np.allclose(session.spectra.iloc[0], BEER, atol=1e-3)  # whole counts
    with pytest.raises(ScanFileError, match="the recorder had taken the dark off those there are, and not off this"):
        sm.measure(folder(tmp_path / "g", SHEET, dark=lines(NM * 0, head), light=lines(LIGHT), beer=lines(LIGHT)))


@pytest.mark.parametrize("day", ["2026-03-03", ""])
def test_without_hours_the_reference_listed_before_is_taken_and_a_drifting_lamp_is_said(tmp_path, day):
    rows, files = ["file,role,sample,measured_at"], {"dark": lines(NM * 0 + 900.0)}
    rows += [f"dark.csv,dark,,{day}"]
    for k, gain in enumerate((1.0, 0.8, 0.6)):
        files |= {f"light{k}": lines(900 + 50 * gain * LIGHT), f"beer{k}": lines(900 + 50 * gain * LIGHT * BEER)}
        rows += [f"light{k}.csv,reference,,{day}", f"beer{k}.csv,sample,S{k},{day}"]
    session = sm.measure(folder(tmp_path / "f", "\n".join(rows) + "\n", **files))
    assert np.allclose(session.spectra, BEER, atol=1e-3)  # whole counts
    said = session.checks[session.checks["code"] == "lamp_drift"].set_index("scan_id")["sentence"]
    assert "light1.csv was found by its place in the sheet: no times tell" in said["beer1.csv"]


@pytest.mark.parametrize("named", ["Frequency (THz)", "Time (s)", "Energy"])
def test_an_axis_of_no_wavelength_is_refused_where_its_numbers_could_be_nm(tmp_path, named):
    with pytest.raises(ScanFileError, match=r"the axis is headed .*, expected wavelengths; export the scan over nm"):
        scans(tmp_path, lines(LIGHT, names=f"{named};counts"))
    assert scans(tmp_path, lines(LIGHT, names=f"{named};counts"), x_unit="nm")[0].quantity == "counts"


def test_columns_that_repeat_the_axis_or_number_the_lines_are_no_spectra(tmp_path):
    rows = [f"{k + 25};{1e7 / x:.3f};{x:g};{7 * k % 5 + 90}" for k, x in enumerate(NM)]
    [scan] = scans(tmp_path, ";Wavenumber (cm-1);Wavelength (nm);counts\n" + "\n".join(rows) + "\n")
    assert np.array_equal(scan.wavelength_nm, NM) and scan.values[:3].tolist() == [90.0, 92.0, 94.0]
    assert "column(s) that hold the wavelengths again left out: Wavenumber (cm-1)" in scan.notes


def test_pairs_may_have_an_empty_column_between_them(tmp_path):
    text = "nm;Pale;;nm;Dark\n" + "".join(f"{x:g};0.{k + 10};;{x + 1:g};0.{k + 40}\n" for k, x in enumerate(NM))
    pale, dark = scans(tmp_path, text)
    assert (pale.values[0], dark.values[0]) == (0.1, 0.4) and np.array_equal(dark.wavelength_nm, NM + 1)


def test_lots_may_head_the_columns_beside_the_wavelengths(tmp_path):
    text = "nm,501,502,503\n" + "".join(f"{x:g},0.{k + 10},0.{k + 20},0.{k + 30}\n" for k, x in enumerate(NM))
    assert [scan.scan_id for scan in scans(tmp_path, text)] == ["501", "502", "503"]
    with pytest.raises(AmbiguousScanFileError, match="may be read in two ways: spectra in columns, or in rows"):
        scans(tmp_path, text.replace("nm,", "lot,"))


def test_grouped_digits_are_certain_in_counts_and_in_nothing_else(tmp_path):
    text = "wavelength;{}\n" + "".join(f"{x:g}.5;{k + 2},913\n" for k, x in enumerate(NM))
    assert scans(tmp_path, text.format("counts"))[0].values[:2].tolist() == [2913.0, 3913.0]
    with pytest.raises(AmbiguousScanFileError, match="'2,913' may be 2913"):
        scans(tmp_path, text.format("reflectance"))


def test_a_comment_among_the_numbers_is_passed_over_and_told(tmp_path):
    text = lines(LIGHT).replace("500;", "# lamp adjusted\n500;")
    [scan] = scans(tmp_path, text)
    assert np.array_equal(scan.wavelength_nm, NM) and any("'# lamp adjusted', is a comment" in d for d in scan.doubts)
    with pytest.raises(ScanFileError, match="is not a number, with numbers above and below it"):
        scans(tmp_path, text.replace("# lamp adjusted", "# 490;700"))


@pytest.mark.parametrize("quoted", ['="{x:g}";="{y:.0f}"', '"{x:g};{y:.0f}"', "'{x:g}';'{y:.0f}'"])
def test_quotes_of_spreadsheets_are_taken_off(tmp_path, quoted):
    body = "".join(quoted.format(x=x, y=y) + "\n" for x, y in zip(NM, LIGHT, strict=True))
    [scan] = scans(tmp_path, "wavelength;counts\n" + body)
    assert np.array_equal(scan.values, LIGHT.round())


def test_what_is_no_number_is_named(tmp_path):
    with pytest.raises(ScanFileError, match="line 2: 'OK' is not a number; export numbers alone"):
        scans(tmp_path, "nm\tcounts\tstate\n" + "".join(f"{x:g}\t90\tOK\n" for x in NM))


def test_pages_of_a_block_are_refused_as_such(tmp_path):
    pages = "##PAGE= T=1\n##DATA TABLE= (X++(Y..Y)), XYDATA\n400 1 2\n##PAGE= T=2\n##DATA TABLE= (X++(Y..Y)), XYDATA\n"
    text = f"##TITLE= a\n##JCAMP-DX= 5\n##NTUPLES= UV\n{pages}400 1 2\n##END NTUPLES= UV\n##END=\n"
    with pytest.raises(ScanFileError, match="a block of ##DATATABLE, which is no spectrum of one beer"):
        scans(tmp_path, text)


def test_a_dark_taken_off_twice_is_said_where_no_light_falls(tmp_path):
    level = np.where(NM < 480, 0.0, 50 * LIGHT)
    beer = level * BEER
    session = sm.measure(folder(tmp_path / "f", SHEET, dark=lines(NM * 0 + 900), light=lines(level), beer=lines(beer)))
    [row] = session.checks[session.checks["code"] == "reflectance_out_of_range"].itertuples()
    assert row.scan_id == "beer.csv" and "the recorder has subtracted it already" in row.sentence


def with_batches(path, batches):
    counts = {"dark": lines(NM * 0), "light": lines(50 * LIGHT)}
    counts |= {name: lines(50 * LIGHT * BEER ** (0.7 + 0.2 * k)) for k, name in enumerate(("b1", "b2"))}
    sheet = "file,role,sample,batch\ndark.csv,dark,,\nlight.csv,reference,,\nb1.csv,sample,S1,B1\nb2.csv,sample,S2,B2\n"
    folder(path, sheet, **counts)
    (path / "batches.csv").write_text(batches, encoding="utf-8")
    return sm.measure(path)


def test_units_behind_every_colour_are_its_units(tmp_path):
    found = with_batches(tmp_path / "f", "batch,beer,colour\nB1,Pale,12.5 EBC\nB2,Dark,7°SRM\n").batches
    assert found["colour"].tolist() == [12.5, 7.0] and found["colour_unit"].tolist() == ["EBC", "SRM"]
    with pytest.raises(SheetError, match="'EBC' behind the colour and 'SRM' in the column"):
        with_batches(tmp_path / "g", "batch,beer,colour,colour_unit\nB1,Pale,12.5 EBC,SRM\nB2,Dark,7,SRM\n")
    with pytest.raises(SheetError, match="'12.5 EBC' is not a number"):
        with_batches(tmp_path / "h", "batch,beer,colour\nB1,Pale,12.5 EBC\nB2,Dark,7\n")


@pytest.mark.parametrize("word", ["n.d.", "\u2013", "pending", "?", "#DIV/0!"])
def test_words_for_no_value_leave_a_colour_blank(tmp_path, word):
    found = with_batches(tmp_path / "f", f"batch,beer,colour\nB1,Pale,{word}\nB2,Dark,7\n").batches
    assert np.isnan(found["colour"]["B1"]) and found["colour"]["B2"] == 7.0


def test_one_value_written_twice_is_one_and_a_blank_beer_is_no_second_beer(tmp_path):
    assert (
        with_batches(tmp_path / "f", "batch,beer,colour\nB1,Pale,6\nB2,Dark,7\nB1,Pale,6.0\n").batches["colour"]["B1"]
        == 6
    )
    left = with_batches(tmp_path / "g", "batch,beer,colour\nB1,Pale,6\nB2,Dark,7\nB1,,6\n").left_out
    assert left["reason"].str.contains("'B1' is listed more than once with different values").any()


def test_a_formula_that_was_never_worked_out_is_no_blank(tmp_path):
    book = pytest.importorskip("openpyxl").Workbook()
    for row in (
        ["batch", "beer", "colour", "packaged_on"],
        ["B1", "Pale", 6.0, datetime(2026, 3, 3)],
        ["B2", "Dark", "=3+4"],
    ):
        book.active.append(row)
    book.save(tmp_path / "batches.xlsx")
    with pytest.raises(SheetError, match=r"cell C3: a formula whose value is not saved with it; open the file"):
        read_sheet(tmp_path / "batches.xlsx")
    book.active["C3"] = 7
    book.save(tmp_path / "batches.xlsx")
    table = read_sheet(tmp_path / "batches.xlsx").table
    assert table["packaged_on"][0] == "2026-03-03" and table["colour"][1] == "7"


@pytest.mark.parametrize(
    ("cell", "iso"),
    [
        ("20260303T081500", "2026-03-03T08:15:00"), ("20260303_081500", "2026-03-03T08:15:00"),
        ("20260303", "2026-03-03"),
        ("2026-03-03T08:15:00.1234567", "2026-03-03T08:15:00"), ("2026-03-03 08:15 UTC", "2026-03-03T08:15:00+00:00"),
        ("3-Mar-26 8:15", "2026-03-03T08:15:00"), ("Tue, 03 Mar 2026 08:15:00 +0100", "2026-03-03T08:15:00+01:00"),
        ("03.03.2026 08.15 Uhr", "2026-03-03T08:15:00"),
    ],
)  # fmt: skip
def test_more_dates_that_can_be_read_one_way(cell, iso):
    days = {
        when.replace(microsecond=0).isoformat() if timed else when.date().isoformat()
        for _, when, timed in date_readings(cell)
    }
    assert days == {iso}


@pytest.mark.parametrize("cell", ["Lot 20260303", "46084.333", "03032026", "20261303"])
def test_no_date_is_made_of_what_is_none(cell):
    assert date_readings(cell) == []


def test_the_hour_may_stand_in_a_column_of_its_own_or_in_the_files(tmp_path):
    files, rows = {"dark": lines(NM * 0)}, []
    for k, gain in enumerate((1.0, 0.8)):
        head = f"Date: 03.03.2026 {8 + k}:00:00\n"
        files |= {f"l{k}": lines(50 * gain * LIGHT, head), f"b{k}": lines(50 * gain * LIGHT * BEER, head)}
        rows += [(f"l{k}.csv,reference,", f"{8 + k}:00"), (f"b{k}.csv,sample,S{k}", f"{8 + k}:01")]
    files["dark"] = lines(NM * 0, "Date: 03.03.2026 08:00:00\n")
    by_role = [rows[0], rows[2], rows[1], rows[3]]
    sheet = "file,role,sample,measured_at,time\ndark.csv,dark,,2026-03-03,08:00\n"
    sheet += "".join(f"{row},2026-03-03,{clock}\n" for row, clock in by_role)
    session = sm.measure(folder(tmp_path / "f", sheet, **files))
    assert (
        np.allclose(session.spectra, BEER, atol=1e-3)  # whole counts
        and session.scans["measured_at"]["b1.csv"] == "2026-03-03T09:01:00"
    )
    bare = "file,role,sample\ndark.csv,dark,\n" + "".join(f"{row}\n" for row, _ in by_role)
    session = sm.measure(folder(tmp_path / "g", bare, **files))
    assert np.allclose(session.spectra, BEER, atol=1e-3)  # whole counts
    assert "taken from the headers of the files" in session.notes["note"].iloc[0]


def test_files_are_found_by_another_case_and_without_their_ending(tmp_path):
    path = folder(tmp_path / "f", SHEET.replace("beer.csv", "beer"), dark=lines(NM * 0), light=lines(50 * LIGHT))
    (path / "light.csv").rename(path / "LIGHT.csv")
    (path / "beer.csv").write_text(lines(50 * LIGHT * BEER))
    session = sm.measure(path)
    assert list(session.spectra.index) == ["beer.csv"] and session.notes["note"].str.contains("is 'LIGHT.csv'").any()


def test_dark_and_reference_may_be_columns_of_the_file_itself(tmp_path):
    rows = "".join(
        f"{x:g};100;{50 * y + 100:.0f};{50 * y * r + 100:.0f}\n" for x, y, r in zip(NM, LIGHT, BEER, strict=True)
    )
    sheet = "file,role,sample\nbeer.csv,sample,S1\n"
    session = sm.measure(folder(tmp_path / "f", sheet, beer="nm;Dark;Reference;Pils\n" + rows))
    assert list(session.spectra.index) == ["Pils"] and np.allclose(session.spectra, BEER, atol=1e-3)  # whole counts
    # a beer may be called Dark: what the sheet lists goes before, and one of the two alone says nothing
    with pytest.raises(MissingScanError, match="has no dark scan"):
        sm.measure(folder(tmp_path / "g", sheet, beer="nm;Dark;Amber;Pils\n" + rows))


def test_an_axis_printed_with_other_digits_is_the_same_axis(tmp_path):
    files = {
        name: lines(50 * LIGHT * level) for name, level in (("dark", 0), ("light", 1), ("beer", BEER), ("more", BEER))
    }
    files["more"] = files["more"].replace("420;", "420.3;").replace("680;", "679.8;")
    session = sm.measure(folder(tmp_path / "f", SHEET + "more.csv,sample,S2\n", **files))
    assert np.allclose(session.spectra, BEER, atol=1e-3) and len(session.spectra) == 2  # whole counts
    assert session.notes["note"].str.contains("rounded otherwise").any()


def test_a_flat_top_of_eight_bits_is_saturated(tmp_path):
    files = {name: lines(np.minimum(20 + 0.5 * LIGHT * level, 255)) for name, level in (("light", 1), ("beer", BEER))}
    session = sm.measure(folder(tmp_path / "f", SHEET, dark=lines(NM * 0 + 20), **files))
    assert "saturated" in set(session.checks["code"][session.checks["scan_id"] == "light.csv"])


def test_a_name_that_comes_again_on_another_day_is_said(tmp_path):
    sheet = "file,role,sample,measured_at\ndark.csv,dark,,2026-03-03\nlight.csv,reference,,2026-03-03\n"
    sheet += "beer.csv,sample,Pils,2026-03-03\nnext.csv,sample,Pils,2026-03-04\n"
    files = {
        name: lines(50 * LIGHT * level) for name, level in (("dark", 0), ("light", 1), ("beer", BEER), ("next", BEER))
    }
    notes = sm.measure(folder(tmp_path / "f", sheet, **files)).notes["note"]
    assert notes.str.contains("give each its name and batch: 'Pils', 1 day(s)", regex=False).any()


def test_rows_may_run_into_the_infrared_where_the_unit_is_said(tmp_path):
    nm = range(400, 2500, 100)
    text = f"id,{','.join(map(str, nm))}\n" + "".join(f"{name},{','.join(['0.25'] * 21)}\n" for name in "ab")
    assert [scan.scan_id for scan in scans(tmp_path, text, x_unit="nm")] == ["a", "b"]
    with pytest.raises(ScanFileError, match="400 to 2400 with no unit, .* name the unit with x_unit="):
        scans(tmp_path, text)


def test_an_empty_first_column_and_rules_around_cells_are_no_part_of_a_table(tmp_path):
    bare = "".join(f";{x:g};{y:.0f}\n" for x, y in zip(NM, LIGHT, strict=True))
    assert np.array_equal(scans(tmp_path, bare)[0].values, LIGHT.round())
    ruled = "| nm | counts |\n|---|---|\n" + "".join(f"| {x:g} | {y:.0f} |\n" for x, y in zip(NM, LIGHT, strict=True))
    assert np.array_equal(scans(tmp_path, ruled)[0].values, LIGHT.round())


def test_a_table_of_points_names_the_text_among_its_numbers(tmp_path):
    with pytest.raises(ScanFileError, match="line 2: 'S1' is not a number; export numbers alone, a column a spectrum"):
        scans(tmp_path, "sample,wavelength,counts\n" + "".join(f"S1,{x:g},90\n" for x in NM))


def test_headers_of_r_and_wavelengths_of_three_decimals(tmp_path):
    rows = "".join(f'"{k + 1}" {x:g} {y:.0f}\n' for k, (x, y) in enumerate(zip(NM, LIGHT, strict=True)))
    [scan] = scans(tmp_path, f'"wavelength" "counts"\n{rows}')
    assert np.array_equal(scan.wavelength_nm, NM) and scan.quantity == "counts"
    nm = ",".join(f"{x:.3f}" for x in NM)
    found = scans(tmp_path, f"id,{nm}\n" + "".join(f"{name},{','.join(['812'] * NM.size)}\n" for name in "ab"))
    assert np.array_equal(found[1].wavelength_nm, NM) and found[1].values[0] == 812.0


def test_a_table_of_our_own_form_may_hold_counts(tmp_path):
    text = f"scan_id,{','.join(f'{x:g}' for x in NM)}\n" + "".join(
        f"{name},{','.join(['812'] * NM.size)}\n" for name in "ab"
    )
    assert [scan.quantity for scan in scans(tmp_path, text)] == ["unknown", "unknown"]
    assert scans(tmp_path, text.replace("812", "0.25"))[0].quantity == "reflectance"


def test_a_number_that_is_no_time_is_taken_for_none(tmp_path):
    files = {
        name: lines(50 * LIGHT * level, f"Int: {k + 1}\nIntegrations: {k + 1}\n")
        for k, (name, level) in enumerate((("dark", 0), ("light", 1), ("beer", BEER)))
    }
    assert np.allclose(
        sm.measure(folder(tmp_path / "f", SHEET, **files)).spectra.iloc[0], BEER, atol=1e-3
    )  # whole counts


def test_a_unit_behind_an_empty_column_stays_with_its_numbers(tmp_path):
    rows = "".join(f";{x};{0.1 + x / 1000:.2f} %\n" for x in range(420, 700, 20))
    (one,) = scans(tmp_path, ";wavelength;reflectance\n" + rows)
    assert one.values[0] == pytest.approx(0.0052)  # as printed


def test_a_reference_that_leaves_its_lamp_blank_drifts_as_the_others_do(tmp_path):
    sheet = "file,role,sample,lamp\ndark.csv,dark,,\nl0.csv,reference,,A\nl1.csv,reference,,\nbeer.csv,sample,S1,A\n"
    files = {
        "dark": lines(0 * LIGHT),
        "l0": lines(50 * LIGHT),
        "l1": lines(30 * LIGHT),
        "beer": lines(50 * LIGHT * BEER),
    }
    session = sm.measure(folder(tmp_path / "f", sheet, **files))
    assert "lamp_drift" in set(session.checks["code"][session.checks["scan_id"] == "l1.csv"])
