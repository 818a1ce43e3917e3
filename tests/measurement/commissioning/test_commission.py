"""A commissioning from a folder: figures, limits, certificate, and what a lab may hand over wrongly."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.cli import main
from specmatch.errors import MissingScanError, OptionError, TooFewBatchesError, UnitError
from specmatch.measurement.commissioning.figures import Estimate, judge, limits_of


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "good"
    sm.write_bench_day(folder)
    return folder


@pytest.fixture(scope="module")
def found(good):
    return sm.commission(good)


def changed(folder, to, change):
    """Copy a folder with its sheet changed."""
    shutil.copytree(folder, to)
    sheet = change(pd.read_csv(to / "scans.csv", dtype=str, keep_default_na=False))
    sheet.to_csv(to / "scans.csv", index=False)
    return to


def test_a_good_module_is_within_every_limit(found):
    assert found.verdict == "within its limits" and found.left_out.empty


@pytest.mark.whole
def test_another_limit_is_another_certificate(good, found):
    assert sm.commission(good, limits={"level_drift": 0.02}).certificate != found.certificate


def test_a_certificate_is_written_with_its_hash(found, tmp_path):
    found.save(tmp_path / "certificate.json")
    content = json.loads((tmp_path / "certificate.json").read_text())
    assert content["certificate"] == found.certificate and len(content["figures"]) == len(found.figures)


@pytest.mark.parametrize(
    ("value", "sd", "state"),
    [(0.05, 0.01, "within"), (0.09, 0.01, "near"), (0.11, 0.01, "near"), (-0.2, 0.01, "beyond"),
     (np.nan, 0, "not measured")],
)  # fmt: skip
def test_within_near_and_beyond(value, sd, state):
    found = judge({"axis_shift_nm": (Estimate(value, sd), "")}, {"axis_shift_nm": 0.1})
    assert found.loc["axis_shift_nm", "state"] == state


def test_unknown_pieces_are_left_out_and_named_and_what_was_not_scanned_is_not_measured(good, tmp_path):
    def odd(sheet):
        few = sheet[sheet["material"] != "steady light"]
        return few.assign(material=few["material"].replace("opaque cup", "black hat"))

    found = sm.commission(changed(good, tmp_path / "odd", odd))
    left_out, state = found.left_out, found.figures["state"]
    assert len(left_out) == 3 and left_out["reason"].str.contains("'black hat' names no piece that is known").all()
    assert set(state.index[state == "not measured"]) >= {"other_light", "level_drift", "axis_drift_nm"}


@pytest.mark.whole
def test_lines_of_an_own_certificate_go_before_the_published(good):
    found = sm.commission(good, lines_nm={"holmium glass": [446.2, 453.6, 460.2, 484.7, 536.6, 637.7]})
    assert abs(found.pieces.loc["holmium glass", "shift_nm"] - 0.2) < 0.15
    with pytest.raises(OptionError, match="'green tile' has no lines"):
        sm.commission(good, lines_nm={"green tile": [500.0, 510.0]})
    with pytest.raises(OptionError, match="two wavelengths or more"):
        sm.commission(good, lines_nm={"holmium glass": [500.0]})


def test_limits_are_checked():
    with pytest.raises(OptionError, match="'drift' is no figure with a limit"):
        limits_of({"drift": 1.0})
    with pytest.raises(OptionError, match="level_drift is -1; expected a number above 0"):
        limits_of({"level_drift": -1})


def test_a_folder_without_pieces_says_where_to_look(good, tmp_path):
    folder = changed(good, tmp_path / "none", lambda s: s[s["role"] != "check"])
    with pytest.raises(MissingScanError, match="no check scan can be used.*--bench-sheet"):
        sm.commission(folder)
    (tmp_path / "read").mkdir()
    (tmp_path / "read" / "a.csv").write_text(
        "wavelength_nm;reflectance\n" + "".join(f"{x};0.5\n" for x in range(400, 700))
    )
    (tmp_path / "read" / "scans.csv").write_text("file,role,sample\na.csv,sample,S1\n")
    with pytest.raises(MissingScanError, match="no check scan can be used"):  # of reflectance there are no counts
        sm.commission(tmp_path / "read")


def test_a_day_without_a_reference_says_why_pieces_are_not_measured(good, tmp_path):
    found = sm.commission(changed(good, tmp_path / "dark", lambda s: s[s["role"] != "reference"]))
    assert "no reference scan: pieces that are held against one" in " ".join(found.left_out["reason"])


def test_two_modules_are_two_commissionings(good, tmp_path):
    def other(sheet):
        sheet.loc[sheet.index[-1], "instrument"] = "unit 2"
        return sheet

    with pytest.raises(UnitError, match="a commissioning is of one module"):
        sm.commission(changed(good, tmp_path / "two", other))


def test_a_corrected_axis_needs_lines(good, tmp_path):
    folder = changed(good, tmp_path / "dark", lambda s: s[~s["material"].isin(["holmium glass", "mercury lamp"])])
    with pytest.raises(TooFewBatchesError, match="0 lines were found"):
        sm.commission(folder, correct_axis=True)


def test_the_command_writes_what_is_asked_for(good, found, tmp_path, capsys, undrawn):
    pytest.importorskip("matplotlib")
    page, axis, certificate = (tmp_path / name for name in ("page.html", "axis.json", "certificate.json"))
    argv = ["commission", str(good), "--json", "--out", str(page), "--correct-axis", str(axis)]
    assert main([*argv, "--certificate", str(certificate)]) == 0
    results = json.loads(capsys.readouterr().out)["results"]
    assert results["verdict"] == "within its limits"
    assert results["certificate"] == json.loads(certificate.read_text())["certificate"]
    # the same scans, the same certificate
    assert results["certificate"] == found.certificate
    assert results["axis"]["version"] == json.loads(axis.read_text())["version"]
    assert "mercury" in page.read_text() and "Local rules and licensed practice come first" in page.read_text()


def test_the_command_wants_a_look_where_a_limit_is_passed(good, capsys):
    assert main(["commission", str(good), "--limit", "water_spread=0.001"]) == 1
    assert "beyond: water_spread" in capsys.readouterr().out


def test_the_sheet_for_the_bench_and_clear_lines(capsys):
    assert main(["commission", "--bench-sheet"]) == 0
    assert "holmium glass" in capsys.readouterr().out
    assert main(["commission"]) == 2
    assert "--bench-sheet" in capsys.readouterr().err
    assert main(["commission", "x", "--limit", "level_drift"]) == 2
    assert "write it as level_drift=0.02" in capsys.readouterr().err


def test_later_scans_name_their_certificate(tmp_path):
    sm.write_brewery(tmp_path / "week", n_batches=1, n_pours=1)
    digits = "42949609d433"
    sheet = pd.read_csv(tmp_path / "week" / "scans.csv", dtype=str, keep_default_na=False).assign(certificate=digits)
    sheet.to_csv(tmp_path / "week" / "scans.csv", index=False)
    session = sm.measure(tmp_path / "week")
    assert (session.scans["certificate"] == digits).all() and session.notes.empty
