"""The journal: only grows, names what was altered, refuses what it must not touch, is shared without loss."""

import re
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from specmatch.errors import LockedError, StorageError, TableError
from specmatch.line.charts import Point, make_chart
from specmatch.line.journal import journal as journal_module
from specmatch.line.journal.journal import Journal, kind_of_mount
from specmatch.line.journal.queries import shift_start
from specmatch.line.journal.schema import check_chain, patiently, record_text, seal, unix_time
from specmatch.report.entry_text import chart_line


@pytest.fixture
def path(tmp_path):
    return tmp_path / "line.db"


def fill(path, n=5, **more):
    with Journal(path) as journal:
        for i in range(n):
            with journal.writing():
                journal.append({"kind": "reading", "claimed": "Pale", "reading": {"colour": 8.0 + i}, **more})


def tamper(path, *statements):
    """What somebody with any SQLite tool would do who knows about the triggers."""
    db = sqlite3.connect(path)
    for trigger in ("entries_no_update", "entries_no_delete", "entries_in_order"):
        db.execute(f"DROP TRIGGER IF EXISTS {trigger}")
    for statement in statements:
        db.execute(*statement) if isinstance(statement, tuple) else db.execute(statement)
    db.commit()
    db.close()


def faults(path):
    with Journal(path, read_only=True) as journal:
        return [fault.sentence for fault in journal.check().faults if "trigger" not in fault.sentence]


def test_rows_come_back_as_written_and_as_columns(path):
    fill(path)
    with Journal(path, read_only=True) as journal:
        rows = journal.select("claimed = ?", ("Pale",), last=2)
        assert [row["entry"] for row in rows] == [4, 5]
        assert journal.query("SELECT colour FROM entries WHERE entry = 3") == [(10.0,)]
        assert journal.entry(1)["reading"] == {"colour": 8.0}
        with pytest.raises(TableError, match="has no entry 9"):
            journal.entry(9)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET record = '{}' WHERE entry = 2",
        "DELETE FROM entries WHERE entry = 2",
        "INSERT OR REPLACE INTO entries (entry, record, previous_hash, hash) VALUES (2, '{}', '', '')",
        "INSERT INTO entries (entry, record, previous_hash, hash) VALUES (9, '{}', '', '')",
        "INSERT INTO entries (entry, record, previous_hash, hash) VALUES (6, '{}', 'x', '')",
        "DELETE FROM scans_recorded",
        "UPDATE documents SET text = ''",
    ],
)
def test_it_only_grows(path, statement):
    fill(path, scan_files={})
    with Journal(path) as journal, journal.writing():
        journal.append({"kind": "reading", "scan_files": {"a.csv": "f" * 64}}, documents=[("h", "limits", "text")])
    db = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="a journal only grows"):
        db.execute(statement)
    db.close()
    assert faults(path) == []


def test_an_altered_row_is_named(path):
    fill(path)
    tamper(path, ("UPDATE entries SET record = replace(record, '10.0', '9.0') WHERE entry = 3",))
    assert faults(path) == ["entry 3 was altered: its text does not give its hash"]


def test_a_row_altered_and_sealed_anew_is_named(path):
    fill(path)
    with Journal(path) as journal:
        ((text, previous),) = journal.query("SELECT record, previous_hash FROM entries WHERE entry = 3")
    text = text.replace("10.0", "9.0")
    tamper(path, ("UPDATE entries SET record = ?, hash = ? WHERE entry = 3", (text, seal(previous, text))))
    (fault,) = faults(path)
    assert fault.startswith("entry 4 does not follow entry 3 as it stands")


def test_missing_rows_are_named(path):
    fill(path, 8)
    tamper(path, "DELETE FROM entries WHERE entry IN (1, 4, 5)")
    assert faults(path) == ["entry 1 is missing", "entry 4 is missing", "entry 5 is missing"]


def test_a_cut_tail_shows_only_against_a_hash_kept_elsewhere(path):
    fill(path)
    with Journal(path, read_only=True) as journal:
        before = journal.check().last_hash
    tamper(path, "DELETE FROM entries WHERE entry = 5")
    assert faults(path) == []
    with Journal(path, read_only=True) as journal:
        assert journal.check().last_hash != before


def test_triggers_that_are_gone_are_named(path):
    fill(path)
    tamper(path)
    with Journal(path, read_only=True) as journal:
        assert "entries_no_delete" in " ".join(fault.sentence for fault in journal.check().faults)


def test_a_clock_set_back_is_noted_and_loses_nothing(path):
    times = iter([datetime(2025, 6, 1, 12, tzinfo=UTC), datetime(2025, 6, 1, 11, tzinfo=UTC)])
    with Journal(path, clock=lambda: next(times)) as journal:
        for _ in range(2):
            with journal.writing():
                journal.append({"kind": "reading"})
        found = journal.check()
    assert found.faults == ()
    assert found.n_entries == 2
    assert "entry 2 was written at" in found.clock_notes[0].sentence


def test_nothing_is_kept_of_a_block_that_failed(path):
    fill(path, 1)
    with Journal(path) as journal:
        with pytest.raises(ZeroDivisionError, match="division"), journal.writing():
            journal.append({"kind": "reading"})
            raise ZeroDivisionError("division")
        assert len(journal.select()) == 1


def test_a_scan_file_is_recorded_once(path):
    with Journal(path) as journal:
        with journal.writing():
            journal.append({"kind": "reading", "scan_files": {"a.csv": "f" * 64}})
        with pytest.raises(StorageError, match="recorded already"), journal.writing():
            journal.append({"kind": "reading", "scan_files": {"a.csv": "f" * 64}})
        assert journal.seen("f" * 64) == {"a.csv": 1}
        assert journal.check().n_entries == 1


def test_other_files_and_later_formats_are_refused(path, tmp_path):
    (tmp_path / "text.db").write_text("no database at all, but long enough to look at" * 20)
    with pytest.raises(StorageError, match="it is no journal"):
        Journal(tmp_path / "text.db")
    db = sqlite3.connect(tmp_path / "other.db")
    db.execute("CREATE TABLE a (b)")
    db.close()
    with pytest.raises(StorageError, match="other.db is no journal"):
        Journal(tmp_path / "other.db")
    fill(path)
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 7")
    db.close()
    for read_only in (False, True):
        with pytest.raises(StorageError, match="journal of format 7, this version reads up to 2"):
            Journal(path, read_only=read_only)
    with pytest.raises(StorageError, match="no such journal"):
        Journal(tmp_path / "nowhere.db", read_only=True)
    with pytest.raises(StorageError, match="folder must be there"):
        Journal(tmp_path / "nowhere" / "line.db")


def test_a_network_share_is_refused(path, monkeypatch):
    monkeypatch.setattr(journal_module, "network_file_system", lambda _: "nfs4")
    with pytest.raises(StorageError, match=r"network share \(nfs4\)"):
        Journal(path)
    mounts = "36 35 98:0 / / rw - ext4 /dev/a rw\n40 36 0:50 / /mnt/lab\\040two rw - cifs //host/x rw"
    assert kind_of_mount(mounts, Path("/mnt/lab two/line.db")) == "cifs"
    assert kind_of_mount(mounts, Path("/mnt/lab/line.db")) == "ext4"


def test_a_journal_that_cannot_be_written_is_still_read(path):
    fill(path)
    path.chmod(0o400)
    path.parent.chmod(0o500)
    try:
        with Journal(path, read_only=True) as journal:
            assert journal.check().n_entries == 5
    finally:
        path.parent.chmod(0o700)


def test_a_full_disk_is_said_and_loses_nothing(path):
    fill(path)
    with Journal(path) as journal:
        pages = journal.query("PRAGMA page_count")[0][0]
        journal.query(f"PRAGMA max_page_count = {pages}")  # SQLite's own way of running out of room
        with pytest.raises(StorageError, match="free some space"), journal.writing():
            journal.append({"kind": "reading", "reason": "x" * 100_000})
        assert journal.check().faults == ()
        assert journal.check().n_entries == 5


def test_who_waits_too_long_is_told(path, monkeypatch):
    fill(path, 1)
    monkeypatch.setattr(journal_module, "BUSY_S", 0.05)
    held = pytest.raises(LockedError, match="another process has held the journal")
    with Journal(path) as one, Journal(path) as other, one.writing(), held, other.writing():
        pass


def test_measured_at_needs_an_offset():
    assert unix_time("2025-06-24T08:00:00+02:00", "S1") == unix_time("2025-06-24T06:00:00Z", "S1")
    with pytest.raises(TableError, match="S1: measured_at is '2025-06-24T08:00:00', without an offset"):
        unix_time("2025-06-24T08:00:00", "S1")
    with pytest.raises(TableError, match="write it as 2025"):
        unix_time("24.06.2025", "S1")


WRITER = """
import sys
from specmatch.line.journal.journal import Journal
with Journal(sys.argv[1]) as journal:
    for i in range(int(sys.argv[3])):
        with journal.writing():
            journal.append({"kind": "reading", "operator": sys.argv[2], "sample": str(i)})
"""


@pytest.mark.whole
def test_two_processes_share_a_journal_without_loss(path, full_size):
    n = 2000 if full_size else 100
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, path, name, str(n)]) for name in ("one", "two")]
    assert [writer.wait(timeout=300) for writer in writers] == [0, 0]
    with Journal(path, read_only=True) as journal:
        assert journal.check().faults == ()
        for name in ("one", "two"):
            samples = [row["sample"] for row in journal.select("operator = ?", (name,))]
            assert samples == [str(i) for i in range(n)]


def test_a_time_a_day_later_is_later():
    start = datetime(2025, 6, 1, tzinfo=UTC)
    assert unix_time((start + timedelta(days=1)).isoformat(), "S") - unix_time(start.isoformat(), "S") == 86400.0


def test_looking_back_at_one_beer_reads_no_whole_table(path):
    """What keeps `history --beer` quick on a million rows: every question finds its rows through an index."""
    from specmatch.line.charts import line_charts
    from specmatch.line.journal.queries import decision_counts, newest, waiting

    fill(path, 30, line="L1", lot="7", model_hash="a" * 64, decision="consistent", run_state="clear", sample="S",
         measured_at="2025-06-24T08:00:00+02:00", measured_unix=1.0,
         reading={"colour": 8.0, "colour_unit": "EBC", "p_value": 0.5})  # fmt: skip
    asked = []
    with Journal(path, read_only=True) as journal:
        journal._db.set_trace_callback(asked.append)
        assert len(newest([journal], beer="Pale")) == 20
        assert decision_counts([journal], beer="Pale")["consistent"] == 30
        assert waiting([journal], beer="Pale") == []
        assert len(line_charts([journal], beer="Pale")) == 1
        journal._db.set_trace_callback(None)
    assert len(asked) >= 8
    db = sqlite3.connect(path)
    for sql in asked:
        plan = " | ".join(row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {sql}"))
        # the newest model is read off the end of the table, row by row
        if "NOT INDEXED" not in sql:
            assert "SCAN e" not in plan.replace("SCAN entries USING", ""), (sql, plan)
    db.close()


def test_an_entry_dated_in_the_future_does_not_lead_the_newest(path):
    from specmatch.line.journal.queries import newest

    times = ("2025-06-24T08:00:00+02:00", "2125-01-01T00:00:00+00:00", "2025-06-24T09:00:00+02:00")
    with Journal(path) as journal, journal.writing():
        for moment in times:
            about = {"measured_at": moment, "measured_unix": datetime.fromisoformat(moment).timestamp()}
            journal.append({"kind": "reading", "line": "L1", "decision": "consistent", "sample": moment, **about})
        now = datetime.now(UTC).timestamp()
        journal.append({"kind": "review", "line": "L1", "operator": "KA", "measured_unix": now + 60.0})
        assert [row["entry"] for row in newest([journal])] == [1, 3, 2, 4]


def test_what_states_no_time_is_counted_in_the_shift_of_the_scans_about_it(path):
    from specmatch.line.journal.queries import last_shifts

    written = datetime(2025, 6, 24, 1, tzinfo=UTC)  # ten o'clock where the line stands
    with Journal(path, clock=lambda: written) as journal, journal.writing():
        for moment in ("2025-06-24T09:30:00+09:00", "2125-01-01T00:00:00+09:00"):
            about = {"measured_at": moment, "measured_unix": datetime.fromisoformat(moment).timestamp()}
            journal.append({"kind": "reading", "line": "L1", "decision": "consistent", **about})
        journal.append({"kind": "left_out", "line": "L1", "reason": "cut"})
        (shift,) = last_shifts([journal])
    assert (shift.started, shift.n_readings, shift.left_out) == ("2025-06-24 06:00", 2, 1)


def test_a_record_has_one_text():
    assert record_text({"entry": 1, "colour": 8.5, "beer": "Kölsch"}) == '{"entry":1,"colour":8.5,"beer":"Kölsch"}'
    assert record_text({"x": 0.1 + 0.2}) == '{"x":0.30000000000000004}'


def test_a_chain_of_two_holds_and_a_changed_record_breaks_it():
    texts = ['{"entry":1}', '{"entry":2}']
    first = seal("0" * 64, texts[0])
    second = seal(first, texts[1])
    assert check_chain([(1, texts[0], "0" * 64, first), (2, texts[1], first, second)]).faults == ()
    assert check_chain([(1, '{"entry":9}', "0" * 64, first), (2, texts[1], first, second)]).faults


@pytest.mark.parametrize(
    ("measured_at", "start"),
    [
        ("2025-06-24T05:59:59+02:00", "2025-06-23 22:00"),
        ("2025-06-24T06:00:00+02:00", "2025-06-24 06:00"),
        ("2025-06-24T14:00:00+00:00", "2025-06-24 14:00"),
        ("2025-06-24T23:30:00-05:00", "2025-06-24 22:00"),
        ("2025-01-01T00:10:00+00:00", "2024-12-31 22:00"),
    ],
)
def test_a_shift_starts_on_the_clock_of_the_time_itself(measured_at, start):
    assert shift_start(measured_at) == start


def of_sqlite(words, code):
    error = sqlite3.OperationalError(words)
    error.sqlite_errorcode = code
    return error


def test_a_locked_file_is_tried_again_and_any_other_fault_is_not():
    tries = []

    def locked_twice():
        tries.append(1)
        if len(tries) < 3:
            raise of_sqlite("another has it", sqlite3.SQLITE_BUSY_RECOVERY)
        return "done"

    assert patiently(locked_twice, 5.0) == "done" and len(tries) == 3

    def always(words, code):
        tries.append(1)
        raise of_sqlite(words, code)

    tries.clear()
    with pytest.raises(sqlite3.OperationalError, match="locked by a fault of the disk"):
        patiently(lambda: always("locked by a fault of the disk", sqlite3.SQLITE_IOERR), 5.0)
    assert len(tries) == 1
    with pytest.raises(sqlite3.OperationalError, match="another has it"):
        patiently(lambda: always("another has it", sqlite3.SQLITE_LOCKED), 0.05)
    assert len(tries) > 2


@pytest.mark.parametrize(("step", "state"), [(0.0, "steady"), (0.5, "DRIFTING UP"), (-0.5, "DRIFTING DOWN")])
def test_a_line_on_a_chart_says_where_it_stands(step, state):
    values = [8.0 + 0.1 * (-1) ** i for i in range(20)] + [8.0 + step + 0.01 * (-1) ** i for i in range(12)]
    chart = make_chart("colour", "Pale", "EBC", [Point(i, "", float(i), value) for i, value in enumerate(values)])
    said = chart_line(chart)
    assert said.startswith(f"colour of Pale: {state}; last {values[-1]:.4g} EBC, limits ")
    low, high = map(float, re.search(r"limits (\S+) to (\S+) from", said).groups())
    # moving ranges of 0.2 throughout; of 20 values the limits of one more lie 3.80 standard deviations off, not 3
    half = 3.80 * 0.2 / 1.128
    assert (low, high) == pytest.approx((8.0 - half, 8.0 + half), abs=0.002)
    outside = sum(not low <= value <= high for value in values[20:])
    assert said.endswith(f"; {outside} of 12 later points outside")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"v": float("nan")}, "cannot be written: v is nan"),
        ({"v": np.float32("inf")}, "cannot be written: v is"),
        ({"v": {1}}, "cannot be written: v is {1}"),
        ({"v": "\ud800"}, "cannot be written: v is"),
        ({"kind": ""}, "expected a mapping with a kind"),
        ({"entry": 99}, "states entry, which the journal fills in"),
        ({"written_at": "2020"}, "states written_at"),
        ({"scan_files": ["a"]}, "scan_files is no mapping"),
        ({"measured_at": "soon"}, "measured_at is 'soon'"),
    ],
)
def test_a_record_that_is_no_row_is_refused_and_leaves_none(path, more, said):
    with Journal(path) as journal:
        with pytest.raises(TableError, match=said), journal.writing():
            journal.append({"kind": "review", **more})
        assert journal.select() == []


def test_numbers_of_numpy_are_numbers(path):
    with Journal(path) as journal:
        with journal.writing():
            journal.append({"kind": "review", "n": np.int64(3), "x": np.float32(0.5), "ok": np.bool_(True)})
        assert {key: journal.entry(1)[key] for key in ("n", "x", "ok")} == {"n": 3, "x": 0.5, "ok": True}
        assert journal.check().faults == ()


def test_rows_are_added_while_the_journal_is_held(path):
    with Journal(path) as journal, pytest.raises(StorageError, match="append is called inside `with journal.writing"):
        journal.append({"kind": "review"})
