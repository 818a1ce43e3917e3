"""The commands that make, judge and tend sets: exit codes, JSON, and one line on error."""

import json

import pytest
from small_house import small_tables, write_tables

from specmatch.cli import main
from specmatch.reference.reference_set import ReferenceSet


def run(capsys, *arguments):
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return code, out, err


def as_json(capsys, *arguments):
    code, out, err = run(capsys, *arguments, "--json")
    document = json.loads(out)
    assert set(document) == {"format", "command", "results", "left_out"}
    assert document["command"] == arguments[0]
    return code, document, err


@pytest.fixture
def house(tmp_path):
    ReferenceSet(*small_tables(n_batches=6), name="made-up").save(tmp_path / "house")
    return tmp_path / "house"


def test_build_then_audit(capsys, tmp_path):
    tables = write_tables(tmp_path / "t", *small_tables(n_batches=6))
    code, document, _ = as_json(capsys, "build", tables, "--out", tmp_path / "s", "--unit", "SRM", "--name", "mine")
    refs = ReferenceSet.load(tmp_path / "s")
    assert code == 0 and document["results"]["hash"] == refs.hash
    assert (refs.colour_unit, refs.name) == ("SRM", "mine")
    code, document, _ = as_json(capsys, "audit", tmp_path / "s")
    findings = document["results"]["findings"]
    assert code == (1 if findings else 0)
    columns = {"code", "level", "subject", "size", "sentence", "action", "suggestion", "finding", "python"}
    assert all(set(row) == columns for row in findings)
    assert run(capsys, "audit", tmp_path / "s")[0] == code


def test_build_with_something_left_out_exits_1(capsys, tmp_path):
    spectra, scans, batches = small_tables()
    tables = write_tables(tmp_path / "t", spectra, scans, batches.iloc[1:])
    code, document, _ = as_json(capsys, "build", tables, "--out", tmp_path / "s")
    assert code == 1 and len(document["left_out"]) == 2
    assert {"source", "name", "reason"} == set(document["left_out"][0])


def test_a_set_of_single_pours_is_told(capsys, tmp_path):
    for n_pours in (1, 2):
        tables = write_tables(tmp_path / f"{n_pours}", *small_tables(n_pours=n_pours))
        text = run(capsys, "build", tables, "--out", tmp_path / f"set-{n_pours}")[1]
        assert ("100% of the samples hold one pour" in text) == (n_pours == 1)


def test_a_new_beer_by_relabelling_is_told(capsys, house):
    why = ("--reason", "label mixed up")
    assert "did not hold" not in run(capsys, "edit", house, "--relabel", "0000", "Beer 1", *why)[1]
    assert (
        "'beer 1' is a beer that the set did not hold"
        in run(capsys, "edit", house, "--relabel", "0001", "beer 1", *why)[1]
    )


def test_a_column_that_a_sheet_of_edits_does_not_know_is_told(capsys, house, tmp_path, caplog):
    (tmp_path / "edits.csv").write_text('batch,what,value,reason,when\n0001,colour,"6,6",slip,2026-01-31\n')
    assert run(capsys, "edit", house, "--sheet", tmp_path / "edits.csv")[0] == 0
    assert ReferenceSet.load(house).batches.at["0001", "colour"] == 6.6
    assert "column 'when' is not known and not used" in caplog.text


def test_edit_and_compare_tell_the_story(capsys, house, tmp_path):
    ReferenceSet.load(house).save(tmp_path / "before")
    why = ("--reason", "mixed up", "--who", "JD", "--when", "2026-01-31")
    assert run(capsys, "edit", house, "--relabel", "0000", "Beer 2", *why)[0] == 0
    assert run(capsys, "edit", house, "--colour", "0001", "6.6", *why)[0] == 0
    assert run(capsys, "edit", house, "--colour", "0002", "none", *why)[0] == 0
    assert run(capsys, "edit", house, "--drop-pour", "0003-1", *why)[0] == 0
    code, document, _ = as_json(capsys, "edit", house, "--drop", "0004", *why)
    assert code == 0 and document["results"]["what"] == "dropped batch '0004'"
    refs = ReferenceSet.load(house)
    assert len(refs.history) == 5 and refs.history[-1]["who"] == "JD"
    code, document, _ = as_json(capsys, "compare", tmp_path / "before", house)
    told = {(row["change"], row["subject"]) for row in document["results"]["changes"]}
    assert code == 0 and len(document["results"]["history"]) == 5
    assert told >= {("relabelled", "0000"), ("colour changed", "0001"), ("batch removed", "0004")}
    code, out, _ = run(capsys, "compare", tmp_path / "before", house)
    assert "mixed up (JD, 2026-01-31)" in out
    assert "the two hold the same" in run(capsys, "compare", house, house)[1]


@pytest.mark.parametrize(
    "arguments",
    [
        ("build", "{tmp}/nowhere", "--out", "{tmp}/s"),
        ("audit", "{tmp}/nowhere"),
        ("compare", "{tmp}/nowhere", "{house}"),
        ("edit", "{tmp}/nowhere", "--drop", "x", "--reason", "r"),
        ("edit", "{house}", "--drop", "x", "--reason", "r"),
        ("edit", "{house}", "--drop", "0000", "--reason", " "),
        ("edit", "{house}", "--colour", "0000", "dark", "--reason", "r"),
        ("edit", "{house}", "--relabel", "0000", "Beer 0", "--reason", "r"),
    ],
)
def test_what_cannot_be_done_exits_2_with_one_line(capsys, house, tmp_path, arguments):
    code, out, err = run(capsys, *(word.format(tmp=tmp_path, house=house) for word in arguments))
    assert code == 2 and out == "" and len(err.strip().splitlines()) == 1 and "Traceback" not in err


def test_two_sides_of_one_conflict_are_not_taken(capsys, house):
    assert (
        "--take says SET and FOLDER of all"
        in run(capsys, "extend", house, house, "--take", "SET", "--take", "folder")[2]
    )
