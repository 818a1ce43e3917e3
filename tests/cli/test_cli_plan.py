"""`specmatch plan` from a sheet of beers to its page, and the plan beside the evaluation of the set that came of it."""

import json

import pytest

import specmatch as sm
from specmatch.cli import main
from specmatch.errors import OptionError

BEERS = "beer;colour;batches_a_week\nMeadow Pils;6,2;2\nAmber Lane;22,0;\nPeat Stout;78,0;0,5\n"
QUICK = ["--rough", "--batches", "4", "--pours", "1"]


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    (folder / "beers.csv").write_text(BEERS, encoding="utf-8")
    return folder


@pytest.mark.whole
def test_from_a_sheet_to_a_document(room, capsys):
    argv = ["plan", "--beers", str(room / "beers.csv"), *QUICK]
    assert main([*argv, "--save", str(room / "plan.json"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    results = document["results"]
    assert document["command"] == "plan" and results["advice"]["n_batches"] == 4
    # half a batch a week: four take eight weeks
    assert {row["beer"]: row["weeks"] for row in results["beers"]} == {
        "Meadow Pils": 2.0, "Amber Lane": 4.0, "Peat Stout": 8.0
    }  # fmt: skip


def test_it_asks_for_what_is_typed(room, capsys, monkeypatch):
    asked = {}

    def told(beers, **options):
        asked.update(options, beers=beers)
        raise OptionError("so far it was asked")

    monkeypatch.setattr(sm, "plan", told)
    argv = ["plan", "--beers", str(room / "beers.csv"), *QUICK, "--cup", "40x6", "--wish", "half_width=0.01"]
    assert main([*argv, "--habit", "lab_sd=0.03", "--seed", "2"]) == 2
    assert "so far it was asked" in capsys.readouterr().err
    assert list(asked["beers"].index) == ["Meadow Pils", "Amber Lane", "Peat Stout"]
    assert (asked["n_batches"], asked["n_pours"], asked["cups"]) == ([4], [1], [(40.0, 6.0)])
    assert asked["wishes"] == {"half_width": 0.01} and asked["habits"] == {"lab_sd": 0.03}
    assert asked["rough"] and asked["seed"] == 2 and asked["module"] is None


@pytest.mark.whole
def test_from_a_sheet_to_a_page(room, capsys):
    pytest.importorskip("matplotlib")
    assert main(["plan", "--beers", str(room / "beers.csv"), *QUICK, "--out", str(room / "plan.html")]) == 0
    page = (room / "plan.html").read_text(encoding="utf-8")
    assert "At the bench: the first weeks" in page and "Peat Stout" in page
    assert "☐" in page and "NaN" not in page and ">nan<" not in page


@pytest.mark.whole
def test_a_wish_that_is_not_met_is_for_somebody_to_look_at(room, capsys):
    argv = ["plan", "--beers", str(room / "beers.csv"), *QUICK, "--wish", "half_width=0.01", "--cup", "40x6"]
    assert main(argv) == 1
    out = capsys.readouterr().out
    assert "the best that can be had" in out and "First sessions" in out and "6 mL in a cup of 40 mm" in out


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (["--cup", "40"], "'40' is no cup; write inner diameter in mm, x, fill in mL: 40x10"),
        (["--cup", "0x10"], "has no size"),
        (["--wish", "half_width=0,05"], "has a decimal comma"),
        (["--habit", "lab=0.1"], "habit 'lab' is not known"),
        (["--beers", "nowhere.csv"], "cannot be read"),
    ],
)
def test_one_line_says_what_is_wrong(room, capsys, argv, said):
    try:
        beers = [] if "--beers" in argv else ["--beers", str(room / "beers.csv")]
        code = main(["plan", *beers, *argv])
    except SystemExit as stop:
        code = stop.code
    assert code == 2
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1


def test_a_sheet_without_colours_is_refused(room, capsys):
    (room / "bare.csv").write_text("beer,style\nPils,lager\n", encoding="utf-8")
    assert main(["plan", "--beers", str(room / "bare.csv")]) == 2
    assert "no column 'colour'" in capsys.readouterr().err


@pytest.mark.whole
def test_evaluate_shows_the_plan_beside_what_is_found(room, capsys):
    brewery = sm.Brewery(seed=1)
    named = ("Meadow Pils", "Amber Lane", "Peat Stout")
    past = brewery.draw(5, beers=named)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="house", colour_unit="EBC")
    refs.save(room / "set")
    main(
        ["plan", "--beers", str(room / "beers.csv"), *QUICK, "--set", str(room / "set"), "--save", str(room / "p.json")]
    )
    assert "the set" in capsys.readouterr().out
    assert main(["evaluate", str(room / "set"), "--folds", "3", "--plan", str(room / "p.json"), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["results"]["forecast"]
    assert [row["figure"] for row in rows] == ["half_width", "false_reject", "caught", "covered"]
    assert all(row["found"] is not None for row in rows)
