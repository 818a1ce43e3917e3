"""`specmatch gauge` from a folder to its page, and what it says where nothing can be told."""

import json

import pandas as pd
import pytest
from tiny_folder import tiny_folder

import specmatch as sm
from specmatch.cli import main
from specmatch.errors import TooFewBatchesError


@pytest.fixture(scope="module")
def room(tmp_path_factory, small_house):
    folder = tmp_path_factory.mktemp("gauge")
    small_house[0].save(folder / "house.model")
    tiny_folder(folder / "tiny")
    return folder


@pytest.fixture(scope="module")
def study(room):
    """A batch of each beer, poured three times."""
    sm.write_brewery(room / "study", n_batches=1, draw=1)
    return room / "study"


@pytest.mark.whole
def test_a_study_of_pours_with_its_page_and_the_budget(room, study, capsys):
    pytest.importorskip("matplotlib")
    page = room / "gauge.html"
    argv = ["gauge", str(room / "house.model"), str(study), "--tolerance", "2", "--out", str(page), "--json"]
    assert main(argv) == 0
    results = json.loads(capsys.readouterr().out)["results"]
    # each batch was poured by its own people: that is all that can be told, and it is said
    assert results["layout"] == "nested"
    assert any("repeatability only" in sentence for sentence in results["sentences"])
    assert {row["component"] for row in results["budget"]} >= {"fill", "noise", "regression", "reading"}
    text = page.read_text(encoding="utf-8")
    assert "Uncertainty budget" in text and "repeatability only" in text
    assert main(argv[:3]) == 0
    assert "two results differ by more than r (R) once in twenty times" in capsys.readouterr().out


@pytest.mark.whole
def test_the_same_study_with_crossed_operators(room, study, tmp_path, capsys):
    import shutil

    shutil.copytree(study, tmp_path / "crossed")
    sheet = pd.read_csv(tmp_path / "crossed" / "scans.csv", dtype=str, keep_default_na=False)
    place = sheet[sheet["role"] == "sample"].groupby("batch").cumcount()
    sheet["operator"] = place.map({0: "Ann", 1: "Bo", 2: "Cy"}).fillna("Ann")
    sheet["session"] = ""
    sheet.to_csv(tmp_path / "crossed" / "scans.csv", index=False)
    assert main(["gauge", str(room / "house.model"), str(tmp_path / "crossed"), "--json"]) == 0
    results = json.loads(capsys.readouterr().out)["results"]
    assert results["factors"] == ["batch", "operator"] and results["layout"] == "crossed"


def test_it_asks_for_what_is_typed(room, capsys, monkeypatch):
    asked = {}

    def told(house, session, **options):
        asked.update(options, scans=len(session.spectra), beers=len(house.beers_))
        raise TooFewBatchesError("so far it was asked")

    monkeypatch.setattr(sm, "gauge", told)
    assert main(["gauge", str(room / "house.model"), str(room / "tiny"), "--tolerance", "2"]) == 2
    assert "so far it was asked" in capsys.readouterr().err
    assert asked == {"tolerance": 2.0, "scans": 9, "beers": 12}


@pytest.mark.parametrize(("tolerance", "said"), [("0", "whole width of a tolerance"), ("x", "is no number")])
def test_a_wrong_tolerance_is_one_clear_line(room, capsys, tolerance, said):
    argv = ["gauge", str(room / "house.model"), str(room / "tiny"), "--tolerance", tolerance]
    try:
        code = main(argv)
    except SystemExit as stop:
        code = stop.code
    assert code == 2 and said in capsys.readouterr().err
