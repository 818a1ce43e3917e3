"""What a shift types and leaves that must not be passed over in silence, nor end in a traceback."""

import json
import shutil

import pytest
from line_room import write_pour, write_sheet

from specmatch.cli import main
from specmatch.line.journal.journal import Journal


@pytest.fixture(scope="module")
def workshop(line_room, tmp_path_factory):
    folder = tmp_path_factory.mktemp("shift")
    line_room.house.save(folder / "house.model")
    (folder / "scans").mkdir()
    poured(line_room, folder / "scans", "S1", "Saddle Pale", "Saddle Pale", lot="L-1")
    return folder


def poured(line_room, folder, sample, really, claimed, *, lot, minute=0, draw=1):
    """Write three pours of a beer, and the sheet that claims it to be another."""
    rows = []
    for k, spectrum in enumerate(line_room.pours(really, draw=draw)[:3]):
        file = write_pour(folder, f"{sample}-{k}.csv", spectrum).name
        at = f"2025-06-24T08:{minute + k:02d}:00+01:00"
        own = {"file": file, "role": "sample", "sample": sample, "pour": f"{sample}-{k}", "batch": lot}
        rows.append(own | {"beer": claimed, "measured_at": at})
    write_sheet(folder, rows)


def answer(capsys, *args):
    try:
        code = main([*map(str, args)])
    except SystemExit as stopped:
        code = stopped.code
    out, err = capsys.readouterr()
    return code, out, err


def refused(capsys, *args):
    code, out, err = answer(capsys, *args)
    assert (code, out) == (2, "") and "Traceback" not in err
    return err


@pytest.fixture
def journal(workshop, tmp_path, capsys):
    path = tmp_path / "line.db"
    verify = ("verify", workshop / "house.model", workshop / "scans", "--journal", path)
    answer(capsys, *verify, "--line", "L1")
    return path


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("verify", "{model}", "{scans}", "--journal", ""), "--journal is empty"),
        (("verify", "", "{scans}"), "model is empty"),
        (("verify", "{model}", "{scans}", "--from", "", "--to", "Saddle Pale"), "--from is empty"),
        (("plan", "--beers", "b.csv", "--wish", ""), "--wish is empty"),
        (("plan", "--beers", "b.csv", "--wish", "caught=0.9", "--wish", "caught=0.8"), "--wish caught is given twice"),
        (("edit", "{scans}", "--drop", "B1", "--drop", "B2", "--reason", "r"), "--drop: given twice, and it takes one"),
        (("history", ""), "journals is empty"),
        (("history", "{db}", "--check", "--expect", ""), "--expect is empty"),
        (("history", "{db}", "--beer", ""), "--beer is empty"),
        (("verify", "{model}", "{scans}", "--wrong-hold", "0.01"), "go with --packages"),
        (("verify", "{model}", "{scans}", "--journal", "{db}", "--control-hours", "nan"), "no finite number"),
        (("verify", "{model}", "{scans}", "--journal", "{db}", "--control-hours", "-1"), "(--control-hours) is -1"),
        (("verify", "{model}", "{scans}", "--from", "Wasser", "--to", "Saddle Pale"), "or water before"),
        (("history", "{db}", "--review", "9" * 24, "--outcome", "reject"), "an entry is a number"),
        (("history", "{db}", "--export", "{db}.csv", "--lot", "l-1"), "is 'L-1' meant?"),
        (("history", "{db}", "--export", "{db}.csv", "--beer", "saddle pale"), "is 'Saddle Pale' meant?"),
        (("history", "{db}", "--override", "saddle pale", "Z", "--line", "L1"), "is 'Saddle Pale' meant?"),
        (("history", "{db}", "--override", "Peat Stuot", "Z", "--line", "L1"), "is 'Peat Stout' meant?"),
        (("choose", "{scans}", "--transfer", "6", "--number", "10"), "--transfer says how many itself"),
        (("choose", "{scans}", "--transfer", "6", "--method", "model"), "--transfer says how many itself"),
        (("evaluate", "{scans}", "--jobs", "0"), "'0' is no number of processes"),
    ],
)
def test_what_would_be_passed_over_is_refused_in_one_line(workshop, journal, capsys, words, said):
    names = {"model": workshop / "house.model", "scans": workshop / "scans", "db": journal}
    signed = ["--operator", "KA", "--note", "seen"] if {"--review", "--override"} & {*words} else []
    signed += ["--outcome", "rework"] if "--override" in words else []
    assert said in refused(capsys, *[word.format(**names) for word in words], *signed)


def test_a_line_without_a_journal_is_told_and_so_is_a_new_one_beside_others(workshop, journal, capsys, caplog):
    verify = ("verify", workshop / "house.model", workshop / "scans")
    assert "nothing is recorded without --journal" in answer(capsys, *verify, "--line", "L1")[2]
    answer(capsys, *verify, "--journal", journal, "--line", "l1")
    assert "line 'l1' is new in this journal, beside L1" in caplog.text


def test_a_journal_named_twice_counts_once_and_a_copy_is_refused(journal, tmp_path, capsys):
    once = json.loads(answer(capsys, "history", journal, "--json")[1])["results"]["counts"]
    assert json.loads(answer(capsys, "history", journal, journal, "--json")[1])["results"]["counts"] == once
    copy = tmp_path / "copy.db"
    shutil.copyfile(journal, copy)
    assert "one is a copy of the other" in refused(capsys, "history", journal, copy)
    assert answer(capsys, "history", journal, copy, "--check")[0] == 0


@pytest.mark.parametrize(
    ("lot", "line", "claim"),
    [
        ("L7", "L1", "Saddle Pale"),
        ("l/7", "L1", "Saddle Pale"),
        ("L-7", "L2", "Saddle Pale"),
        ("L-7", "L1", "Lantern Gold"),
    ],
)
def test_a_lot_under_another_spelling_line_or_claim_does_not_hide_a_run_that_waits(
    workshop, line_room, tmp_path, capsys, lot, line, claim
):
    path = tmp_path / "line.db"
    for number, (really, said, of, at) in enumerate(
        (("Night Porter", "Saddle Pale", "L-7", "L1"), (claim, claim, lot, line))
    ):
        folder = tmp_path / f"scans{number}"
        folder.mkdir()
        poured(line_room, folder, f"S{number}", really, said, lot=of, minute=10 * number, draw=number + 1)
        answer(capsys, "verify", workshop / "house.model", folder, "--journal", path, "--line", at)
    with Journal(path, read_only=True) as journal:
        last = journal.select("kind = ?", ("reading",), last=1)[0]
    assert last["decision"] == "consistent"
    assert "but lot 'L-7' waits as Saddle Pale on line 'L1'" in last["reason"]


def test_a_control_that_is_out_asks_for_a_look_where_no_sample_was_measured(workshop, line_room, tmp_path, capsys):
    write_pour(tmp_path, "c.csv", line_room.pours("Amber Lane")[0])
    write_sheet(tmp_path, [{"file": "c.csv", "role": "control", "measured_at": "2025-06-24T08:00:00+01:00"}])
    sheet = (
        (tmp_path / "scans.csv").read_text().replace("beer,", "material,").replace("control,,,,,", "control,,,,dye,")
    )
    (tmp_path / "scans.csv").write_text(sheet)
    (tmp_path / "materials.csv").write_text("material,colour\ndye,80\n")
    asked = ("verify", workshop / "house.model", tmp_path, "--journal")
    code, out, _ = answer(capsys, *asked, tmp_path / "line.db")
    assert code == 1 and "control: rescan" in out
    code, out, err = answer(capsys, *asked, tmp_path / "other.db", "--json")  # whose results are samples
    assert code == 1 and json.loads(out)["results"] == [] and "control: rescan" in err


def test_a_folder_without_a_usable_sample_says_why(workshop, tmp_path, capsys):
    shutil.copytree(workshop / "scans", tmp_path / "scans")
    for path in (tmp_path / "scans").glob("S1-*.csv"):
        path.write_text("")
    assert "the first: S1-0.csv: the file is empty" in refused(
        capsys, "verify", workshop / "house.model", tmp_path / "scans"
    )


def test_an_absorbance_beyond_the_photometer_asks_for_a_dilution(capsys):
    code, out, _ = answer(capsys, "colour", "--a430", "3.5")
    assert code == 1 and "dilute and measure again" in out
    assert answer(capsys, "colour", "--a430", "1.0")[0] == 0
    code, out, _ = answer(capsys, "colour", "--a430", "0.5", "--path-cm", "10")
    assert code == 1 and "a cell of 10 mm is 1" in out  # ten times off, were it one
    code, out, _ = answer(capsys, "colour", "--a430", "0.5", "--a700", "-0.02")
    assert code == 1 and "the blank is wrong" in out and "clear enough" not in out


def test_limits_that_were_changed_under_one_model_are_named_in_the_record(workshop, tmp_path, capsys):
    shutil.copy(workshop / "house.model", tmp_path / "house.model")
    verify = ("verify", tmp_path / "house.model", workshop / "scans", "--journal", tmp_path / "line.db", "--line", "L1")
    answer(capsys, *verify)
    (tmp_path / "house.limits.csv").write_text("beer,low,high,unit\nSaddle Pale,12,16,EBC\n")
    answer(capsys, *verify)
    with Journal(tmp_path / "line.db", read_only=True) as journal:
        first, second = journal.select("kind = ?", ("in_force",))
    assert "changed since" not in first["reason"]
    assert second["reason"].endswith("changed since entry 1: colour limits or labels")
