"""`specmatch measure` and `specmatch inspect`: exit codes, one JSON document, what a technician reads."""

import json

import numpy as np
import pytest
from tiny_folder import tiny_folder

import specmatch as sm
from specmatch.cli import main
from specmatch.measurement.readers.files import read_scans
from specmatch.report.json_document import document as json_text


def run(capsys, *args):
    code = main([str(arg) for arg in args])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_measure_writes_a_table_that_reads_back(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "monday")
    code, out, err = run(capsys, "measure", folder, "--out", tmp_path / "monday.csv")
    assert code == 0 and not err
    assert "9 scans of 3 samples" in out and "usable band" in out and "written to" in out
    scans = read_scans(tmp_path / "monday.csv")
    assert [scan.scan_id for scan in scans] == [f"{b}-{k}.csv" for b in ("Pale", "Amber", "Dark") for k in (1, 2, 3)]
    assert all(scan.quantity == "reflectance" for scan in scans)


def test_measure_as_one_json_document(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "monday", change=lambda f, c: np.minimum(c, 9000) if f == "Pale-1.csv" else c)
    (folder / "Dark-1.csv").write_text("wavelength_nm;counts\n400;x\n")
    code, out, err = run(capsys, "measure", folder, "--json")
    document = json.loads(out)
    assert code == 1 and not err and document["command"] == "measure"
    assert document["left_out"][0]["file"] == "Dark-1.csv"
    assert "saturated" in {row["code"] for row in document["results"]["checks"]}
    assert document["results"]["scans"] == 8


@pytest.mark.parametrize(
    ("prepare", "match"),
    [
        (lambda folder: None, "no such folder"),
        (lambda folder: folder.mkdir(), "no scans.csv"),
        (
            lambda folder: tiny_folder(folder, rows=lambda rows: [r for r in rows if r["role"] != "dark"]),
            "has no dark scan",
        ),
        (
            lambda folder: tiny_folder(folder, rows=lambda rows: [r for r in rows if r["role"] != "reference"]),
            "has no reference scan",
        ),
        (lambda folder: tiny_folder(folder, change=lambda f, c: c * np.nan), "nothing usable is left"),
        (
            lambda folder: tiny_folder(folder, rows=lambda rows: [{**r, "pour": "p", "session": ""} for r in rows]),
            "stands under",
        ),
    ],
    ids=["no folder", "no sheet", "no dark", "no reference", "text for counts", "two parents"],
)
def test_nothing_usable_is_one_line_and_exit_2(tmp_path, capsys, prepare, match):
    folder = tmp_path / "f"
    prepare(folder)
    code, out, err = run(capsys, "measure", folder)
    assert code == 2 and not out and len(err.strip().splitlines()) == 1 and match in err


def test_one_level_too_high_or_too_low_is_told_with_the_folder_to_name(tmp_path, capsys):
    tiny_folder(tmp_path / "bench" / "monday")
    (tmp_path / "bench" / "monday" / "scans").mkdir()
    (tmp_path / "bench" / "monday" / "none").mkdir()
    monday = tmp_path / "bench" / "monday"
    for folder in (tmp_path / "bench", monday / "scans"):
        code, _, err = run(capsys, "measure", folder)
        assert code == 2 and f"no scans.csv; {monday} has one: name that folder" in err
    tiny_folder(tmp_path / "bench" / "tuesday")
    assert "is a file; name the folder" in run(capsys, "measure", monday / "scans.csv")[2]
    assert "tuesday have one" in run(capsys, "measure", tmp_path / "bench")[2]
    run(capsys, "build", monday, "--out", tmp_path / "set")
    assert "it is a reference set" in run(capsys, "build", tmp_path / "set", "--out", tmp_path / "other")[2]
    assert f"specmatch build {monday} --out SET" in run(capsys, "audit", monday)[2]
    assert "is not there" in run(capsys, "audit", tmp_path / "nowhere")[2]


def test_inspect_looks_into_anything(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "monday")
    code, out, _ = run(capsys, "inspect", folder / "Pale-1.csv")
    assert code == 0 and "81 points, 400 to 720 nm, counts" in out and "separator semicolon" in out
    code, out, _ = run(capsys, "inspect", folder / "scans.csv")
    assert code == 0 and "11 rows" in out
    code, out, _ = run(capsys, "inspect", folder)
    assert code == 0 and "9 sample, 1 dark, 1 reference" in out.replace(
        "1 dark, 1 reference, 9 sample", "9 sample, 1 dark, 1 reference"
    )
    (folder / "Pale-1.csv").unlink()
    code, out, _ = run(capsys, "inspect", folder, "--json")
    assert code == 1 and json.loads(out)["results"]["doubts"] == ["Pale-1.csv: listed, not found"]


@pytest.mark.parametrize("batches", [["L-12", "L-13"], ["007", "7"], ["401", "402"]])
def test_inspect_knows_a_sheet_under_any_name(tmp_path, capsys, batches):
    rows = "".join(f"{name},{7.5 + at}\n" for at, name in enumerate(batches))
    (tmp_path / "lab.csv").write_text(f"\ufeffbatch,colour\n{rows}", encoding="utf-8")
    code, out, _ = run(capsys, "inspect", tmp_path / "lab.csv")
    assert code == 0 and "lab.csv: sheet" in out and "2 rows" in out


def test_inspect_names_what_is_odd_and_what_cannot_be_read(tmp_path, capsys):
    odd = tmp_path / "odd.csv"
    odd.write_text("wavelength;reflectance\n400;0.2\n400;0.3\n450;0.4\n500;0.5\n")
    code, out, _ = run(capsys, "inspect", odd, "--json")
    doubts = json.loads(out)["results"]["doubts"]
    assert code == 1 and any("merged into their mean" in note for note in doubts)
    odd.write_bytes(b"\x00\x00\x01" * 50)
    code, out, err = run(capsys, "inspect", odd)
    assert code == 2 and not out and "binary data" in err
    code, _, err = run(capsys, "inspect", tmp_path / "nowhere.csv")
    assert code == 2 and "nowhere.csv" in err
    code, _, err = run(capsys, "inspect", tmp_path)
    assert code == 2 and "no scans.csv" in err


def test_inspect_a_model_and_a_set_without_trusting_them(tmp_path, capsys):
    from specmatch.house.model_file import save_arrays

    save_arrays(tmp_path / "m.model", {"a": np.arange(6.0).reshape(2, 3)}, {"kind": "trial"})
    code, out, _ = run(capsys, "inspect", tmp_path / "m.model")
    assert code == 0 and "a: (2, 3) float64" in out and "kind: trial" in out
    whole = (tmp_path / "m.model").read_bytes()
    (tmp_path / "cut.model").write_bytes(whole[: len(whole) // 2])
    code, out, err = run(capsys, "inspect", tmp_path / "cut.model")
    assert code == 2 and not out and "cut.model" in err


def test_inspect_prints_what_the_public_function_finds(tmp_path, capsys, small_house):
    """Every kind of thing that can be looked into, from Python as from the command line."""
    house, new = small_house
    folder = tiny_folder(tmp_path / "monday")
    house.save(tmp_path / "house.model")
    sm.build_set([folder])[0].save(tmp_path / "set")
    sm.Journal(tmp_path / "line.db").close()
    kinds = []
    for path in ("monday", "monday/Pale-1.csv", "monday/scans.csv", "house.model", "set", "line.db"):
        found = sm.inspect_file(tmp_path / path)
        kinds.append(found["kind"])
        code, out, _ = run(capsys, "inspect", tmp_path / path, "--json")
        assert json.loads(out)["results"] == json.loads(json_text("inspect", found, ()))["results"]
        assert code == (1 if found.get("doubts") else 0)
    assert kinds == ["measured folder", "scan file", "sheet", "house model", "reference set", "journal"]
    beers = sm.inspect_file(tmp_path / "set")["beers"]
    assert sum(beers.values()) == len(sm.ReferenceSet.load(tmp_path / "set").batches)
    with pytest.raises(FileNotFoundError, match="nowhere"):
        sm.inspect_file(tmp_path / "nowhere.csv")


def test_inspect_says_that_counts_stand_at_the_limit_of_the_converter(tmp_path, capsys):
    folder = tiny_folder(tmp_path / "monday", change=lambda file, counts: np.where(counts > 2000, 65535, counts))
    cut = read_scans(folder / "Pale-1.csv")[0].values == 65535
    assert cut.sum() > 1
    code, out, _ = run(capsys, "inspect", folder / "Pale-1.csv")
    assert code == 1 and f"{cut.sum()} channels saturated: scan again" in out
    [scan] = sm.inspect_file(folder / "Pale-1.csv")["scans"]
    assert scan["saturated"] == cut.sum()
