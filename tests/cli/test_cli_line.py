"""`verify --journal`, `watch` and `history` as a program would call them."""

import contextlib
import csv
import io
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time

import pytest
from line_room import write_pour, write_sheet

from specmatch.cli import main
from specmatch.cli.arguments import said_in_unit
from specmatch.demo.brewery import write_shift
from specmatch.line.journal.journal import Journal


@pytest.fixture(scope="module")
def workshop(line_room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("line")
    line_room.house.save(folder / "house.model")
    write_shift(folder / "shift", line_room.brewery)
    return folder


def answer(capsys, *args):
    code = main([*map(str, args)])
    out, err = capsys.readouterr()
    return code, out, err


def answer_json(capsys, *args):
    code, out, _ = answer(capsys, *args, "--json")
    return code, [json.loads(line, parse_constant=lambda name: pytest.fail(name)) for line in out.splitlines()]


def refused(capsys, *args):
    code, out, err = answer(capsys, *args)
    assert (code, out) == (2, "")
    (line,) = err.strip().splitlines()
    return line


@pytest.fixture(scope="module")
def record(workshop):
    """A journal of the demo shift, and what was printed when it was made."""
    args = ["verify", workshop / "house.model", workshop / "shift", "--journal", workshop / "line.db", "--line", "L1"]
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert main([*map(str, args), "--operator", "KA", "--json"]) == 1
    return workshop / "line.db", json.loads(printed.getvalue())["results"], args


@pytest.fixture
def recorded(record, tmp_path):
    """A copy of the record, to write to, with the line that made it."""
    made, rows, args = record
    shutil.copyfile(made, tmp_path / "line.db")
    return tmp_path / "line.db", rows, [tmp_path / "line.db" if word == made else word for word in args]


def test_verify_records_and_says_the_same_when_run_again(recorded, capsys):
    path, rows, args = recorded
    assert len(rows) == 13
    assert {row["decision"] for row in rows} == {"consistent", "rescan"}
    assert all("first_departure" in row["warnings"] for row in rows if row["run_state"] == "open")
    with Journal(path, read_only=True) as journal:
        n = journal.check().n_entries
        assert journal.query("SELECT DISTINCT line, operator FROM entries") == [("L1", "KA")]
    code, (again,) = answer_json(capsys, *args)
    assert again["results"] == rows
    code, out, _ = answer(capsys, *args)
    assert "nothing new" in out
    assert "screening check" in out
    with Journal(path, read_only=True) as journal:
        assert journal.check().n_entries == n


def test_a_time_without_offset_is_refused_for_the_journal(workshop, line_room, tmp_path, capsys):
    (tmp_path / "scans").mkdir()
    write_pour(tmp_path / "scans", "a.csv", line_room.pours("Saddle Pale")[0])
    write_sheet(
        tmp_path / "scans",
        [{"file": "a.csv", "role": "sample", "beer": "Saddle Pale", "measured_at": "2025-06-24T08:00:00"}],
    )
    args = ("verify", workshop / "house.model", tmp_path / "scans")
    assert answer(capsys, *args)[0] in (0, 1)
    assert "without an offset" in refused(capsys, *args, "--journal", tmp_path / "line.db")


def test_limits_and_labels_beside_the_model_are_used_and_recorded(workshop, line_room, tmp_path, capsys):
    model = tmp_path / "house.model"
    line_room.house.save(model)
    (tmp_path / "house.labels.csv").write_text("label,beer\nSummer can,Saddle Pale\n")
    (tmp_path / "house.limits.csv").write_text("beer,target,tolerance,unit\nSaddle Pale,40,10%,EBC\n")
    pour = write_pour(tmp_path, "one.csv", line_room.pours("Saddle Pale")[0])
    code, (got,) = answer_json(capsys, "verify", model, pour, "--claim", "Summer can")
    assert got["results"][0]["decision"] == "hold"
    assert "out of specification" in got["results"][0]["reason"]
    answer(capsys, "verify", model, pour, "--claim", "Summer can", "--journal", tmp_path / "line.db")
    with Journal(tmp_path / "line.db", read_only=True) as journal:
        (row,) = journal.select("kind = 'reading'")
        assert "Summer can,Saddle Pale" in journal.document(row["specification_hash"])
    line = refused(capsys, "verify", model, pour, "--claim", "Winter can", "--journal", tmp_path / "line.db")
    assert "Summer can" in line


def test_risks_beside_a_decision_are_those_of_the_limits_of_its_day(line_room, tmp_path, capsys):
    model, folder = tmp_path / "house.model", tmp_path / "scans"
    line_room.house.save(model)
    (tmp_path / "house.labels.csv").write_text("label,beer\nSummer can,Saddle Pale\n")
    (tmp_path / "house.limits.csv").write_text(
        "beer,target,tolerance,unit,valid_from,valid_to\n"
        "Saddle Pale,14,20%,EBC,2025-01-01,2025-06-30\nSaddle Pale,14,5%,EBC,2025-07-01,2025-12-31\n"
    )
    folder.mkdir()
    days = {"june": "2025-06-24", "july": "2025-07-24", "january": "2026-01-24"}
    for name in days:
        write_pour(folder, f"{name}.csv", line_room.pours("Saddle Pale")[0])
    write_sheet(
        folder,
        [
            {
                "file": f"{name}.csv",
                "role": "sample",
                "sample": name,
                "beer": "Summer can",
                "measured_at": f"{day}T08:00Z",
            }
            for name, day in days.items()
        ],
    )
    _, (got,) = answer_json(capsys, "verify", model, folder)
    _, (line,) = answer_json(capsys, "verify", model, folder, "--journal", tmp_path / "line.db")
    for document in (got, line):
        rows = {row["sample"]: row for row in document["results"]}
        assert rows["june"]["cannot_tell"] < rows["july"]["cannot_tell"]
        assert rows["june"]["consumer_risk_high"] < rows["july"]["consumer_risk_high"]
        assert rows["january"]["cannot_tell"] is None and "no colour limits" in rows["january"]["reason"]
    _, out, _ = answer(capsys, "verify", model, folder)
    assert "valid_from" in out and "2025-07-01" in out


@pytest.mark.whole
def test_a_sample_poured_over_midnight_is_of_one_day_with_a_journal_and_without(line_room, tmp_path, capsys):
    model, folder = tmp_path / "house.model", tmp_path / "scans"
    line_room.house.save(model)
    (tmp_path / "house.limits.csv").write_text(
        "beer,target,tolerance,unit,valid_from,valid_to\n"
        "Saddle Pale,40,5%,EBC,,2025-06-30\nSaddle Pale,50,5%,EBC,2025-07-01,\n"
    )
    folder.mkdir()
    times = ["2025-06-30T23:58:00+02:00", "2025-07-01T00:01:00+02:00"]
    for i, pour in enumerate(line_room.pours("Saddle Pale")[:2]):
        write_pour(folder, f"{i}.csv", pour)
    named = {"role": "sample", "sample": "S", "batch": "L7", "beer": "Saddle Pale"}
    write_sheet(folder, [{"file": f"{i}.csv", **named, "measured_at": at} for i, at in enumerate(times)])
    _, (got,) = answer_json(capsys, "verify", model, folder)
    _, (line,) = answer_json(capsys, "verify", model, folder, "--journal", tmp_path / "line.db")
    for document in (got, line):
        (row,) = document["results"]
        assert "limits 47.5 to 52.5 EBC" in row["reason"]
        assert row["consumer_risk_high"] is not None


def test_watch_once_prints_a_document_a_line_and_then_has_nothing_to_do(workshop, tmp_path, capsys):
    args = ("watch", workshop / "house.model", workshop / "shift", "--journal", tmp_path / "line.db", "--once")
    code, documents = answer_json(capsys, *args)
    assert code == 1
    assert {document["command"] for document in documents} == {"watch"}
    kinds = [document["results"][0]["kind"] for document in documents]
    assert (kinds.count("reading"), kinds.count("control")) == (13, 1)
    code, documents = answer_json(capsys, *args)
    assert (code, documents) == (0, [])


def test_watch_leaves_out_bad_files_and_asks_for_a_look(workshop, line_room, tmp_path, capsys):
    (tmp_path / "scans").mkdir()
    (tmp_path / "scans" / "bad.csv").write_text("nothing\nof use\n")
    write_pour(tmp_path / "scans", "good.csv", line_room.pours("Saddle Pale")[0])
    code, documents = answer_json(
        capsys, "watch", workshop / "house.model", tmp_path / "scans", "--journal", tmp_path / "line.db", "--once",
        "--claim", "Saddle Pale",
    )  # fmt: skip
    assert code == 1
    assert [len(document["left_out"]) for document in documents] in ([1, 0], [0, 1])


@pytest.mark.whole
@pytest.mark.skipif(os.name != "posix", reason="signals the POSIX way")
def test_watch_stops_cleanly_on_a_signal(workshop, line_room, tmp_path):
    (tmp_path / "scans").mkdir()
    watch = subprocess.Popen(
        [sys.executable, "-m", "specmatch", "watch", workshop / "house.model", tmp_path / "scans", "--journal",
         tmp_path / "line.db", "--claim", "Saddle Pale", "--line", "L1"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    while "watching" not in watch.stdout.readline():
        assert watch.poll() is None, watch.stderr.read()
    write_pour(tmp_path / "scans", "p.csv", line_room.pours("Saddle Pale")[0])
    shown = watch.stdout.readline()
    assert "Saddle Pale" in shown
    watch.send_signal(signal.SIGTERM)
    _, err = watch.communicate(timeout=60)
    assert watch.returncode in (0, 1)
    assert "stopped: 1 recorded" in err
    assert "Traceback" not in err


def test_history_looks_back_and_one_beer_at_a_time(recorded, capsys):
    path, rows, _ = recorded
    code, out, _ = answer(capsys, "history", path)
    assert code == 1  # runs wait for their retest
    assert "WAITS: entry" in out and "--review 4 --outcome OUTCOME" in out
    assert "to do: see what WAITS above" in out and "to do: nothing" not in out
    assert "2025-06-24 06:00  L1" in out
    assert "screening check" in out
    beer = rows[0]["claimed"]
    code, (document,) = answer_json(capsys, "history", path, "--beer", beer)
    found = document["results"]["entries"]
    assert {row["claimed"] for row in found} == {beer}
    assert sum(document["results"]["counts"].values()) == len(found)
    assert refused(capsys, "history", path.with_name("nowhere.db")).endswith("no such journal")


def test_history_checks_the_chain_and_names_what_was_altered(recorded, capsys):
    path, _, _ = recorded
    code, out, _ = answer(capsys, "history", path, "--check")
    assert code == 0
    with Journal(path, read_only=True) as journal:
        assert journal.check().last_hash in out
    assert "kept elsewhere" in out
    db = sqlite3.connect(path)
    db.execute("DROP TRIGGER entries_no_update")
    db.execute("UPDATE entries SET record = replace(record, 'rescan', 'consistent') WHERE entry = 4")
    db.commit()
    db.close()
    code, out, _ = answer(capsys, "history", path, "--check")
    assert code == 1
    assert "DAMAGED: entry 4 was altered" in out
    code, (document,) = answer_json(capsys, "history", path, "--check")
    assert document["results"][0]["faults"][0]["entry"] == 4


def test_history_exports_and_reviews(recorded, capsys, tmp_path):
    path, rows, _ = recorded
    assert answer(capsys, "history", path, "--export", tmp_path / "all.csv")[0] == 0
    with open(tmp_path / "all.csv", newline="") as file:
        table = list(csv.DictReader(file))
    assert len(table) == 16
    assert {len(row["hash"]) for row in table} == {64}
    answer(capsys, "history", path, "--export", tmp_path / "all.json")
    whole = json.loads((tmp_path / "all.json").read_text())
    assert "screening check" in whole["cautions"]
    assert len(whole["entries"]) == 16
    assert "end in" in refused(capsys, "history", path, "--export", tmp_path / "all.xlsx").replace("ends in", "end in")
    waits = next(row["entry"] for row in rows if row["run_state"] == "open")
    assert "--outcome" in refused(capsys, "history", path, "--review", waits)
    assert "--operator" in refused(capsys, "history", path, "--review", waits, "--outcome", "rework")
    code, out, _ = answer(
        capsys,
        "history",
        path,
        "--review",
        waits,
        "--outcome",
        "rework",
        "--operator",
        "KA",
        "--note",
        "poured again by hand",
    )
    assert code == 0
    assert "poured again by hand" in out
    _, (document,) = answer_json(capsys, "history", path)
    assert waits not in [run["entry"] for run in document["results"]["waiting"]]


def test_history_takes_several_journals(recorded, capsys, workshop, line_room, tmp_path):
    path, rows, _ = recorded
    (tmp_path / "scans").mkdir()
    beer = "Saddle Pale"
    pour = write_pour(tmp_path / "scans", "late.csv", line_room.pours(beer)[0])
    answer(
        capsys,
        "verify",
        workshop / "house.model",
        pour,
        "--claim",
        beer,
        "--journal",
        tmp_path / "b.db",
        "--line",
        "L2",
    )
    _, (document,) = answer_json(capsys, "history", path, tmp_path / "b.db", "--beer", beer)
    assert {row["line"] for row in document["results"]["entries"]} == {"L1", "L2"}
    assert "one journal" in refused(
        capsys,
        "history",
        path,
        tmp_path / "b.db",
        "--review",
        1,
        "--outcome",
        "rework",
        "--operator",
        "a",
        "--note",
        "b",
    )


def test_history_of_one_beer_needs_neither_pandas_nor_scipy(recorded):
    """It answers in the time that a person waits for; those two alone would take half of it."""
    path, rows, _ = recorded
    code = (
        "import sys; from specmatch.cli import main; "
        f"main(['history', {str(path)!r}, '--beer', {rows[0]['claimed']!r}]); "
        "sys.exit(bool({'pandas', 'scipy', 'sklearn'} & set(sys.modules)))"
    )
    started = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert time.monotonic() - started < 30


def test_verify_of_a_folder_holds_the_one_bad_claim_and_judges_the_rest(workshop, line_room, tmp_path, capsys):
    (tmp_path / "scans").mkdir()
    rows = []
    for sample, claim in (("A", "Saddle Pale"), ("B", "Saddel Pale")):
        write_pour(tmp_path / "scans", f"{sample}.csv", line_room.pours("Saddle Pale")[len(rows)])
        rows.append({"file": f"{sample}.csv", "role": "sample", "sample": sample, "batch": "L1", "beer": claim,
                     "measured_at": "2025-06-24T08:00:00+02:00"})  # fmt: skip
    write_sheet(tmp_path / "scans", rows)
    args = ("verify", workshop / "house.model", tmp_path / "scans")
    code, (plain,) = answer_json(capsys, *args)
    code_recorded, (recorded,) = answer_json(capsys, *args, "--journal", tmp_path / "line.db")
    assert code == code_recorded == 1
    for document in (plain, recorded):
        by = {row["sample"]: row for row in document["results"]}
        assert by["A"]["decision"] == "consistent"
        assert by["B"]["decision"] == "hold" and "Saddle Pale" in by["B"]["reason"]
        assert by["B"]["claimed"] == "Saddel Pale" and by["B"]["colour"] > 0
    rows[1]["beer"] = "Saddle Pale"
    write_sheet(tmp_path / "scans", rows)
    code, out, _ = answer(capsys, *args, "--journal", tmp_path / "line.db")
    assert "takes the place of entry" in out
    code, out, _ = answer(capsys, "history", tmp_path / "line.db")
    assert "WAITS" not in out
    # a claim that was typed wrongly for all of them is refused before anything is recorded
    assert "no beer of the set" in refused(capsys, *args, "--claim", "Saddel Pale")


def test_history_checks_against_a_kept_hash_and_makes_a_checked_copy(recorded, capsys, tmp_path):
    path, _, _ = recorded
    code, out, _ = answer(capsys, "history", path, "--backup", tmp_path / "copy.db")
    assert code == 0 and "the copy's chain holds" in out
    last = out.split("last hash ")[1].split()[0]
    code, out, _ = answer(capsys, "history", path, "--check", "--expect", last)
    assert code == 0 and "goes through the hash kept elsewhere" in out
    code, out, _ = answer(capsys, "history", tmp_path / "copy.db", "--check", "--expect", "0" * 64)
    assert code == 1 and "no entry has the hash 000" in out
    assert "never writes over" in refused(capsys, "history", path, "--backup", tmp_path / "copy.db")
    assert "--check" in refused(capsys, "history", path, "--expect", last)


def test_who_put_a_model_in_force_stands_in_the_record_and_two_names_are_asked_for(line_room, tmp_path, capsys):
    import specmatch as sm

    drawn = line_room.brewery.draw(3, n_pours=2, beers=["Saddle Pale", "Night Porter"])
    sm.ReferenceSet(drawn.spectra, drawn.scans, drawn.batches).save(tmp_path / "set")
    model, journal = tmp_path / "house.model", tmp_path / "line.db"
    assert answer(capsys, "fit", tmp_path / "set", "--out", model, "--who", "Kim A.")[0] == 0
    (tmp_path / "house.line.csv").write_text("setting,value\nsecond_name,yes\n")
    dark = write_pour(tmp_path, "one.csv", line_room.pours("Night Porter")[0])
    args = ("verify", model, dark, "--claim", "Saddle Pale", "--journal", journal, "--line", "L1")
    answer(capsys, *args)
    with Journal(journal, read_only=True) as opened:
        force, reading = opened.select()
    assert (force["kind"], force["put_in_force_by"], force["second_name"]) == ("in_force", "Kim A.", True)
    assert (reading["in_force"], reading["model_hash"]) == (force["entry"], force["model_hash"])
    review = ("history", journal, "--review", 2, "--outcome", "reject", "--operator", "KA", "--note", "porter on line")
    assert "add --second NAME" in refused(capsys, *review)
    code, out, _ = answer(capsys, *review, "--second", "LM")
    assert code == 0 and "by KA and LM: reject " in out and "note:  porter on line" in out
    # the same again puts nothing new in force; another model does
    answer(capsys, *args)
    with Journal(journal, read_only=True) as opened:
        assert opened.query("SELECT count(*) FROM entries WHERE kind = 'in_force'") == [(1,)]
    (tmp_path / "house.line.csv").write_text("setting,value\nsecond_name,perhaps\n")
    assert "expected second_name, yes or no" in refused(capsys, *args)


def test_every_colour_of_a_text_is_in_the_unit_asked_for(workshop, tmp_path, capsys):
    shutil.copyfile(workshop / "house.model", tmp_path / "house.model")
    (tmp_path / "house.limits.csv").write_text("beer,target,tolerance,unit\nStraw Blond,40,10%,EBC\n")
    args = ("verify", tmp_path / "house.model", workshop / "shift")
    for more in ((), ("--journal", tmp_path / "line.db", "--control-hours", "0")):
        code, out, _ = answer(capsys, *args, *more, "--unit", "SRM")
        assert code == 1 and "SRM" in out and "EBC" not in out
    rows = answer_json(capsys, *args, *more, "--unit", "SRM")[1][0]["results"]
    assert any("limits 18.3 to 22.4 SRM" in row["reason"] for row in rows)


def test_a_text_in_another_unit_keeps_names_and_other_numbers():
    said = "Pale 9 EBC: without it the colour would read 12.3 EBC, not 15.0; 2 pours, limits 12 to -13.5 EBC, 3 EBCs"
    wanted = "Pale 9 EBC: without it the colour would read 6.2 SRM, not 7.6; 2 pours, limits 6.1 to -6.9 SRM, 3 EBCs"
    assert said_in_unit(said, "SRM", ["Pale 9 EBC"]) == wanted
    assert said_in_unit(said, "EBC", []) == said


def test_history_overrides_a_run_before_the_fact(recorded, capsys):
    path, _, _ = recorded
    args = ("history", path, "--override", "Saddle Pale", "lot 99", "--line", "L1", "--operator", "KA")
    code, out, _ = answer(capsys, *args, "--outcome", "released after check", "--note", "trial brew")
    assert code == 0 and "review       of Saddle Pale, lot lot 99, before the fact by KA" in out


def test_charts_state_their_run_length(recorded, capsys):
    path, _, _ = recorded
    assert answer(capsys, "history", path, "--false-alarm-days", "90")[0] == 1
    with pytest.raises(SystemExit, match="2"):
        main(["history", str(path), "--false-alarm-days", "90,5"])
    assert "decimal comma" in capsys.readouterr().err


def test_history_shows_the_line_on_one_screen(recorded, capsys, monkeypatch):
    path, _, _ = recorded
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = answer(capsys, "history", path, "--now")
    assert code == 1 and len(out.splitlines()) <= 24
    assert (
        out.startswith("go on        line L1") and "waits for a person: 4" in out and "consistent   Amber Lane" in out
    )
    code, (document,) = answer_json(capsys, "history", path, "--now", "--line", "L1")
    (line,) = document["results"]
    assert line["line"] == "L1" and line["stops"] is False and line["last"]["claimed"] == "Amber Lane"
    assert len(line["waiting"]) == 4 and line["control"]["state"] == "none"
    assert "lines: L1" in refused(capsys, "history", path, "--now", "--line", "L9")


def test_history_exports_by_date_lot_and_line(recorded, capsys, tmp_path):
    path, rows, _ = recorded
    out = tmp_path / "some.json"

    def exported(*asked):
        assert answer(capsys, "history", path, "--export", out, *asked)[0] == 0
        return json.loads(out.read_text(encoding="utf-8"))["entries"]

    (row,) = exported("--lot", "L1-04", "--line", "L1", "--since", "2025-06-24", "--until", "2025-06-24")
    assert (row["lot"], row["claimed"]) == ("L1-04", "Straw Blond")
    assert exported("--lot", "L1-04", "--until", "2025-06-23") == []
    assert len(exported("--since", "2025-06-24", "--until", "2025-06-24")) == 15  # what was put in force is of today
    answer(capsys, "history", path, "--export", tmp_path / "some.csv", "--lot", "L1-04")
    with open(tmp_path / "some.csv", newline="") as file:
        assert [line["lot"] for line in csv.DictReader(file)] == ["L1-04"]
    for wrong, said in (
        (("--export", out, "--since", "24.6.2025"), "a day such as 2025-06-24"),
        (("--export", out, "--since", "2025-06-25", "--until", "2025-06-24"), "lies after"),
        (("--lot", "L1-04"), "go with --export"),
    ):
        assert said in refused(capsys, "history", path, *wrong)


def test_watch_refuses_what_its_board_and_hooks_cannot_do(workshop, tmp_path, capsys):
    args = ("watch", workshop / "house.model", workshop / "shift", "--journal", tmp_path / "line.db")
    assert "--once" in refused(capsys, *args, "--once", "--board", "0")
    assert "go with --board" in refused(capsys, *args, "--board-names")
    assert "takes [HOST:]PORT" in refused(capsys, *args, "--board", "here")
    assert "no such command" in refused(capsys, *args, "--once", "--on-hold", "nowhere-to-be-found")
    assert "no such folder" in refused(capsys, *args, "--once", "--hand-over", tmp_path / "nowhere")
    (tmp_path / "token").write_text("short\n")
    assert "16 letters and digits" in refused(capsys, *args, "--board", "0", "--board-token", tmp_path / "token")


@pytest.mark.whole
@pytest.mark.skipif(os.name != "posix", reason="signals and commands the POSIX way")
def test_watch_serves_its_board_makes_its_token_and_hands_on(workshop, line_room, tmp_path):
    from board_room import shown

    (tmp_path / "scans").mkdir()
    (tmp_path / "out").mkdir()
    watch = subprocess.Popen(
        [sys.executable, "-m", "specmatch", "watch", workshop / "house.model", tmp_path / "scans", "--journal",
         tmp_path / "line.db", "--claim", "Saddle Pale", "--line", "L1", "--board", "0", "--board-token",
         tmp_path / "token", "--hand-over", tmp_path / "out", "--on-hold", "sleep 60"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    said = watch.stderr.readline()
    assert "board at http://127.0.0.1:" in said and "on this machine alone; reviews can be written" in said
    assert len((tmp_path / "token").read_text().strip()) == 32
    assert (tmp_path / "token").stat().st_mode & 0o077 == 0
    url = said.split("board at ")[1].split(",")[0]
    write_pour(tmp_path / "scans", "p.csv", line_room.pours("Saddle Pale")[0])
    while not watch.stdout.readline().startswith("consistent   Saddle Pale"):
        assert watch.poll() is None

    class At:
        pass

    At.url = url
    told = shown(At)
    assert told["review"]["outcomes"][0] == "released after check"
    watch.send_signal(signal.SIGTERM)
    _, err = watch.communicate(timeout=60)
    assert watch.returncode == 0 and "Traceback" not in err and "stopped: 1 recorded" in err
    assert [path.suffix for path in (tmp_path / "out").iterdir()] == [".json"]


SIGNED = ["--outcome", "rework", "--operator", "K", "--note", "n"]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--beer", "straw blond"], "no journal holds a claim of 'straw blond' (is 'Straw Blond' meant?)"),
        (["--line", "L2"], "--line goes with --now, --export, --baseline or --override"),
        (["--last", "0"], "--last and --false-alarm-days are above 0"),
        (["--false-alarm-days", "0"], "--last and --false-alarm-days are above 0"),
        (["--operator", "KA", "--note", "looked"], "go with --review, --override or --baseline"),
        (["--now", "--check"], "ask for one of --review"),
        (["--review", "1", "--line", "L1", *SIGNED], "--line goes with --now"),
        (["--baseline", "2025-06-24", "2025-06-25", *SIGNED], "a baseline has neither"),
        (["--check", "--beer", "Straw Blond"], "--beer goes with --export"),
        (["--override", "Straw Blond", "L9", *SIGNED], "nothing of line '' is recorded, but of L1"),
        (["--export", "x.csv", "--line", "l1"], "no journal holds line 'l1' (is 'L1' meant?)"),
        (["--backup", "nowhere/copy.db"], "nowhere/copy.db: there is no folder nowhere"),
        (
            ["--baseline", "2025-06-24T00:00+02:00", "2025-06-25T00:00+02:00", "--line", "l1", *SIGNED[2:]],
            "nothing of line 'l1' is recorded, but of L1",
        ),
        (["--baseline", "2025-06-24", "2025-06-25", *SIGNED[2:]], "such as 2025-06-24T00:00:00+02:00"),
    ],
)  # fmt: skip
def test_history_never_leaves_an_option_aside_in_silence(recorded, capsys, asked, said):
    code, _, err = answer(capsys, "history", recorded[0], *asked)
    assert code == 2 and said in err


def test_a_folder_recorded_as_of_another_line_is_told(recorded, workshop, capsys):
    code, out, _ = answer(
        capsys, "verify", workshop / "house.model", workshop / "shift", "--journal", recorded[0], "--line", "L2"
    )
    assert "nothing new: every scan was recorded before\nrecorded before as of line L1, and stays so" in out


def test_packages_go_by_labels_and_a_claim_that_nobody_knows_holds_its_own_lot(workshop, capsys, tmp_path):
    shutil.copyfile(workshop / "house.model", tmp_path / "house.model")
    labels = (
        "label,beer,valid_to\nCan,Straw Blond,\nKeg,Straw Blond,\nKeg,Amber Lane,\nOld can,Mill Bitter,2020-12-31\n"
    )
    (tmp_path / "house.labels.csv").write_text(labels)
    shutil.copytree(workshop / "shift", tmp_path / "shift")
    sheet = tmp_path / "shift" / "scans.csv"
    text = sheet.read_text().replace("Straw Blond", "Can").replace("Lantern Gold", "lantern gold")
    sheet.write_text(text.replace("Amber Lane", "Keg").replace("Mill Bitter", "Old can"))
    _, (row,) = answer_json(capsys, "verify", tmp_path / "house.model", tmp_path / "shift", "--packages")
    lots = {lot["claimed"]: lot for lot in row["results"]}
    assert lots["Can"]["decision"] == "consistent"
    assert "(is 'Lantern Gold' meant?)" in lots["lantern gold"]["reason"]
    assert "label 'Old can' is not valid on 2025-06-24" in lots["Old can"]["reason"]
    assert "Keg may hold Straw Blond, Amber Lane" in lots["Keg"]["reason"]
    assert {lots[name]["decision"] for name in ("lantern gold", "Old can", "Keg")} == {"hold"}


def test_where_there_is_nothing_to_judge_it_is_said(workshop, capsys, tmp_path):
    (tmp_path / "empty").mkdir()
    watch = ["watch", workshop / "house.model", tmp_path / "empty", "--journal", tmp_path / "line.db", "--once"]
    assert "holds no file; name the folder" in answer(capsys, *watch)[2]
    shutil.copytree(workshop / "shift", tmp_path / "shift")
    sheet = tmp_path / "shift" / "scans.csv"
    text = sheet.read_text()
    sheet.write_text("".join(line for line in text.splitlines(keepends=True) if ",sample,L" not in line))
    for option in ([], ["--packages"]):
        code, _, err = answer(capsys, "verify", workshop / "house.model", tmp_path / "shift", *option)
        assert code == 2 and "its sheet lists no scan of role sample that could be used" in err
    sheet.write_text(text.replace(",beer,", ",claim,", 1))
    code, _, err = answer(capsys, "verify", workshop / "house.model", tmp_path / "shift")
    assert code == 2 and "column 'claim' is not known, and is likely meant for 'beer'" in err
