"""`specmatch demo` from end to end: leaves every file, clears only what is its own, speaks to people and programs."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from default_tour import default_tour, small_tour

from specmatch.cli import demo as command
from specmatch.cli import main
from specmatch.demo import tour as tours
from specmatch.demo.brewery import DEFAULT_SEED, write_brewery
from specmatch.demo.tour import run_tour
from specmatch.errors import StorageError
from specmatch.house.house_model import HouseModel
from specmatch.measurement.session import measure
from specmatch.reference.reference_set import ReferenceSet


@pytest.fixture
def asked(monkeypatch):
    """Hand the command a tour made before, and remember what it asked for."""
    requests = []

    def made_before(folder, **options):
        requests.append({"folder": str(folder), "seed": options["seed"]})
        return replace(small_tour(), folder=Path(folder))

    monkeypatch.setattr(command, "run_tour", made_before)
    return requests


@pytest.mark.whole
def test_everything_is_left_to_look_at():
    tour = default_tour()
    assert {path.name for path in tour.folder.iterdir()} >= {"year", "set", "house.model", "shift"}
    assert len(ReferenceSet.load(tour.folder / "set").batches) == 120
    assert tour.left_out.empty
    table = pd.read_csv(tour.folder / "shift_readings.csv", index_col="sample")
    again = HouseModel.load(tour.folder / "house.model").verify(measure(tour.folder / "shift"))
    assert list(table["decision"]) == list(again["decision"]) == list(tour.readings["decision"])
    answers = pd.read_csv(tour.folder / "shift_answers.csv", index_col="sample")
    assert list(answers.index) == list(table.index)
    assert "invented" in (tour.folder / "INVENTED.txt").read_text(encoding="utf-8")
    pytest.importorskip("matplotlib")
    assert "3 of 13 samples need somebody" in (tour.folder / "shift.html").read_text(encoding="utf-8")


def test_measuring_the_files_gives_the_tables_in_memory(tmp_path):
    house = write_brewery(tmp_path / "year", seed=3, n_batches=1)
    session = measure(tmp_path / "year")
    in_files = session.spectra.set_axis([name.split("/")[-1].removesuffix(".csv") for name in session.spectra.index])
    usable = session.usable.to_numpy(dtype=bool)
    assert usable.sum() > 100
    # the same division of whole numbers: only the order of operations may differ
    np.testing.assert_allclose(
        in_files.to_numpy()[:, usable], house.spectra.loc[in_files.index].to_numpy()[:, usable], rtol=1e-12
    )
    assert list(session.batches["colour"]) == list(house.batches["colour"])


@pytest.mark.whole
def test_a_second_tour_replaces_the_first_and_nothing_else(tmp_path, monkeypatch):
    monkeypatch.setattr(tours, "evaluate", lambda house, refs: None)  # the slow step, of no weight here
    run_tour(tmp_path / "out", seed=3, n_batches=2)
    (tmp_path / "out" / "my notes.txt").write_text("mine", encoding="utf-8")
    before = (tmp_path / "out" / "shift_readings.csv").read_bytes()
    run_tour(tmp_path / "out", seed=4, n_batches=2)
    assert (tmp_path / "out" / "my notes.txt").read_text(encoding="utf-8") == "mine"
    assert (tmp_path / "out" / "shift_readings.csv").read_bytes() != before


@pytest.mark.parametrize("in_the_way", ["file", "folder"])
def test_a_foreign_folder_is_left_alone(tmp_path, capsys, in_the_way):
    out = tmp_path / "out"
    if in_the_way == "file":
        out.write_text("mine", encoding="utf-8")
    else:
        (out / "year").mkdir(parents=True)
        (out / "year" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StorageError, match="was not written by this demo"):
        run_tour(out)
    assert main(["demo", "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert said.out == "" and len(said.err.splitlines()) == 1 and "--out" in said.err
    assert (out if in_the_way == "file" else out / "year" / "mine.txt").read_text(encoding="utf-8") == "mine"


def test_people_get_a_table_and_the_next_step(capsys, asked, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # README's demo leaves its page in the folder that README's tests run in
    assert main(["demo"]) == 0
    said = capsys.readouterr()
    for words in ("invented", "claim", "colour, EBC", "decision", "reason", "RESCAN", "With batches held out"):
        assert words in said.out, words
    assert f"specmatch build {Path('demo_brewery', 'year')} --out sets/house" in said.out
    assert "screening check" in said.out
    assert max(map(len, said.out.splitlines())) <= 100
    # nothing was drawn where the command was told to write, so the last line leads to the table
    assert said.out.splitlines()[-1].startswith(f"Open first: {Path('demo_brewery', 'shift_readings.csv')}")
    assert said.err == ""
    assert asked == [{"folder": "demo_brewery", "seed": DEFAULT_SEED}]


def test_the_last_line_says_what_to_open(capsys, asked, tmp_path):
    (tmp_path / "shift.html").write_text("a page", encoding="utf-8")
    assert main(["demo", "--out", str(tmp_path)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"Open first, in a browser: {tmp_path / 'shift.html'}"


def test_programs_get_one_document(capsys, asked):
    assert main(["demo", "--out", "elsewhere", "--seed", "3", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["command"] == "demo" and document["results"]["invented"] is True
    assert len(document["results"]["readings"]) == 13
    assert {"claimed", "decision", "reason", "colour"} <= set(document["results"]["readings"][0])
    assert asked == [{"folder": "elsewhere", "seed": 3}]


@pytest.mark.parametrize("terminal", [True, False])
def test_progress_is_for_terminals_only(capsys, monkeypatch, terminal):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    monkeypatch.setattr(
        command, "run_tour", lambda folder, *, seed, tell: (tell("fitting the house model"), small_tour())[1]
    )
    assert main(["demo"]) == 0
    said = capsys.readouterr()
    assert ("fitting the house model" in said.err) == terminal
    assert "fitting the house model" not in said.out


def test_a_seed_below_zero_is_refused(tmp_path, capsys):
    assert main(["demo", "--out", str(tmp_path / "out"), "--seed", "-1"]) == 2
    assert "--seed is -1" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
