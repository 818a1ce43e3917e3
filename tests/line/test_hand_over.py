"""Hooks and hand-overs: what hangs, fails, floods or disappears delays nothing, and nothing of a scan is ever run."""

import json
import os
import shutil
import sys
import threading
import time
from pathlib import Path

import pytest
from line_room import write_pour, write_sheet

import specmatch as sm
from specmatch.errors import OptionError, StorageError
from specmatch.line.hand_over import MOST_WAITING, HandOver, OnHold, handing_on
from specmatch.line.journal.journal import Journal
from specmatch.line.journal.queries import export

posix = pytest.mark.skipif(os.name != "posix", reason="commands of a POSIX system")
WICKED = "$(touch {0}/ran); `touch {0}/ran` | touch {0}/ran & \n--version ; rm -rf \u202e\x07 'a \"b"


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "line.db"):
        pass
    return tmp_path / "line.db"


def hold(entry=1, **more):
    return {"entry": entry, "kind": "reading", "decision": "hold", "line": "L1", **more}


def add(path, **more):
    with Journal(path) as journal, journal.writing():
        return journal.append({"kind": "reading", "line": "L1", "decision": "hold", "reading": {}, **more})


def script(path, text):
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o700)
    return path


@posix
def test_a_command_gets_each_hold_as_json_on_its_standard_input_and_nothing_else(tmp_path, journal):
    keep = script(tmp_path / "keep.sh", f'echo "$# $*" >> {tmp_path}/words; cat >> {tmp_path}/got')
    wicked = WICKED.format(tmp_path)
    said = []
    command = OnHold(f"{keep} 'two words' --x", journal, complain=said.append)
    command.tell({**hold(), "decision": "consistent"})
    command.tell(hold(7, claimed=wicked, lot=wicked, scan_files={wicked: "a" * 64}))
    command.close()
    assert (tmp_path / "words").read_text() == "2 two words --x\n"
    document = json.loads((tmp_path / "got").read_text(encoding="utf-8"))
    assert document["entries"][0]["claimed"] == wicked
    assert document["entries"][0]["entry"] == 7 and "screening check" in document["cautions"]
    assert said == [] and not (tmp_path / "ran").exists()


@posix
def test_what_a_command_does_wrong_is_told_and_nothing_waits_for_it(tmp_path, journal):
    gone = script(tmp_path / "gone.sh", "true")
    commands = {
        "sleep 60": "ended after 0.3 s",
        "false": "exit code 1",
        "yes": "ended after 0.3 s",
        str(gone): "cannot be run",
    }
    for words, expected in commands.items():
        said = []
        command = OnHold(words, journal, complain=said.append, limit_s=0.3)
        if words == str(gone):
            gone.unlink()
        command.tell(hold(3))
        command.close()
        assert len(said) == 1 and said[0].startswith("--on-hold for entry 3: ") and expected in said[0], words


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for a process in /proc")
def test_those_that_a_hanging_command_started_end_with_it(tmp_path, journal):
    family = script(tmp_path / "family.sh", f"sleep 60 & echo $! > {tmp_path}/child; wait")
    command = OnHold(str(family), journal, complain=lambda said: None, limit_s=0.3)
    command.tell(hold())
    command.close()
    child = int((tmp_path / "child").read_text())
    for _ in range(100):
        # an ended child may wait a moment for its system to let go of it
        stat = Path(f"/proc/{child}/stat")
        if not stat.exists() or " Z " in stat.read_text():
            break
        time.sleep(0.02)
    else:
        raise AssertionError("the child goes on")


@posix
def test_a_row_of_holds_longer_than_any_night_is_told_and_never_blocks(journal):
    said = []
    command = OnHold("sleep 60", journal, complain=said.append, limit_s=0.2)
    started = time.monotonic()
    for entry in range(MOST_WAITING + 10):
        command.tell(hold(entry))
    assert time.monotonic() - started < 2.0
    assert len(said) >= 8 and "holds wait for the command; not run for entry" in said[-1]
    command.close()
    assert "the command is too slow" in said[-1]


@pytest.mark.parametrize(
    ("command", "said"),
    [("nowhere-to-be-found --x", "no such command"), ("", "no such command"), ("'open", "No closing quotation")],
)
def test_a_command_that_is_none_is_refused_at_the_start(journal, command, said):
    with pytest.raises(OptionError, match=said):
        OnHold(command, journal, complain=print)


def files(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_folder_gets_each_entry_of_its_line_as_an_export_of_one(tmp_path, journal):
    add(journal)  # before anybody handed on: an export has it
    (tmp_path / "out").mkdir()
    with handing_on(journal, "L1", folder=tmp_path / "out", complain=pytest.fail) as tell:
        tell(add(journal, claimed=WICKED, scan_files={"../../etc/x": "b" * 64}))
        tell(add(journal, line="L2"))
        tell(add(journal))
    assert files(tmp_path / "out") == ["line-00000002.json", "line-00000004.json"]
    with Journal(journal, read_only=True) as opened:
        export([opened], tmp_path / "all.json", line="L1")
    whole = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    one = json.loads((tmp_path / "out" / "line-00000002.json").read_text(encoding="utf-8"))
    assert one == {**whole, "entries": whole["entries"][1:2]}
    # what was recorded while nobody handed on is made up for, and nothing is written twice
    shutil.rmtree(tmp_path / "out")
    (tmp_path / "out").mkdir()
    add(journal)
    with handing_on(journal, "L1", folder=tmp_path / "out", complain=pytest.fail):
        pass
    assert files(tmp_path / "out") == ["line-00000005.json"]


def test_a_folder_that_is_away_is_told_once_and_made_up_for(tmp_path, journal):
    said, out = [], tmp_path / "out"
    out.mkdir()
    hand_over = HandOver(journal, "L1", out, complain=said.append)
    out.rename(tmp_path / "away")
    for _ in range(3):
        hand_over.tell(add(journal))
        time.sleep(0.1)
    assert len(said) == 1 and "it is tried again" in said[0]
    (tmp_path / "away").rename(out)
    hand_over.close()
    assert len(files(out)) == 3
    with pytest.raises(OptionError, match="no such folder"):
        HandOver(journal, "L1", tmp_path / "nowhere", complain=print)
    (mark,) = tmp_path.glob(".line.db.*.handed")
    mark.write_text("x")
    with pytest.raises(StorageError, match="is damaged"):
        HandOver(journal, "L1", out, complain=print)


@posix
@pytest.mark.whole
@pytest.mark.parametrize("command", ["sleep 60", "false", "yes", "gone"])
def test_no_decision_waits_for_a_hook(line_room, tmp_path, monkeypatch, command):
    """From the row in the journal to the next look at the folder no hook takes 50 ms."""
    if command == "gone":
        command = str(script(tmp_path / "gone.sh", "true"))
    house = tmp_path / "house.model"
    line_room.house.save(house)
    (tmp_path / "out").mkdir()
    monkeypatch.setattr("specmatch.line.hand_over.OnHold.__init__.__kwdefaults__", {"limit_s": 0.3})
    longest = []
    real = OnHold.tell

    def timed(self, row):
        started = time.perf_counter()
        real(self, row)
        longest.append(time.perf_counter() - started)
        (tmp_path / "gone.sh").unlink(missing_ok=True)

    monkeypatch.setattr(OnHold, "tell", timed)
    for attempt in range(3):  # a busy machine may stand still for 50 ms by itself, not three times
        (tmp_path / f"scans{attempt}").mkdir()
        rows = []
        for n, pour in enumerate(line_room.pours("Peat Stout", n_pours=6)):
            write_pour(tmp_path / f"scans{attempt}", f"{n}.csv", pour * (1 + 1e-4 * attempt))
            rows.append({"file": f"{n}.csv", "role": "sample", "sample": f"S{n}", "batch": "7", "beer": "Meadow Pils"})
        write_sheet(tmp_path / f"scans{attempt}", rows)
        longest.clear()
        found = sm.watch(
            house, tmp_path / f"scans{attempt}", journal=tmp_path / f"{attempt}.db", once=True, line="L1",
            on_hold=command, hand_over=tmp_path / "out", complain=lambda said: None,
        )  # fmt: skip
        assert found.n_recorded >= 6
        if max(longest) < 0.05:
            break
    assert max(longest) < 0.05
    assert len(files(tmp_path / "out")) >= 6


def test_nothing_is_left_running(journal, tmp_path):
    (tmp_path / "out").mkdir()
    before = threading.active_count()
    with handing_on(journal, "", on_hold=sys.executable, folder=tmp_path / "out", complain=print):
        assert threading.active_count() == before + 2
    assert threading.active_count() == before
