"""What a journal is held against: planted rows, a hash kept elsewhere, spreadsheets, older formats, copies."""

import csv
import shutil
import sqlite3
from pathlib import Path

import pytest

from specmatch.errors import StorageError
from specmatch.line.journal.journal import Journal
from specmatch.line.journal.queries import decision_counts, export, waiting

OLD = Path(__file__).parents[2] / "data" / "journals_by_format" / "format1.db"


@pytest.fixture
def path(tmp_path):
    return tmp_path / "line.db"


def scan(journal, name, sha, **more):
    with journal.writing():
        return journal.append({"kind": "reading", "scan_files": {name: sha}, **more})


def with_any_tool(path, *statements):
    db = sqlite3.connect(path)
    for statement in statements:
        db.execute(statement)
    db.commit()
    db.close()


def test_a_planted_row_hides_no_scan_and_is_named(path):
    with Journal(path) as journal:
        scan(journal, "a.csv", "a" * 64)
    with_any_tool(path, f"INSERT INTO scans_recorded VALUES ('{'b' * 64}', 'b.csv', 1)",
                  f"INSERT INTO scans_recorded VALUES ('{'b' * 64}', 'b.csv', 2)")  # fmt: skip
    with Journal(path) as journal:
        assert journal.seen("b" * 64) == {}
        assert scan(journal, "b.csv", "b" * 64)["entry"] == 2
        assert journal.seen("b" * 64) == {"b.csv": 2}
        said = [fault.sentence for fault in journal.check().faults]
    assert said == ["the index of scans names b.csv for entry 1, which does not: the row was planted"]


def test_a_row_taken_out_of_the_index_is_named(path):
    with Journal(path) as journal:
        scan(journal, "a.csv", "a" * 64)
    with_any_tool(path, "DROP TRIGGER scans_recorded_no_delete", "DELETE FROM scans_recorded")
    with Journal(path, read_only=True) as journal:
        said = " ".join(fault.sentence for fault in journal.check().faults)
    assert "the index of scans lacks a.csv of entry 1" in said and "scans_recorded_no_delete" in said


def test_a_hash_kept_elsewhere_shows_a_cut_tail_and_a_rebuilt_file(path):
    with Journal(path) as journal:
        for i in range(3):
            scan(journal, f"{i}.csv", str(i) * 64)
        kept = journal.check().last_hash
        scan(journal, "3.csv", "3" * 64)
        assert journal.check(expect=kept).faults == ()
    with_any_tool(path, "DROP TRIGGER entries_no_delete", "DELETE FROM entries WHERE entry > 2",
                  "DROP TRIGGER scans_recorded_no_delete", "DELETE FROM scans_recorded WHERE entry > 2")  # fmt: skip
    with Journal(path, read_only=True) as journal:
        said = [fault.sentence for fault in journal.check(expect=kept).faults]
    assert said[0] == f"no entry has the hash {kept}: rows were cut off at the end, or the file was rebuilt"


def test_an_export_holds_no_formula(path, tmp_path):
    with Journal(path) as journal:
        with journal.writing():
            reading = {"colour": -8.5, "nearest_beer": "@SUM(A1)"}
            journal.append({"kind": "reading", "claimed": "=cmd|' /C calc'!A0", "lot": "+A1", "reading": reading})
        export([journal], tmp_path / "all.csv")
    with open(tmp_path / "all.csv", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["claimed"], row["lot"], row["nearest_beer"]) == ("'=cmd|' /C calc'!A0", "'+A1", "'@SUM(A1)")
    assert row["colour"] == "-8.5"  # a number is a number


def test_a_backup_is_whole_checked_and_never_written_over(path, tmp_path):
    with Journal(path) as journal:
        for i in range(5):
            scan(journal, f"{i}.csv", str(i) * 64)
        found = journal.backup(tmp_path / "copy.db")
        assert (found.n_entries, found.faults) == (5, ())
        assert found.last_hash == journal.check().last_hash
        with pytest.raises(StorageError, match="never writes over"):
            journal.backup(tmp_path / "copy.db")
        with pytest.raises(StorageError, match="there is no folder"):
            journal.backup(tmp_path / "nowhere" / "copy.db")
    with Journal(tmp_path / "copy.db") as copy:  # a journal like any other
        assert scan(copy, "5.csv", "5" * 64)["entry"] == 6
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.db", "line.db"]


def test_a_disk_without_room_for_a_copy_is_not_told_as_the_journals(path, tmp_path, monkeypatch):
    def full(*_, **__):
        raise sqlite3.OperationalError("database or disk is full")

    with Journal(path) as journal:
        scan(journal, "0.csv", "0" * 64)
        monkeypatch.setattr(sqlite3, "connect", full)
        with pytest.raises(StorageError, match=r"copy\.db: .*full; no copy was made, and the journal is as it was"):
            journal.backup(tmp_path / "copy.db")


def test_a_journal_of_the_first_format_is_read_as_it_is(tmp_path):
    shutil.copy(OLD, tmp_path / "old.db")
    (tmp_path / "old.db").chmod(0o400)
    with Journal(tmp_path / "old.db", read_only=True) as journal:
        assert journal.check().faults == ()
        assert journal.check().n_entries == 5
        assert decision_counts([journal]) == {"consistent": 1, "rescan": 1, "hold": 1, "reading only": 0}
        found = {(row["run_state"], row["entry"]) for row in waiting([journal])}
        assert found == {("open", 2), ("hold", 3), ("left out", 4)}
        assert len(journal.seen(next(iter(journal.entry(1)["scan_files"].values())))) == 1
    with_any = sqlite3.connect(tmp_path / "old.db")
    assert with_any.execute("PRAGMA user_version").fetchone() == (1,)
    with_any.close()


def test_a_journal_of_the_first_format_is_brought_to_todays_and_says_so(tmp_path):
    path = tmp_path / "old.db"
    shutil.copy(OLD, path)
    with Journal(path, read_only=True) as journal:
        before = journal.query("SELECT record, hash FROM entries ORDER BY entry")
    with_any_tool(path, f"INSERT INTO scans_seen VALUES ('{'e' * 64}', 'late.csv', 3)")  # planted
    with Journal(path) as journal:
        assert journal.query("SELECT record, hash FROM entries WHERE entry <= 5 ORDER BY entry") == before
        note = journal.entry(6)
        assert note["kind"] == "format" and "1 rows of scans_seen that no entry stands behind" in note["reason"]
        assert note["dropped"] == [{"sha256": "e" * 64, "path": "late.csv", "entry": 3}]
        assert journal.check().faults == ()
        assert {(row["run_state"], row["entry"]) for row in waiting([journal])} == {
            ("open", 2), ("hold", 3), ("left out", 4)
        }  # fmt: skip
        scan(journal, "late.csv", "e" * 64)
    with Journal(path) as journal:
        assert journal.check().n_entries == 7  # brought over once


def test_what_waits_is_found_through_indices(path):
    """On a million rows the list of what waits must not read them all."""
    from specmatch.line.journal.schema import sql_of

    with Journal(path) as journal:
        for i in range(200):
            scan(journal, f"{i}.csv", f"{i:064d}", claimed="Pale", line="L1", lot=str(i), run_state="clear",
                 decision="consistent")  # fmt: skip
        # a journal counts its rows for nobody unless somebody's tool does
        for analysed in (False, True):
            if analysed:
                journal.query("ANALYZE")
            for only in ("1", "e.claimed = 'Pale'"):
                for part in ("runs", "holds", "unjudged", "left out", "controls"):
                    sql = sql_of(part).format(only=only)
                    plan = [row[3] for row in journal.query(f"EXPLAIN QUERY PLAN {sql}")]
                    # rows whose run is clear are nearly all of them, and so are readings
                    assert "SCAN e" not in plan and "SEARCH later USING INDEX by_state" not in " ".join(plan), plan
                    assert not (part == "runs" and "by_kind" in " ".join(plan)), plan
                    assert "run_state IN" in sql or "by_state" not in " ".join(plan), plan
