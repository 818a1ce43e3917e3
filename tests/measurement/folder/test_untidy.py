"""Folders as people keep them: titles above headers, counted pours, files that no sheet lists, no sheet at all."""

import pytest
from tiny_folder import tiny_folder

from specmatch.cli import main
from specmatch.errors import MissingScanError, ParentsError, SheetError
from specmatch.measurement.folder.begin import begin_sheets
from specmatch.measurement.folder.columns import SCAN_COLUMNS
from specmatch.measurement.folder.dates import read_dates
from specmatch.measurement.folder.sheets import number_columns, read_sheet
from specmatch.measurement.session import measure
from specmatch.reference.build import build_set


def counted_pours(rows):
    for row in rows:
        row["pour"] = row["pour"][-1:]
    return rows


def test_a_title_above_the_header_is_passed_over_and_told(tmp_path):
    plain = tiny_folder(tmp_path / "plain")
    titled = tiny_folder(tmp_path / "titled")
    sheet = titled / "scans.csv"
    sheet.write_text("Sheet of March; kept by hand\n\n" + sheet.read_text().replace(",", ";"))
    session = measure(titled)
    assert session.spectra.equals(measure(plain).spectra)
    assert session.notes["note"].str.contains("'Sheet of March kept by hand' stands above the header").any()


def test_a_first_line_that_names_a_column_is_the_header(tmp_path):
    path = tmp_path / "batches.csv"
    path.write_text("batch,what\nbeer,colour\n")
    assert read_sheet(path).table["batch"].tolist() == ["beer"]


def test_all_misnamed_columns_and_the_missing_role_come_in_one_message(tmp_path):
    path = tmp_path / "scans.csv"
    path.write_text("File,Sample name,Brand,Date,Lab EBC\na.csv,S1,Pale,14.03.2026,7.1\n")
    with pytest.raises(SheetError, match="'Sample name' is not known.*'Brand' 'beer', 'Date' 'measured_at'; and add"):
        read_sheet(path, known=SCAN_COLUMNS)
    notes = read_sheet(path, known=SCAN_COLUMNS, trusted=False).notes
    assert "scans.csv: column 'Lab EBC' is not used here; if it is 'colour', that stands in another sheet" in notes


def test_a_unit_behind_a_colour_is_told_its_column(tmp_path):
    path = tmp_path / "batches.csv"
    path.write_text("batch,beer,colour\nB1,Pale,7.6 SRM\n")
    with pytest.raises(SheetError, match="'7.6 SRM' is not a number.*'SRM' beside it in the column 'colour_unit'"):
        number_columns(read_sheet(path), ("colour",), name="batches.csv")


def test_cells_of_one_order_settle_the_others_of_their_column():
    def read(*cells):
        return read_dates(cells, range(2, 2 + len(cells)), "measured_at", name="scans.csv")

    assert read("03.04.2024", "25.04.2024").text == ["2024-04-03", "2024-04-25"]
    assert read("03/04/2024", "04/25/2024").text == ["2024-03-04", "2024-04-25"]
    # the same day in both orders settles nothing
    assert len(read("03.04.2024", "05.05.2024").doubtful) == 1
    with pytest.raises(SheetError, match="line 2 can only be .* and line 3 only"):
        read("25.04.2024", "04.25.2024")


def test_pours_counted_anew_in_each_sample_are_named_by_it(tmp_path):
    plain = measure(tiny_folder(tmp_path / "plain"))
    session = measure(tiny_folder(tmp_path / "counted", rows=counted_pours))
    assert session.spectra.equals(plain.spectra)
    named = session.scans["sample"] + "-" + plain.scans["pour"].str[-1:]
    assert session.scans["pour"].tolist() == named.tolist()
    assert session.notes["note"].str.contains("counted anew in each sample").any()


def test_a_number_that_stands_twice_in_place_of_another_is_told(tmp_path):
    def slip(rows):
        rows = counted_pours(rows)
        next(row for row in rows if row["pour"] == "2")["pour"] = "1"
        return rows

    notes = measure(tiny_folder(tmp_path, rows=slip)).notes["note"]
    assert notes[notes.str.contains("stands twice")].tolist() == [
        "scans.csv, column pour: sample 'Pale-s' has 1, 1, 3; one number stands twice, or one is missing"
    ]


def test_a_sheet_without_pours_keeps_each_file_a_pour_of_its_own(tmp_path):
    session = measure(tiny_folder(tmp_path, rows=lambda rows: [{**row, "pour": ""} for row in rows]))
    assert session.scans["pour"].nunique() == len(session.scans) == 9


def test_numbers_that_run_on_over_the_samples_are_refused_where_one_repeats(tmp_path):
    def slip(rows):
        poured = [row for row in rows if row["pour"]]
        for number, row in enumerate(poured, 1):
            row["pour"] = str(number)
        poured[-1]["pour"] = "1"
        return rows

    with pytest.raises(ParentsError, match=r"pour '1' stands under .*a name of its own, such as 'Dark-s-1'"):
        measure(tiny_folder(tmp_path, rows=slip))


def test_files_that_the_sheet_does_not_list_are_told(tmp_path):
    folder = tiny_folder(tmp_path / "f")
    (folder / "Stray-1.csv").write_text((folder / "Pale-1.csv").read_text())
    notes = measure(folder).notes["note"]
    assert notes[notes.str.contains("not listed")].tolist() == ["scans.csv: not listed, and not read: Stray-1.csv"]
    (folder / "Batches (2).xlsx").touch()
    assert measure(folder).notes["note"].str.contains("not read: Batches (2).xlsx, Stray-1.csv", regex=False).any()
    bare = tiny_folder(tmp_path / "bare", rows=lambda rows: [r for r in rows if r["role"] != "dark"])
    with pytest.raises(MissingScanError, match="list its file with role dark. Not listed: .*dark"):
        measure(bare)


def test_a_sheet_under_another_name_is_pointed_at(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "f")
    (folder / "scans.csv").rename(folder / "Readings.csv")
    assert main(["measure", str(folder)]) == 2
    assert "Readings.csv looks like it: name it scans.csv" in capsys.readouterr().err


def test_one_of_several_folders_is_named(tmp_path):
    good, bad = (tiny_folder(tmp_path / name) for name in ("good", "bad"))
    sheet = bad / "scans.csv"
    sheet.write_text(sheet.read_text().replace("role", "roll", 1))
    with pytest.raises(SheetError, match=f"{bad}: scans.csv: "):
        build_set([good, bad])


def test_sheets_begun_from_names_of_files_measure_as_those_by_hand(tmp_path, capsys):
    by_hand = tiny_folder(tmp_path / "hand")
    folder = tiny_folder(tmp_path / "f", batches=False)
    (folder / "scans.csv").unlink()
    for path in folder.iterdir():
        word = path.stem.split("-")
        beer = path.stem not in ("dark", "ref")
        path.rename(
            folder
            / (f"2024-03-12_{word[0]} Ale_L{ord(word[0][0])}_{word[1]}.csv" if beer else f"2024-03-12_{path.name}")
        )
    (folder / "read me.txt").write_text("beers of March\n")
    assert main(["measure", str(folder), "--begin-sheet"]) == 1
    told = capsys.readouterr()
    assert "1 dark, 1 reference, 9 sample" in told.out and "read me.txt" in told.err
    assert (folder / "batches.csv").read_text().splitlines()[0] == "batch,beer,colour"
    session = measure(folder)
    assert len(session.spectra) == len(measure(by_hand).spectra)
    with pytest.raises(SheetError, match="is there already and is kept"):
        begin_sheets(folder)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("2026-03-14_Helles_L123_1", ("sample", "2026-03-14_Helles_L123", "1", "L123", "Helles")),
        ("20260314 House Pils 4711 P2", ("sample", "2026-03-14_House_Pils_4711", "2", "4711", "House Pils")),
        ("2026-03-14-Dark2", ("dark", "", "", "", "")),
        ("2026-03-14_ref_water_50ms", ("reference", "", "", "", "")),
        ("Dark Ale_L7_3", ("sample", "Dark_Ale_L7", "3", "L7", "Dark Ale")),
        ("Dark_L7_3", ("sample", "Dark_L7", "3", "L7", "Dark")),
        ("Dunkel_L7_3", ("sample", "Dunkel_L7", "3", "L7", "Dunkel")),
        ("A1_B2_1", ("sample", "A1_B2", "1", "", "")),
        ("Pils 1042 (2)", ("sample", "Pils_1042", "2", "1042", "Pils")),
        ("Pils_1042_rep3", ("sample", "Pils_1042", "3", "1042", "Pils")),
        ("Pils_1042_#2", ("sample", "Pils_1042", "2", "1042", "Pils")),
        ("Pils_1042_c", ("sample", "Pils_1042", "3", "1042", "Pils")),
        ("Pils_1042_R3", ("sample", "Pils_1042", "3", "1042", "Pils")),
        ("Pils_R12", ("sample", "Pils_R12", "", "R12", "Pils")),
        ("Pils_1042_012", ("sample", "Pils_1042", "12", "1042", "Pils")),
        ("Pils_0042", ("sample", "Pils_0042", "", "0042", "Pils")),
        ("dark (1)", ("dark", "", "", "", "")),
    ],
)
def test_what_a_name_tells(tmp_path, name, told):
    source = tiny_folder(tmp_path / "source") / "Pale-1.csv"
    (tmp_path / "f").mkdir()
    (tmp_path / "f" / f"{name}.csv").write_text(source.read_text())
    (row,) = begin_sheets(tmp_path / "f").scans
    assert tuple(row[column] for column in ("role", "sample", "pour", "batch", "beer")) == told
    assert row["measured_at"] == ("2026-03-14" if name[:1] == "2" else "")


def test_copies_backups_hours_and_sub_folders_of_a_begun_sheet(tmp_path):
    pale, amber = (tiny_folder(tmp_path / "source") / name for name in ("Pale-1.csv", "Amber-2.csv"))
    place = tmp_path / "f" / "2026-03-14" / "Pils"
    place.mkdir(parents=True)
    (place / "1042_1.csv").write_text(pale.read_text())
    (place / "copy of 1042_1.csv").write_text(pale.read_text())
    (place / "1042_1.csv.bak").write_text(amber.read_text())
    (place / "20260314-081500_1042_2.csv").write_text(amber.read_text())
    begun = begin_sheets(tmp_path / "f")
    told = [(row["file"], row["sample"], row["pour"], row["beer"], row["measured_at"]) for row in begun.scans]
    assert told[0] == ("2026-03-14/Pils/1042_1.csv", "2026-03-14_Pils_1042", "1", "Pils", "2026-03-14")
    assert told[1][1:] == ("2026-03-14_Pils_1042", "2", "Pils", "2026-03-14T08:15:00")
    assert [row["reason"] for row in begun.left_out] == [
        "a backup, by its name", "the same bytes as 2026-03-14/Pils/1042_1.csv: a copy",
    ]  # fmt: skip


def test_a_report_of_what_is_not_there_says_how_to_make_it(tmp_path, capsys):
    assert main(["report", str(tmp_path / "none"), "--out", str(tmp_path / "page.html")]) == 2
    assert "No such file; a set is made by specmatch build" in capsys.readouterr().err


def test_a_file_that_is_left_out_is_named_once(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "monday")
    head = "##TITLE=cut\n##JCAMP-DX=4.24\n##DATA TYPE=UV/VIS SPECTRUM\n##XUNITS=NANOMETERS\n##YUNITS=REFLECTANCE\n"
    head += "##XFACTOR=1\n##YFACTOR=1\n##FIRSTX=400\n##LASTX=460\n##DELTAX=10\n##NPOINTS=7\n##XYDATA=(X++(Y..Y))\n"
    (folder / "cut.jdx").write_text(f"{head}400 0.1 0.2\n", encoding="utf-8")
    sheet = folder / "scans.csv"
    text = sheet.read_text(encoding="utf-8")
    blank = "," * (text.partition("\n")[0].count(",") - 1)
    sheet.write_text(f"{text}cut.jdx,sample{blank}\n", encoding="utf-8")
    assert main(["measure", str(folder)]) == 1
    assert "left out: cut.jdx: block 'cut': truncated" in capsys.readouterr().err
