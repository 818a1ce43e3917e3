"""Columns of the sheets: unknown ones are named, near misses and contradictions refused, merged cells told."""

import time

import pytest
from tiny_folder import tiny_folder, write_sheet

from specmatch import build_set, measure
from specmatch.cli import main
from specmatch.errors import SheetError
from specmatch.measurement.folder.columns import BATCH_COLUMNS, SCAN_COLUMNS, unknown_column
from specmatch.measurement.folder.folder import known_batches, read_sheets


def renamed(old, new):
    return lambda rows: [{new if key == old else key: cell for key, cell in row.items()} for row in rows]


def with_column(**columns):
    return lambda rows: [{**row, **{k: v(row) if callable(v) else v for k, v in columns.items()}} for row in rows]


def lab(folder, **columns):
    rows = [{"batch": f"{n}-b", "beer": n, "colour": c} for n, c in (("Pale", 8), ("Amber", 22), ("Dark", 60))]
    write_sheet(folder, with_column(**columns)(rows), "batches.csv")
    return folder


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """A folder without any column of another name, measured."""
    return measure(tiny_folder(tmp_path_factory.mktemp("plain") / "a"))


def test_ordinary_columns_are_named_once_and_change_nothing(tmp_path, plain):
    names = ("hour", "state", "cap", "note", "weather", "Hop bill", "tank_no", "lab_book", "time", "version", "tank")
    session = measure(tiny_folder(tmp_path / "b", rows=with_column(**dict.fromkeys((*names, "comment"), "3"))))
    for name in (*names, "comment"):
        told = [note for note in session.notes["note"] if repr(name) in note]
        assert len(told) == 1 and "the nearest known name is" in told[0]
    assert session.spectra.equals(plain.spectra) and session.scans["sample"].equals(plain.scans["sample"])


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("sample", "sampel"), ("sample", "samples"), ("sample", "Sample ID"), ("sample", "Probe"),
        ("sample", "SampleID"), ("integration_ms", "IntegrationTime"),
        ("batch", "bacth"), ("batch", "Charge"), ("batch", "Batch (lot)"), ("measured_at", "measured_on"),
        ("integration_ms", "integration_s"), ("integration_ms", "Integration (ms)"), ("pour", "pours"),
        ("beer", "biere"), ("role", "rolle"), ("file", "File name"), ("measured_at", "mesured_a"),
    ],
)  # fmt: skip
def test_a_near_miss_of_an_absent_column_is_refused_with_both_names(tmp_path, old, new):
    with pytest.raises(SheetError) as caught:
        measure(tiny_folder(tmp_path, rows=renamed(old, new)))
    assert repr(new) in str(caught.value) and repr(old) in str(caught.value)


@pytest.mark.parametrize("name", ["Fill (mL)", "fill", "fill_l", "Fill volume [ml]", "Volume (ml)"])
def test_a_filling_under_another_name_is_refused(tmp_path, name):
    with pytest.raises(SheetError, match="'fill_ml'"):
        measure(tiny_folder(tmp_path, rows=with_column(**{name: "20"})))


@pytest.mark.parametrize("name", ["unit", "Unit", "units", "color_unit", "colour unti"])
def test_a_unit_of_colours_is_never_lost(tmp_path, name):
    folder = lab(tiny_folder(tmp_path), **{name: "SRM"})
    with pytest.raises(SheetError, match="'colour_unit'"):
        build_set([folder])


@pytest.mark.parametrize(
    ("name", "way"),
    [
        ("color", ""), ("EBC", "'EBC' in the column 'colour_unit'"), ("SRM", "'SRM' in the column 'colour_unit'"),
        ("Colour (EBC)", "'EBC' in the column 'colour_unit'"), ("Farbe", ""), ("colur", ""),
        ("Colour EBC", "'EBC' in the column"), ("srm value", "'SRM' in the column"),
    ],
)  # fmt: skip
def test_a_colour_under_another_name_is_refused(tmp_path, name, way):
    folder = tiny_folder(tmp_path)
    write_sheet(folder, [{"batch": "Pale-b", "beer": "Pale", name: 8}], "batches.csv")
    with pytest.raises(SheetError, match="likely meant for 'colour'") as caught:
        measure(folder)
    assert repr(name) in str(caught.value) and way in str(caught.value)


@pytest.mark.parametrize("new", ["Sample", "SAMPLE", " sample "])
def test_case_and_marks_of_a_known_name_are_read(tmp_path, new):
    session = measure(tiny_folder(tmp_path, rows=renamed("sample", new)))
    assert session.scans["sample"].nunique() == 3
    assert measure(tiny_folder(tmp_path / "m", rows=renamed("measured_at", "Measured-At"))).scans["measured_at"].all()


def test_every_known_name_with_one_letter_wrong_is_a_near_miss_or_an_ordinary_word():
    for known in (SCAN_COLUMNS, BATCH_COLUMNS):
        for name in (n for n in known if len(n) > 4):
            swapped = name[:1] + name[2] + name[1] + name[3:]
            for slip in (name[:2] + name[3:], f"{name}s", swapped if swapped != name else f"{name}x"):
                found = unknown_column(slip, known)
                assert found.nearest == name, slip


def test_new_columns_are_known_and_carried(tmp_path):
    new = {"fill_sd_ml": "0.2", "lamp": "L2", "base": "mirror", "site": "north", "material": "", "material_lot": ""}
    folder = tiny_folder(tmp_path, rows=with_column(**new))
    rows = (folder / "scans.csv").read_text().splitlines()
    header = rows[0].split(",")
    control = dict(zip(header, rows[-1].split(","), strict=True))
    control |= {"role": "control", "material": "dye", "material_lot": "7", "sample": "", "batch": "", "beer": ""}
    piece = {**control, "file": "Dark-2.csv", "role": "check", "material": "line lamp"}
    kept = [row for row in rows if not row.startswith(("Dark-3.csv", "Dark-2.csv"))]
    text = [*kept, *(",".join(row.get(c, "") for c in header) for row in (control, piece))]
    (folder / "scans.csv").write_text("\n".join(text) + "\n")
    (folder / "materials.csv").write_text("material,material_lot,colour,colour_unit,colour_sd\ndye,7,12.5,EBC,0.3\n")
    session = measure(folder)
    assert session.notes.empty or not session.notes["note"].str.contains("not known").any()
    assert set(session.scans["lamp"]) == {"L2"} and set(session.scans["fill_sd_ml"]) == {0.2}
    assert session.control_scans[["material", "material_lot"]].to_numpy().tolist() == [["dye", "7"]]
    assert session.check_scans["material"].tolist() == ["line lamp"]
    assert session.materials.to_dict("records") == [
        {"material": "dye", "material_lot": "7", "colour": 12.5, "colour_unit": "EBC", "colour_sd": 0.3}
    ]
    (folder / "materials.csv").write_text("material,colour\ndye,12.5\ndye,13\n")
    with pytest.raises(SheetError, match=r"line 3: material 'dye', lot '' is stated twice"):
        measure(folder)


@pytest.mark.parametrize(
    ("columns", "match"),
    [
        ({"exposure_ms": "21"}, "'exposure_ms' says '21' and column 'integration_ms' says"),
        ({"cup": "A", "cup_mm": lambda row: "60" if row["sample"] == "Pale-s" else "64"}, "'cup' says 'A' and .*'64'"),
        ({"fill_ml": "20", "Fill (mL)": "25"}, r"'Fill \(mL\)' says '25' and column 'fill_ml' says '20'"),
        ({"Sample ID": "S9"}, "column 'Sample ID' says 'S9' and column 'sample' says 'Pale-s'"),
    ],
)
def test_two_columns_that_state_one_fact_differently_are_refused(tmp_path, columns, match):
    with pytest.raises(SheetError, match=match):
        measure(tiny_folder(tmp_path, rows=with_column(**columns)))


@pytest.mark.parametrize(
    ("columns", "match"),
    [
        ({"EBC": lambda row: row["colour"] + 2}, "column 'EBC' says '10' and column 'colour' says '8'"),
        ({"SRM": lambda row: row["colour"]}, "column 'SRM' says '8' and column 'colour' says '8'"),
        ({"unit": "SRM", "colour_unit": "EBC"}, "column 'unit' says 'SRM' and column 'colour_unit' says 'EBC'"),
    ],
)
def test_two_lab_columns_that_differ_are_refused(tmp_path, columns, match):
    with pytest.raises(SheetError, match=match):
        measure(lab(tiny_folder(tmp_path), **columns))


def test_the_same_fact_twice_and_alike_is_only_named(tmp_path):
    folder = lab(tiny_folder(tmp_path), SRM=lambda row: round(row["colour"] / 1.97, 1), EBC=lambda row: row["colour"])
    session = measure(folder)
    assert session.batches.loc["Pale-b", "colour"] == 8 and session.notes["note"].str.contains("'SRM'").sum() == 1


def test_a_number_with_the_unit_of_its_heading_is_read(tmp_path):
    units = {"fill_ml": "20.0 mL", "integration_ms": "20 ms", "cup_mm": "40mm", "temperature_c": "18.5 \u00b0C"}
    scans = measure(tiny_folder(tmp_path, rows=with_column(**units))).scans
    assert scans[["fill_ml", "cup_mm", "temperature_c"]].drop_duplicates().to_numpy().tolist() == [[20.0, 40.0, 18.5]]
    with pytest.raises(SheetError, match="'2 cl' is not a number"):
        measure(tiny_folder(tmp_path / "b", rows=with_column(fill_ml="2 cl")))


def test_two_sheets_that_state_a_batch_differently_are_refused(tmp_path):
    folder = lab(tiny_folder(tmp_path, rows=with_column(colour_unit="SRM")), colour_unit="EBC")
    with pytest.raises(SheetError, match=r"'colour_unit' is 'SRM' in scans.csv and 'EBC' in batches.csv .*'Pale-b'"):
        measure(folder)


def merged(column):
    def rows(rows):
        before = None
        for row in rows:
            now = row[column]
            row[column] = "" if now == before else now
            before = now
        return rows

    return rows


@pytest.mark.parametrize("column", ["sample", "batch"])
def test_blanks_under_merged_cells_are_never_new_samples(tmp_path, column):
    with pytest.raises(SheetError, match=rf"column {column}: blank under a filled cell in 6 rows \(line 5, 6, 8, 9"):
        measure(tiny_folder(tmp_path, rows=merged(column)))


def test_merged_cells_of_a_workbook_are_refused_too(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    folder = tiny_folder(tmp_path)
    book = openpyxl.Workbook()
    for line in (folder / "scans.csv").read_text().splitlines():
        book.active.append(line.split(","))
    for first in (4, 7, 10):
        book.active.merge_cells(f"C{first}:C{first + 2}")
    book.save(folder / "scans.xlsx")
    (folder / "scans.csv").unlink()
    with pytest.raises(SheetError, match="column sample: .* merged cells keep their value in the first row only"):
        measure(folder)


def test_one_blank_sample_is_told(tmp_path):
    def rows(rows):
        rows[-1]["sample"] = rows[-1]["batch"] = ""
        return rows

    notes = measure(tiny_folder(tmp_path, rows=rows)).notes["note"]
    assert not notes.str.contains(
        "column sample"
    ).any()  # under a name that stands in several rows it is no merged cell

    def first(rows):
        rows[3]["sample"] = rows[3]["batch"] = rows[3]["pour"] = ""
        rows[4]["sample"], rows[4]["batch"], rows[4]["pour"] = "Z", "Z", "Z"
        return rows

    notes = measure(tiny_folder(tmp_path / "b", rows=first)).notes["note"]
    assert notes.str.contains("column sample: blank under a filled cell in 1 rows").any()


def test_a_unit_in_some_rows_only_is_refused(tmp_path):
    folder = lab(tiny_folder(tmp_path), colour_unit=lambda row: "SRM" if row["beer"] == "Pale" else "")
    with pytest.raises(SheetError, match="line 3, column colour_unit: blank beside the colour '22'"):
        measure(folder)


def with_header(folder, line, files):
    for file in files:
        path = folder / file
        path.write_text(f"{line}\n{path.read_text()}")
    return folder


@pytest.mark.parametrize(
    ("files", "held"),
    [(["Pale-1.csv"], ["Pale-1.csv"]), (["ref.csv"], None), (["dark.csv"], None)],
)
def test_a_header_that_says_otherwise_is_carried_by_the_scan_and_those_that_lean_on_it(tmp_path, plain, files, held):
    session = measure(with_header(tiny_folder(tmp_path / "b"), "integration_ms;21", files))
    rows = session.checks[session.checks["code"] == "sheet_disagrees_with_file"]
    found = set(rows["scan_id"]) & set(session.spectra.index)
    assert found == set(session.spectra.index if held is None else held)
    assert rows["sentence"].str.contains("20 ms in the sheet, 21 ms in the file").all()
    assert session.spectra.equals(plain.spectra)  # the sheet's value is kept
    assert rows["size"].iloc[0] == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("sample;Dark-s", "sample 'Pale-s' in the sheet, 'Dark-s' in the file"),
        ("measured_at;2024-03-14T08:00:00+01:00", "h apart"),
    ],
)
def test_names_and_times_of_a_header_are_held_against_the_sheet(tmp_path, line, says):
    session = measure(with_header(tiny_folder(tmp_path), line, ["Pale-1.csv"]))
    rows = session.checks[session.checks["code"] == "sheet_disagrees_with_file"]
    assert rows["scan_id"].tolist() == ["Pale-1.csv"] and says in rows["sentence"].iloc[0]


@pytest.mark.parametrize("line", ["integration_ms;20", "sample;serial 17", "measured_at;2024-03-12T08:05:00+01:00"])
def test_a_header_that_agrees_or_speaks_of_something_else_is_no_matter(tmp_path, line):
    session = measure(with_header(tiny_folder(tmp_path), line, ["Pale-1.csv"]))
    assert not (session.checks["code"] == "sheet_disagrees_with_file").any()


def test_files_of_two_instruments_under_one_name_are_told(tmp_path):
    folder = tiny_folder(tmp_path, rows=with_column(instrument="lab 1"))
    every = [path.name for path in folder.glob("*.csv") if path.name not in ("scans.csv", "batches.csv")]
    with_header(folder, "instrument;SN-7", [name for name in every if name != "Pale-1.csv"])
    assert not (measure(folder).checks["code"] == "sheet_disagrees_with_file").any()
    with_header(folder, "instrument;SN-8", ["Pale-1.csv"])
    rows = measure(folder).checks.query("code == 'sheet_disagrees_with_file'")
    assert rows["scan_id"].tolist() == ["Pale-1.csv"]
    assert "'lab 1' in the sheet, 'SN-8' in the file, 'SN-7' in most files" in rows["sentence"].iloc[0]


def test_an_instrument_that_only_the_files_name_is_taken_from_them(tmp_path):
    folder = tiny_folder(tmp_path)
    every = [path.name for path in folder.glob("*.csv") if path.name not in ("scans.csv", "batches.csv")]
    with_header(folder, "Instrument;SN-7", every[1:])
    assert "instrument" not in measure(folder).scans  # one file does not say: its dark may be another's
    with_header(folder, "Instrument;SN-7", every[:1])
    session = measure(folder)
    assert set(session.scans["instrument"]) == {"SN-7"}
    said = "instrument: not stated in the sheet, taken from the headers of the files: SN-7"
    assert said in session.notes["note"].tolist()


def test_an_instrument_of_a_header_bears_the_name_that_the_sheet_has_for_it(tmp_path):
    folder = tiny_folder(
        tmp_path, rows=lambda rows: [{**row, "instrument": "lab 1" * (row["role"] != "sample")} for row in rows]
    )
    every = [path.name for path in folder.glob("*.csv") if path.name not in ("scans.csv", "batches.csv")]
    assert set(measure(with_header(folder, "instrument;SN-7", every)).scans["instrument"]) == {"lab 1"}


def test_unknown_columns_reach_the_terminal(tmp_path, capsys, caplog):
    folder = tiny_folder(tmp_path, rows=with_column(weather="rain"))
    assert main(["measure", str(folder)]) == 0
    assert capsys.readouterr().out.count("'weather' is not known") == 1
    main(["build", str(folder), "--out", str(tmp_path / "set")])
    assert caplog.text.count("'weather' is not known") == 1


def test_long_sheets_are_read_in_proportion(tmp_path):
    def seconds(n):
        rows = "".join(
            f"f{k}.csv,sample,S{k},S{k}-1,B{k},Pale,2024-03-{k % 28 + 1:02d}T08:00:00Z,20\n" for k in range(n)
        )
        (tmp_path / "scans.csv").write_text("file,role,sample,pour,batch,beer,measured_at,integration_ms\n" + rows)
        lab = "".join(f"B{k},Pale,8,2024-03-12\n" for k in range(n))
        (tmp_path / "batches.csv").write_text("batch,beer,colour,packaged_on\n" + lab)
        start = time.process_time()
        sheets = read_sheets(tmp_path)
        known_batches(sheets.batches, sheets.rows, [], [])
        assert len(sheets.rows) == n and len(sheets.batches) == n
        return time.process_time() - start

    # ten times the rows, ten times the time: a hundred times if it grew with the square
    seconds(400)
    few, many = min(seconds(400) for _ in range(3)), seconds(4_000)
    assert many < 25 * few
