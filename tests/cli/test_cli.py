"""The command line from raw files to decisions, as a program would call it, and its answers to bad input."""

import json
import os
import pickle
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.cli import COMMANDS, main
from specmatch.demo.brewery import Brewery, write_brewery, write_shift
from specmatch.errors import TooFewBatchesError
from specmatch.report.text import FIGURE_WORDS


def test_a_reading_goes_without_the_tools_of_others(tmp_path):
    # as a fresh process: here they are loaded already
    code = (
        "import sys; from specmatch.cli import main; main(['colour', '--a430', '0.5']); import scipy.special; "
        "assert 'numpy.f2py.crackfortran' not in sys.modules and 'unittest' not in sys.modules; "
        "from numpy.testing import assert_equal; assert_equal(1, 1); "
        "import numpy; numpy.f2py.get_include(); assert 'numpy.f2py.crackfortran' in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def copy_of(folder: Path, to: Path) -> Path:
    shutil.copytree(folder, to)
    return to


def edit_sheet(folder: Path, change) -> None:
    sheet = pd.read_csv(folder / "scans.csv", dtype=str, keep_default_na=False)
    change(sheet).to_csv(folder / "scans.csv", index=False)


def first_samples(shift: Path, folder: Path) -> None:
    """Copy a shift with its first four samples only."""
    copy_of(shift, folder)
    sheet = pd.read_csv(folder / "scans.csv", dtype=str, keep_default_na=False)
    four = sheet["sample"][sheet["role"] == "sample"].unique()[:4]
    for name in sheet["file"][(sheet["role"] == "sample") & ~sheet["sample"].isin(four)]:
        (folder / name).unlink()
    edit_sheet(folder, lambda s: s[(s["role"] != "sample") | s["sample"].isin(four)])


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """A small measured year, its set and model, one shift and its first samples, made by the commands themselves."""
    folder = tmp_path_factory.mktemp("workshop")
    write_brewery(folder / "year", seed=1, n_batches=4)
    write_shift(folder / "shift", Brewery(1))
    first_samples(folder / "shift", folder / "few")
    assert main(["build", str(folder / "year"), "--out", str(folder / "set"), "--unit", "EBC"]) in (0, 1)
    assert main(["fit", str(folder / "set"), "--out", str(folder / "house.model")]) == 0
    return folder


def answer(capsys, *args):
    code = main([*map(str, args)])
    out, err = capsys.readouterr()
    return code, out, err


def answer_json(capsys, *args):
    code, out, _ = answer(capsys, *args, "--json")
    return code, json.loads(out, parse_constant=lambda name: pytest.fail(f"{name} in a JSON document"))


def refused(capsys, *args):
    """Exit code 2, nothing on stdout, one line on stderr without a traceback; returns the line."""
    code, out, err = answer(capsys, *args)
    assert code == 2
    assert out == ""
    assert "Traceback" not in err
    (line,) = err.strip().splitlines()
    return line


def test_measure_writes_reflectance(workshop, capsys, tmp_path):
    code, got = answer_json(capsys, "measure", workshop / "shift", "--out", tmp_path / "shift.csv")
    assert code in (0, 1)
    assert got["command"] == "measure"
    table = pd.read_csv(tmp_path / "shift.csv", index_col=0)
    assert len(table) >= 30


def test_read_gives_a_row_a_sample_in_either_unit(workshop, capsys):
    _, ebc = answer_json(capsys, "read", workshop / "house.model", workshop / "few")
    _, srm = answer_json(capsys, "read", workshop / "house.model", workshop / "few", "--unit", "SRM")
    assert len(ebc["results"]) == len(srm["results"]) == 4
    for one, other in zip(ebc["results"], srm["results"], strict=True):
        assert other["colour_unit"] == "SRM"
        # 25 and 12.7 are the two published factors
        assert one["colour"] == pytest.approx(other["colour"] * 25 / 12.7)


def test_verify_judges_the_folders_claims_and_asks_someone_to_look(workshop, capsys):
    code, got = answer_json(capsys, "verify", workshop / "house.model", workshop / "shift")
    assert code == 1
    decisions = {row["sample"]: row["decision"] for row in got["results"]}
    assert set(decisions.values()) == {"consistent", "hold", "rescan"}
    code, out, _ = answer(capsys, "verify", workshop / "house.model", workshop / "shift")
    assert code == 1
    assert "screening check" in out
    assert "policy" in out


def test_one_claim_for_all(workshop, capsys):
    _, got = answer_json(capsys, "verify", workshop / "house.model", workshop / "shift", "--claim", "Peat Stout")
    assert {row["claimed"] for row in got["results"]} == {"Peat Stout"}
    assert sum(row["decision"] == "hold" for row in got["results"]) >= 9


def test_a_changeover_says_what_is_left(workshop, capsys):
    args = ("verify", workshop / "house.model", workshop / "few", "--from", "Peat Stout", "--to", "Chalk Lager")
    code, got = answer_json(capsys, *args)
    assert code == 1
    assert {row["before"] for row in got["results"]} == {"Peat Stout"}
    assert all(0 <= row["fraction_low"] <= row["fraction"] <= row["fraction_high"] <= 1 for row in got["results"])
    assert len(got["results"]) == 4 and all(row["changeover"] for row in got["results"])
    assert "go together" in refused(capsys, *args[:-2])


@pytest.mark.whole
def test_a_changeover_in_words_says_what_may_be_missed(workshop, capsys):
    args = ("verify", workshop / "house.model", workshop / "shift", "--from", "Peat Stout", "--to", "Chalk Lager")
    text = answer(capsys, *args)[1]
    assert "may be missed" in text
    # a shift of several beers is no changeover: read together its last samples are not the beer after it
    assert "together: " in text


@pytest.mark.whole
def test_packages_of_a_lot_are_judged_together(workshop, capsys):
    args = ("verify", workshop / "house.model", workshop / "shift", "--packages")
    code, got = answer_json(capsys, *args)
    assert code == 1
    decisions = [row["decision"] for row in got["results"]]
    assert set(decisions) <= {"consistent", "hold", "another", "rescan", None} and "consistent" in decisions


def test_packages_are_no_readings(workshop, capsys):
    args = ("verify", workshop / "house.model", workshop / "few", "--packages")
    assert "leave --journal" in refused(capsys, *args, "--unit", "SRM")


@pytest.mark.whole
def test_packages_under_a_wrong_claim_are_held_and_their_rival_named(workshop, capsys):
    args = ("verify", workshop / "house.model", workshop / "shift", "--packages")
    wrong = answer_json(capsys, *args, "--claim", "Peat Stout")[1]["results"]
    assert sum(row["decision"] == "consistent" for row in wrong) <= 1
    assert "rival" in answer(capsys, *args)[1]


@pytest.fixture
def three_beers(tmp_path):
    drawn = Brewery(1).draw(4, beers=["Chalk Lager", "Amber Lane", "Peat Stout"])
    sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches).save(tmp_path / "set")
    return tmp_path / "set"


@pytest.mark.whole
def test_evaluate_as_one_document(capsys, three_beers):
    code, got = answer_json(capsys, "evaluate", three_beers, "--folds", "2")
    assert code == 0
    assert set(got["results"]) >= {"figures", "colour", "identity", "mix_ups", "coverage"}


def test_evaluate_asks_for_what_is_typed(capsys, three_beers, monkeypatch):
    asked = {}

    def told(house, refs, **options):
        asked.update(options, rate=house.false_reject_rate, batches=len(refs.batches))
        raise TooFewBatchesError("so far it was asked")

    monkeypatch.setattr(sm, "evaluate", told)
    said = refused(capsys, "evaluate", three_beers, "--folds", "2", "--seed", "5", "--false-reject-rate", "0.1")
    assert "so far it was asked" in said
    assert asked == {"n_folds": 2, "seed": 5, "n_jobs": None, "plan": None, "rate": 0.1, "batches": 12}


@pytest.mark.whole
def test_one_beer_and_a_set_without_lab_values_are_evaluated_in_words(capsys, tmp_path):
    drawn = Brewery(1).draw(5, beers=["Amber Lane"])
    sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches.assign(colour=np.nan)).save(tmp_path / "set")
    code, text, _ = answer(capsys, "evaluate", tmp_path / "set")
    assert code == 0 and "no other beer of the house" in " ".join(text.split()) and "nan" not in text
    assert "too few lab values for a colour" in " ".join(text.split())
    drawn = Brewery(1).draw(4, beers=["Amber Lane", "Peat Stout"], n_pours=1)
    sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches).save(tmp_path / "one pour")
    code, text, _ = answer(capsys, "evaluate", tmp_path / "one pour", "--folds", "2")
    assert code == 0 and "no sample of this set has two" in " ".join(text.split()) and "nan" not in text


def test_one_batch_is_too_few_to_choose_from(capsys, tmp_path):
    drawn = Brewery(1).draw(2, beers=["Amber Lane"])
    one = drawn.scans["batch"] == drawn.scans["batch"].iloc[0]
    sm.ReferenceSet(drawn.spectra[one], drawn.scans[one], drawn.batches).save(tmp_path / "one")
    assert "the set holds 1 batch of 1 beer; a curve needs several" in refused(capsys, "choose", tmp_path / "one")


def test_audit_as_one_document(capsys, three_beers):
    code, got = answer_json(capsys, "audit", three_beers)
    assert code in (0, 1)
    assert got["command"] == "audit"


@pytest.mark.whole
def test_evaluate_says_each_figure_in_words(capsys, three_beers):
    code, text, _ = answer(capsys, "evaluate", three_beers, "--folds", "2")
    assert code == 0
    assert text.startswith("With batches held out (12 batches of 3 beers): colour within")
    said = {line.split()[0]: line for line in text.splitlines() if line.split()[:1]}
    assert all(words in said[name] for name, words in FIGURE_WORDS.items() if name != "value_name")


def test_a_single_file_of_reflectance_is_read(workshop, capsys, tmp_path):
    spectrum = Brewery(1).draw(1, draw=3).spectra.iloc[0].loc[405.0:745.0]
    lines = [f"{nm:.2f},{value:.6f}" for nm, value in spectrum.items()]
    (tmp_path / "one.csv").write_text("wavelength_nm,reflectance\n" + "\n".join(lines) + "\n")
    code, got = answer_json(capsys, "read", workshop / "house.model", tmp_path / "one.csv")
    assert code in (0, 1)
    assert len(got["results"]) == 1
    counts = next(path for path in (workshop / "shift").rglob("*") if path.is_file() and path.name != "scans.csv"
                  and path.suffix in {".txt", ".csv", ".dat"} and "batches" not in path.name)  # fmt: skip
    if "counts" in counts.read_text(errors="replace").lower():
        assert "reading needs reflectance" in refused(capsys, "read", workshop / "house.model", counts)


def test_colour_by_transmission(capsys):
    code, got = answer_json(capsys, "colour", "--a430", "0.5")
    assert code == 0
    assert "6.35" in json.dumps(got["results"])  # 12.7 x 0.5, ASBC Beer-10A
    code, text, _ = answer(capsys, "colour", "--a430", "-0.5")
    assert code == 1 and "the blank is wrong or dirty" in text


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command, capsys):
    with pytest.raises(SystemExit) as stopped:
        main([command, "--help"])
    assert stopped.value.code == 0
    assert "Example: specmatch" in " ".join(capsys.readouterr().out.split())


def test_wrong_arguments_are_one_line(capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["fit"])
    assert stopped.value.code == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_it_runs_as_a_module_too():
    done = subprocess.run([sys.executable, "-m", "specmatch", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("specmatch 0.")


def test_a_folder_that_is_not_there(workshop, capsys, tmp_path):
    assert "nowhere" in refused(capsys, "measure", tmp_path / "nowhere")
    assert "nowhere" in refused(capsys, "read", workshop / "house.model", tmp_path / "nowhere")
    assert "specmatch build" in refused(capsys, "fit", tmp_path / "nowhere", "--out", tmp_path / "m")
    (tmp_path / "file").write_text("no set")
    assert "is a file; a reference set is a folder" in refused(capsys, "audit", tmp_path / "file")


def test_a_folder_without_a_scans_sheet(capsys, tmp_path):
    (tmp_path / "a.txt").write_text("1,2\n")
    assert "scans.csv" in refused(capsys, "measure", tmp_path)


def test_a_listed_scan_that_is_missing_is_left_out_by_name(workshop, capsys, tmp_path):
    folder = copy_of(workshop / "few", tmp_path / "shift")
    sheet = pd.read_csv(folder / "scans.csv", dtype=str, keep_default_na=False)
    gone = sheet.loc[sheet["role"] == "sample", "file"].iloc[0]
    (folder / gone).unlink()
    code, got = answer_json(capsys, "verify", workshop / "house.model", folder)
    assert code == 1
    assert gone in json.dumps(got["left_out"])


@pytest.mark.parametrize("role", ["reference", "dark"])
def test_samples_without_a_reference_or_dark_cannot_be_used(workshop, capsys, tmp_path, role):
    folder = copy_of(workshop / "few", tmp_path / "shift")
    edit_sheet(folder, lambda sheet: sheet[sheet["role"] != role])
    assert role in refused(capsys, "read", workshop / "house.model", folder)


@pytest.mark.whole
def test_one_session_without_its_reference_is_read_against_an_old_one_and_says_so(workshop, capsys, tmp_path):
    folder = copy_of(workshop / "year", tmp_path / "year")
    sheet = pd.read_csv(folder / "scans.csv", dtype=str, keep_default_na=False)
    spoilt = sheet["session"].iloc[-1]
    edit_sheet(folder, lambda s: s[(s["session"] != spoilt) | (s["role"] != "reference")])
    code, got = answer_json(capsys, "read", workshop / "house.model", folder)
    assert code == 1
    of_spoilt = set(sheet.loc[(sheet["session"] == spoilt) & (sheet["role"] == "sample"), "sample"])
    stale = {row["sample"] for row in got["results"] if "stale_reference" in row["warnings"]}
    assert stale == of_spoilt


def test_counts_that_are_text(workshop, capsys, tmp_path):
    folder = copy_of(workshop / "few", tmp_path / "one")
    sheet = pd.read_csv(folder / "scans.csv", dtype=str, keep_default_na=False)
    samples = sheet.loc[sheet["role"] == "sample", "file"]
    (folder / samples.iloc[0]).write_text("these are no counts\nnor are these\n")
    code, got = answer_json(capsys, "read", workshop / "house.model", folder)
    assert code == 1
    assert [row for row in got["left_out"] if samples.iloc[0] in json.dumps(row)]
    for name in samples:
        (folder / name).write_text("these are no counts\nnor are these\n")
    refused(capsys, "read", workshop / "house.model", folder)


def test_a_scan_that_does_not_cover_the_model(workshop, capsys, tmp_path):
    lines = "".join(f"{nm},0.3\n" for nm in range(500, 600, 2))
    (tmp_path / "short.csv").write_text("wavelength_nm,reflectance\n" + lines)
    line = refused(capsys, "read", workshop / "house.model", tmp_path / "short.csv")
    assert "500.0 to 598.0 nm" in line


def test_an_empty_set_and_one_of_two_batches(workshop, capsys, tmp_path):
    (tmp_path / "empty").mkdir()
    refused(capsys, "fit", tmp_path / "empty", "--out", tmp_path / "m")
    write_brewery(tmp_path / "year", seed=1, n_batches=1)
    edit_sheet(
        tmp_path / "year",
        lambda s: s[(s["role"] != "sample") | s["batch"].isin(sorted(set(s["batch"]) - {""})[:2])],
    )
    main(["build", str(tmp_path / "year"), "--out", str(tmp_path / "set")])
    capsys.readouterr()
    assert "needs 3" in refused(capsys, "fit", tmp_path / "set", "--out", tmp_path / "m")
    assert not (tmp_path / "m").exists()


def test_a_claim_of_no_beer(workshop, capsys):
    line = refused(capsys, "verify", workshop / "house.model", workshop / "few", "--claim", "Nobody's Ale")
    assert "Nobody's Ale" in line
    assert "Peat Stout" in line
    # ... and before a folder is measured, or even looked for
    for option in ("--claim", "--to"):
        asked = ("--from", "water", option) if option == "--to" else (option,)
        line = refused(capsys, "verify", workshop / "house.model", workshop / "nowhere", *asked, "Nobody's Ale")
        assert f'{option} is "Nobody\'s Ale", which is no beer of the set' in line


def test_a_claim_nearly_right_is_answered_with_the_name_that_was_meant(workshop, capsys):
    line = refused(capsys, "verify", workshop / "house.model", workshop / "few", "--claim", "peat Stuot")
    assert "no beer of the set (is 'Peat Stout' meant?); it holds Amber Lane" in line
    assert "meant?" not in refused(capsys, "verify", workshop / "house.model", workshop / "few", "--claim", "xyz")


def test_mistakes_of_the_first_hour_are_told_with_the_way_out(workshop, capsys, tmp_path):
    assert "is a folder; a model is a file" in refused(capsys, "read", workshop / "set", workshop / "few")
    assert "is a folder; a model is a file" in refused(capsys, "read", workshop / "few", workshop / "house.model")
    assert "into batches.csv of the folder" in refused(capsys, "validate", workshop / "house.model", workshop / "few")
    (tmp_path / "page.md").write_text("# Notes\n\nNothing of a spectrum here.\n")
    assert "if this is a scan file" in refused(capsys, "read", workshop / "house.model", tmp_path / "page.md")
    assert main(["measure", str(workshop / "few"), "--out", str(tmp_path / "bare.csv")]) == 1
    capsys.readouterr()
    assert "--claim BEER" in refused(capsys, "verify", workshop / "house.model", tmp_path / "bare.csv")


def test_inspect_says_whose_model_and_which_beers(workshop, capsys):
    code, text, _ = answer(capsys, "inspect", workshop / "house.model")
    assert code == 0 and "  beers: 12: Amber Lane, Chalk Lager" in text and "  coverage: 0.9" in text
    code, text, _ = answer(capsys, "inspect", workshop / "set")
    assert code == 0 and "  beers: 12: Amber Lane (4), Chalk Lager (4)" in text and "None" not in text


def test_a_decimal_comma_is_answered_with_the_number_to_type(capsys):
    for text, said in (("0,5", "'0,5' has a decimal comma; write 0.5"), ("half", "'half' is no number")):
        with pytest.raises(SystemExit):
            main(["colour", "--a430", text])
        assert said in capsys.readouterr().err


def test_files_that_are_no_model(workshop, capsys, tmp_path):
    (tmp_path / "evil.model").write_bytes(pickle.dumps({"a": 1}))
    assert "evil.model" in refused(capsys, "read", tmp_path / "evil.model", workshop / "shift")
    whole = (workshop / "house.model").read_bytes()
    (tmp_path / "cut.model").write_bytes(whole[: len(whole) // 2])
    assert "cut.model" in refused(capsys, "read", tmp_path / "cut.model", workshop / "shift")
    with zipfile.ZipFile(workshop / "house.model") as old, zipfile.ZipFile(tmp_path / "later.model", "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == "manifest.json":
                manifest = json.loads(data)
                manifest["format"] = 99
                data = json.dumps(manifest).encode()
            new.writestr(name, data)
    assert "99" in refused(capsys, "read", tmp_path / "later.model", workshop / "shift")


def test_a_sample_under_two_parents(workshop, capsys, tmp_path):
    folder = copy_of(workshop / "shift", tmp_path / "shift")

    def two_parents(sheet):
        row = sheet.index[sheet["role"] == "sample"][0]
        sheet.loc[row, "batch"] = "another batch"
        return sheet

    edit_sheet(folder, two_parents)
    line = refused(capsys, "read", workshop / "house.model", folder)
    assert "another batch" in line


@pytest.mark.skipif(os.name != "posix", reason="a folder that cannot be written to, the POSIX way")
@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(workshop, capsys, tmp_path):
    tmp_path.chmod(0o500)
    refused(capsys, "fit", workshop / "set", "--out", tmp_path / "m")
