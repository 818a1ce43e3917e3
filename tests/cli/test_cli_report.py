"""`specmatch report`: a page of a set, a model with readings, and journals; what it refuses."""

import json
import shutil
import sys

import pytest
from small_house import small_tables
from tiny_folder import tiny_folder

import specmatch as sm
from specmatch.cli import main

pytest.importorskip("matplotlib")


@pytest.fixture(scope="module")
def house_files(tmp_path_factory, small_house):
    """A set of three batches, a model, a measured folder, and a journal of it."""
    folder = tmp_path_factory.mktemp("report")
    tiny_folder(folder / "monday")
    house, _ = small_house
    session = sm.measure(folder / "monday")
    refs = sm.ReferenceSet(session.spectra, session.scans, session.batches, name="tiny")
    refs.save(folder / "set")
    sm.ReferenceSet(*small_tables(n_batches=6), name="made-up").save(folder / "big")
    sm.HouseModel().fit(refs).save(folder / "tiny.model")
    house.save(folder / "house.model")
    return folder


@pytest.mark.parametrize("terminal", [True, pytest.param(False, marks=pytest.mark.whole)])
@pytest.mark.parametrize(
    ("words", "steps"),
    [
        pytest.param(
            ["{}/big", "--folds", "3", "--measured", "{}/monday"],
            ["looking", "measuring", "fitting", "evaluating", "drawing", "estimating"],
            marks=pytest.mark.whole,
        ),
        (["{}/tiny.model", "--readings", "{}/monday"], ["measuring", "drawing"]),
    ],
)
def test_long_work_says_what_it_is_at_on_a_terminal_only(
    house_files, capsys, monkeypatch, undrawn, words, steps, terminal
):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    code = main(
        ["report", *(word.format(house_files) for word in words), "--out", str(house_files / "x.html"), "--json"]
    )
    said = capsys.readouterr()
    assert code in (0, 1) and json.loads(said.out)["command"] == "report"
    told = [line.split()[1] for line in said.err.splitlines() if " done, " not in line]
    assert told == (steps if terminal else [])
    (house_files / "x.html").unlink()


def test_a_young_set_gets_a_page_that_says_what_is_missing_and_how_its_references_went(house_files, capsys, undrawn):
    out, folder = house_files / "set.html", str(house_files / "monday")
    args = ["report", str(house_files / "set"), "--out", str(out), "--folds", "3", "--measured", folder]
    code = main([*args, "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code in (0, 1)
    assert told["results"]["of"] == "set"
    assert told["results"]["n_bytes"] == out.stat().st_size
    page = out.read_text(encoding="utf-8")
    assert "Reference set tiny" in page
    assert "What it cannot do" in page
    assert "One reference scan, nothing to hold it against; off those before them: 0" in page
    assert "Light of the reference scans: a slow fall" in page


def test_a_model_gets_a_page_with_a_sheet_for_each_departure(house_files, capsys, undrawn):
    out = house_files / "model.html"
    words = ["report", str(house_files / "tiny.model"), "--out", str(out)]
    assert main(words) == 0
    assert "Sample" not in out.read_text(encoding="utf-8").split("<body>")[1].replace("sample", "")
    code = main([*words, "--readings", str(house_files / "monday"), "--claim", "Pale"])
    page = out.read_text(encoding="utf-8")
    verified = sm.HouseModel.load(house_files / "tiny.model").verify(sm.measure(house_files / "monday"), claimed="Pale")
    assert code == int((verified["decision"] != "consistent").any())
    assert page.count("what was done") == int((verified["decision"] != "consistent").sum())
    assert "... " not in capsys.readouterr().err  # no terminal waits


def test_a_journal_gets_a_page(house_files, capsys, undrawn):
    journal, out = house_files / "line.db", house_files / "line.html"
    main(["verify", str(house_files / "tiny.model"), str(house_files / "monday"), "--journal", str(journal)])
    capsys.readouterr()
    code = main(["report", str(journal), str(journal), "--out", str(out), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code in (0, 1)
    assert told["results"]["of"] == "journal"
    page = out.read_text(encoding="utf-8")
    assert "line.db" in page
    assert "The newest entries" in page


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{}/set", "{}/tiny.model", "--out", "{}/x.html"], "of one set, of one model, or of one or several journals"),
        (["{}/tiny.model", "{}/tiny.model", "--out", "{}/x.html"], "make a page of each"),
        (["{}/set", "--readings", "{}/monday", "--out", "{}/x.html"], "go with a model"),
        (["{}/tiny.model", "--measured", "{}/monday", "--out", "{}/x.html"], "--measured goes with a set"),
        (["{}/tiny.model", "--claim", "Pale", "--out", "{}/x.html"], "name the folder"),
        (["{}/tiny.model", "--readings", "{}/no", "--claim", "Plae", "--out", "{}/x.html"], "is 'Pale' meant?"),
        (["{}/nothing", "--out", "{}/x.html"], "No such file"),
        (["{}/monday/scans.csv", "--out", "{}/x.html"], "scans.csv"),
        (["{}/monday", "--out", "{}/x.html"], "monday"),
    ],
)
def test_what_is_no_source_is_refused_in_one_line(house_files, capsys, words, says):
    assert main(["report", *(word.format(house_files) for word in words)]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1
    assert not (house_files / "x.html").exists()


def test_without_matplotlib_the_command_says_how_to_get_it(house_files, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert main(["report", str(house_files / "set"), "--out", str(house_files / "x.html")]) == 2
    said = capsys.readouterr().err
    assert "pip install '.[plot]'" in said
    assert said.count("\n") == 1


def test_a_claim_that_nobody_knows_holds_its_own_sample_on_the_page_too(house_files, capsys, undrawn, tmp_path):
    shutil.copytree(house_files / "monday", tmp_path / "monday")
    sheet = tmp_path / "monday" / "scans.csv"
    sheet.write_text(sheet.read_text().replace(",Pale,", ",none,"))
    asked = [
        "report",
        str(house_files / "tiny.model"),
        "--readings",
        str(tmp_path / "monday"),
        "--out",
        str(tmp_path / "x.html"),
    ]
    assert main(asked) == 1
    assert "claimed to be &#x27;none&#x27;" in (tmp_path / "x.html").read_text(encoding="utf-8")
