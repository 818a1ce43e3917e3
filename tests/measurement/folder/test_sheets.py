"""`scans.csv`, `batches.csv` and spreadsheet exports of them: identifiers stay text, cells are named when refused."""

import pandas as pd
import pytest
from tiny_folder import tiny_folder, write_sheet

from specmatch.errors import SheetError
from specmatch.measurement.folder.sheets import number_columns, read_sheet, read_spreadsheet
from specmatch.measurement.session import measure


def sheet(tmp_path, text, name="batches.csv", encoding="utf-8"):
    (tmp_path / name).write_bytes(text.encode(encoding))
    return read_sheet(tmp_path / name)


IDS = [
    "007",
    "7",
    "0100",
    "1E5",
    "2E3",
    "12E400",
    "100000",
    "1_000",
    "1000",
    "NA",
    "null",
    "None",
    "nan",
    "TRUE",
    "-",
    "1/2",
]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_identifiers_survive(tmp_path, separator):
    text = separator.join(["batch", "colour"]) + "\n" + "".join(f"{name}{separator}12\n" for name in IDS)
    got = sheet(tmp_path, text)
    assert got.table["batch"].tolist() == IDS and got.table["batch"].nunique() == len(IDS)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252", "utf-8"])
@pytest.mark.parametrize("newline", ["\r\n", "\n", "\r"])
def test_marks_quotes_and_line_ends(tmp_path, encoding, newline):
    text = newline.join(['"batch","beer","colour"', '"B1","M\u00e4rzen, dark","17.5"', '"B2","says ""hi""","23.0"', ""])
    got = sheet(tmp_path, text, encoding=encoding)
    assert got.table.columns.tolist() == ["batch", "beer", "colour"]
    assert got.table["beer"].tolist() == ["M\u00e4rzen, dark", 'says "hi"']


def test_outer_blanks_go_inner_ones_stay(tmp_path):
    got = sheet(tmp_path, " batch ,colour\n\u00a0 L-2 ,7\nL 3\u00a0,8\n\u200bL\u20134,9\n")
    assert got.table["batch"].tolist() == ["L-2", "L 3", "L\u20134"] and got.table.columns[0] == "batch"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "the sheet is empty"),
        ("batch,batch\n1,2\n", r"columns \['batch'\] stand twice"),
        ("batch,,colour\n1,2,3\n", "column 2 has no name"),
        ("batch,colour\nB1,7.5,x\n", "line 2: 3 cells where the header has 2"),
        ("batch,beer,colour\nB1,7.5\n", "line 2: 2 cells where the header has 3"),
        ('batch,beer\nB1,"open\n', "check the quotes"),
    ],
)
def test_damaged_sheets(tmp_path, text, match):
    with pytest.raises(SheetError, match=match):
        sheet(tmp_path, text)


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["7,5", "12,25", ""], [7.5, 12.25, None]),
        (["7.5", "12.25", "na"], [7.5, 12.25, None]),
        (["8.125", "9.250", "10.000"], [8.125, 9.25, 10.0]),  # as thousands they would be no colours
        (["12", "13", "14"], [12, 13, 14]),
    ],
)
def test_numbers_in_one_pair_of_marks(tmp_path, cells, values):
    got = sheet(tmp_path, "batch;colour\n" + "".join(f"B{k};{cell}\n" for k, cell in enumerate(cells)))
    out = number_columns(got, ["colour"], name="batches.csv")["colour"]
    assert [None if pd.isna(v) else v for v in out] == values


@pytest.mark.parametrize(
    ("cells", "match"),
    [
        (["7,5", "12.5"], "line 2, column colour: '7,5' and other numbers of the sheet use different decimal marks"),
        (["about 12", "13"], "line 2, column colour: 'about 12' is not a number"),
        (["7.5 EBC", "13"], "column colour: '7.5 EBC' is not a number"),
        (["12", "-3"], "line 3, column colour: -3 is outside"),
        (["12", "12500"], "line 3, column colour: 12500 is outside 0.01 to 1000"),
    ],
)
def test_numbers_that_are_none(tmp_path, cells, match):
    got = sheet(tmp_path, "batch;colour\n" + "".join(f"B{k};{cell}\n" for k, cell in enumerate(cells)))
    with pytest.raises(SheetError, match=match):
        number_columns(got, ["colour"], name="batches.csv")


def test_ambiguous_number_in_a_sheet(tmp_path):
    got = sheet(tmp_path, "file;integration_ms\na;1.250\nb;2.500\n", "scans.csv")
    with pytest.raises(SheetError, match="'1.250' may be 1.25 or 1250; write it without a thousands mark"):
        number_columns(got, ["integration_ms"], name="scans.csv")


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        ("1.23E+05", "a long number that a spreadsheet rewrote"),
        ("1,2E+12", "a long number that a spreadsheet rewrote"),
        ("03-Mar", "made a date"),
        ("Mar-24", "made a date"),
        ("#REF!", "a spreadsheet's error mark"),
        ("########", "a spreadsheet's error mark"),
    ],
)
def test_cells_that_a_spreadsheet_damaged_are_named(tmp_path, cell, what):
    got = sheet(tmp_path, f'batch;colour\nB1;7\n"{cell}";8\n')
    assert len(got.notes) == 1 and "line 3, column batch" in got.notes[0] and what in got.notes[0]


def test_a_destroyed_name_is_left_out_and_a_doubtful_one_is_noted(tmp_path):
    def rows(rows):
        rows[2]["sample"], rows[5]["batch"] = "#REF!", "03-Mar"
        rows[6]["batch"] = rows[7]["batch"] = "03-Mar"
        return rows

    session = measure(tiny_folder(tmp_path, rows=rows))
    assert (
        session.left_out["file"].tolist()[:1] == ["Pale-1.csv"] and "error mark" in session.left_out["reason"].iloc[0]
    )
    assert any("line 7, column batch: '03-Mar'" in note for note in session.notes["note"])


@pytest.mark.parametrize(("batch", "other"), [("007", "7"), ("1042", "1042.0"), ("L-07", "l7")])
def test_a_batch_that_a_spreadsheet_rewrote_is_named(tmp_path, batch, other):
    folder = tiny_folder(tmp_path, rows=lambda rows: [{**r, "batch": r["batch"] and batch} for r in rows])
    write_sheet(folder, [{"batch": other, "beer": "Pale", "colour": 8}], "batches.csv")
    reasons = measure(folder).left_out["reason"].tolist()
    assert f"batch {other!r} has no scan in this folder; {batch!r} differs from it only in" in reasons[0]
    assert len(reasons) == 1


def test_lab_rows_that_match_no_scan_or_stand_twice_are_listed(tmp_path):
    folder = tiny_folder(tmp_path)
    lab = [
        {"batch": " Pale-b ", "beer": "Pale", "colour": 8},
        {"batch": "Amber\u2013b", "beer": "Amber", "colour": 22},
        {"batch": "Dark-b", "beer": "Dark", "colour": 60},
        {"batch": "Dark-b", "beer": "Dark", "colour": 66},
        {"batch": "Other-b", "beer": "Dark", "colour": 61},
        {"batch": "Other-b", "beer": "Dark", "colour": 61},
    ]
    write_sheet(folder, lab, "batches.csv")
    session = measure(folder)
    assert session.batches.index.tolist() == ["Pale-b"] and session.batches.loc["Pale-b", "colour"] == 8.0
    reasons = " | ".join(session.left_out["reason"])
    assert "lines 4, 5: batch 'Dark-b' is listed more than once with different values" in reasons
    assert "batch 'Amber\u2013b' has no scan in this folder; 'Amber-b' differs from it only in marks" in reasons
    assert "batch 'Other-b' has no scan" in reasons
    notes = " | ".join(session.notes["note"])
    assert "batch 'Other-b' is repeated with the same values" in notes
    assert "'Amber-b' has no usable row in batches.csv" in notes and "'Dark-b' has no usable row" in notes


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda rows: [{k: v for k, v in row.items() if k != "role"} for row in rows], "no column 'role'"),
        (lambda rows: [{**rows[0], "role": "darkness"}, *rows[1:]], "'darkness' is not known; use one of sample, dark"),
        (lambda rows: [*rows, rows[-1]], "'Dark-3.csv' is listed in line 12 already"),
        (lambda rows: [{**rows[0], "file": "../dark.csv"}, *rows[1:]], "leads out of the folder"),
        (lambda rows: [{**rows[0], "file": "/etc/hosts"}, *rows[1:]], "leads out of the folder"),
        (lambda rows: [{**rows[0], "file": ""}, *rows[1:]], "line 2: no file name"),
        (
            lambda rows: [{**row, "integration_ms": "fast"} for row in rows],
            "column integration_ms: 'fast' is not a number",
        ),
    ],
)
def test_scans_csv_refused_by_cell(tmp_path, change, match):
    with pytest.raises(SheetError, match=match):
        measure(tiny_folder(tmp_path, rows=change))


def test_excel_under_the_same_rules(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    folder = tiny_folder(tmp_path)
    table = read_sheet(folder / "scans.csv").table
    book = openpyxl.Workbook()
    book.active.append(["read me first"])
    scans = book.create_sheet("Scans")  # the one that bears the file's name
    scans.append(list(table.columns))
    for row in table.itertuples(index=False):
        scans.append([7 if cell == "Pale-b" else float(cell) if cell == "20.0" else cell or None for cell in row])
    book.save(folder / "scans.xlsx")
    with pytest.raises(SheetError, match="both scans.csv and scans.xlsx"):
        measure(folder)
    (folder / "scans.csv").unlink()
    (folder / "batches.csv").write_text("batch,beer,colour\n7,Pale,8\n")
    session = measure(folder)
    assert session.batches.index.tolist() == ["7"] and len(session.spectra) == 9
    (folder / "scans.xlsx").write_bytes(b"no workbook")
    with pytest.raises(SheetError, match="is no readable spreadsheet|needs another package"):
        measure(folder)


def test_a_file_that_is_no_spreadsheet_is_refused_with_its_way_out(tmp_path):
    path = tmp_path / "no_sheet.xlsx"
    path.write_bytes(b"")
    with pytest.raises(SheetError, match=r"no_sheet\.xlsx: .*export the sheet as CSV"):
        read_spreadsheet(path)
