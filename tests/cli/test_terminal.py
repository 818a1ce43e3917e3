"""The command line beside other programs: pipes, full disks, odd characters, formulas, standard input."""

import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from tiny_folder import tiny_folder

from specmatch.cli import main
from specmatch.cli.outcome import Outcome
from specmatch.errors import StorageError
from specmatch.storage import write_atomic
from specmatch.wording import guarded_cell, printable

ROOT = Path(__file__).parents[2]
TEXT = "wavelength_nm;reflectance [fraction]\n" + "".join(f"{400 + 2 * k};{0.2 + k / 500:.4f}\n" for k in range(150))


def command(*words, **more):
    return subprocess.run([sys.executable, "-m", "specmatch", *words], cwd=ROOT, capture_output=True, **more)


class Stdin:
    def __init__(self, raw):
        self.buffer = io.BytesIO(raw)


def test_one_scan_comes_from_standard_input(monkeypatch, capsys, small_house, tmp_path):
    monkeypatch.setattr(sys, "stdin", Stdin(TEXT.encode()))
    assert main(["inspect", "-", "--json"]) == 0
    [scan] = json.loads(capsys.readouterr().out)["results"]["scans"]
    assert (scan["points"], scan["quantity"], scan["scan_id"]) == (150, "reflectance", "standard input")
    house, (spectra, *_) = small_house[0], (small_house[1].spectra,)
    house.save(tmp_path / "house.model")
    row = spectra.iloc[0]
    raw = ("wavelength_nm;reflectance\n" + "".join(f"{x:.12g};{y:.12g}\n" for x, y in row.items())).encode()
    (tmp_path / "one.csv").write_bytes(raw)
    answers = []
    for source in ("-", str(tmp_path / "one.csv")):
        monkeypatch.setattr(sys, "stdin", Stdin(raw))
        main(["read", str(tmp_path / "house.model"), source, "--json"])
        answers.append(json.loads(capsys.readouterr().out)["results"][0])
        monkeypatch.setattr(sys, "stdin", Stdin(raw))
        claimed = ["verify", str(tmp_path / "house.model"), source, "--claim", str(house.beers_[0]), "--json"]
        main(claimed)
        answers.append(json.loads(capsys.readouterr().out)["results"][0])
    assert [a["colour"] for a in answers[:2]] == [a["colour"] for a in answers[2:]]
    assert answers[1]["decision"] == answers[3]["decision"]
    monkeypatch.setattr(sys, "stdin", Stdin(raw))
    assert main(["verify", str(tmp_path / "house.model"), "-", "--journal", str(tmp_path / "a.db")]) == 2
    assert "--journal" in capsys.readouterr().err


def test_a_closed_pipe_ends_quietly(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT)
    process = subprocess.Popen(
        [sys.executable, "-m", "specmatch", "inspect", str(tmp_path / "a.csv")], cwd=ROOT, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )  # fmt: skip
    process.stdout.close()  # nobody reads
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait() == 0 and said == b""


@pytest.mark.skipif(not Path("/dev/full").is_char_device(), reason="needs a device that is always full")
def test_a_full_disk_is_one_line(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT)
    with open("/dev/full", "w") as full:
        process = subprocess.run(
            [sys.executable, "-m", "specmatch", "inspect", str(tmp_path / "a.csv")], cwd=ROOT, stdout=full,
            stderr=subprocess.PIPE, check=False,
        )  # fmt: skip
    assert process.returncode == 2 and process.stderr.count(b"\n") == 1 and b"Traceback" not in process.stderr


def test_a_disk_that_fills_under_out_is_one_line(tmp_path, monkeypatch, capsys):
    def full(descriptor):
        raise OSError(28, "No space left on device")

    folder = tiny_folder(tmp_path / "monday")
    monkeypatch.setattr("specmatch.storage.os.fsync", full)
    assert main(["measure", str(folder), "--out", str(tmp_path / "out.csv")]) == 2
    said = capsys.readouterr().err
    assert "No space left" in said and said.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["monday"], "no part of a file stays behind"


def test_devices_are_not_written_over(tmp_path):
    with pytest.raises(StorageError, match="a folder or a device"):
        write_atomic(tmp_path, b"x")


def test_control_characters_reach_no_terminal(tmp_path, capsys):
    evil = "Pale\x1b[2J\x9b1m\u202eAle"
    path = tmp_path / "a.csv"
    path.write_text(f"beer: {evil}\n{TEXT}", encoding="utf-8")
    for words in (["inspect", str(path)], ["inspect", str(path), "--json"], ["inspect", str(tmp_path / evil)]):
        main(words)
        said = capsys.readouterr()
        assert not any(mark in said.out + said.err for mark in "\x1b\x9b\u202e")
        if "--json" in words:
            assert json.loads(said.out)["results"]["scans"][0]["meta"]["beer"] == evil
    assert printable("a\tb\nc\x07") == "a\tb\nc\\u0007"


def test_no_exported_cell_is_a_formula(tmp_path):
    assert [guarded_cell(c) for c in ("=1+1", "@x", "+4", "-0.5", "-x", "Pale", 3.0, None, "")] == [
        "'=1+1", "'@x", "+4", "-0.5", "'-x", "Pale", 3.0, None, "",
    ]  # fmt: skip


def test_the_exported_record_holds_no_formula(tmp_path):
    from specmatch.line.journal.queries import export

    class Rows:
        path = Path("=cmd.db")

        def query(self, sql, values):
            from specmatch.line.journal.schema import COLUMNS

            return [(1, *["=HYPERLINK(1)"] * len(COLUMNS), "abc")]

    assert export([Rows()], tmp_path / "a.csv") == 1
    text = (tmp_path / "a.csv").read_text()
    assert "'=HYPERLINK(1)" in text and ",=HYPERLINK" not in text and "\n'=cmd.db" in text


def test_what_is_left_out_for_one_reason_is_one_line(monkeypatch, capsys):
    rows = [{"source": "may", "name": f"B{k}", "reason": f"batch '{k}' has no label"} for k in range(30)]
    rows.append({"source": "may", "name": "B99", "reason": "cut"})
    monkeypatch.setattr("specmatch.cli.measure.run", lambda args: Outcome({}, "done", rows))
    assert main(["measure", "may"]) == 1
    kind = "30 of a kind (--json lists them), the first B0: batch '0' has no label"
    assert capsys.readouterr().err == f"left out: may: {kind}\nleft out: may: B99: cut\n"
