"""A scripted night shift: lots, two materials, a shift change, and everything that goes wrong; nothing waits unseen."""

import functools
import os
import shutil
import signal
import time
from datetime import UTC, datetime

import pandas as pd
import pytest
from line_room import reflectance_text

from specmatch.errors import StorageError, TableError
from specmatch.line.journal.journal import Journal
from specmatch.line.journal.queries import decision_counts, waiting
from specmatch.line.reviews import override, review
from specmatch.line.watcher import Watch

PALE, DARK = "Saddle Pale", "Night Porter"
COLUMNS = ("file", "role", "sample", "pour", "batch", "beer", "measured_at", "operator", "material", "material_lot")
MORNING = datetime(2025, 6, 25, 6, tzinfo=UTC)


@functools.cache
def fitting_pours(room, beer, n_pours, first):
    """The draw after the first batch that fits, counted from `first`, and its pours."""
    for draw in range(first, 300):
        pours = room.pours(beer, draw=draw, n_pours=n_pours)
        scans = pd.DataFrame({"pour": range(n_pours), "sample": [i // 3 for i in range(n_pours)]}).astype(str)
        table = pd.DataFrame(pours, index=[f"p{i}" for i in range(n_pours)])
        got = room.house.verify(table, claimed=beer, scans=scans.set_axis(table.index))
        if (got["p_value"] > 0.2).all():
            return draw + 1, pours
    raise AssertionError("no batch fits")


class Night:
    """A folder, its sheet and its journal; the sheet may be mended at any time."""

    def __init__(self, room, path):
        self.room, self.path, self.folder, self.rows = room, path, path / "scans", []
        self.folder.mkdir()
        self.draw = 100

    def journal(self):
        return Journal(self.path / "night.db", clock=lambda: MORNING)

    def fitting(self, beer, n_pours):
        """Pours of a new batch that the model takes for what it is, and so it is in any number of them."""
        self.draw, pours = fitting_pours(self.room, beer, n_pours, self.draw)
        return pours

    def list(self, sample, pours, at, *, claim=PALE, lot="", operator="KA", role="sample", write=True, **more):
        for i, pour in enumerate(pours):
            name = f"{sample}-{i}.csv"
            if write:
                (self.folder / name).write_text(reflectance_text(pour))
            stamp = at if "T" in at else f"2025-06-{'25' if at < '12' else '24'}T{at}:{i:02d}+00:00"
            row = {"file": name, "role": role, "sample": sample, "batch": lot, "beer": claim, "measured_at": stamp}
            self.rows.append({**row, "operator": operator, **more})

    def mend(self, sample, **cells):
        for row in self.rows:
            if row["sample"] == sample:
                row.update(cells)

    def write(self):
        lines = [",".join(COLUMNS), *(",".join(str(row.get(c, "")) for c in COLUMNS) for row in self.rows)]
        (self.folder / "scans.csv").write_text("\n".join(lines) + "\n")

    def look(self, **options):
        """Write the sheet, and look at the folder as a watch that has just been started."""
        self.write()
        with self.journal() as journal:
            watch = Watch(journal, self.room.setting(**options), self.folder)
            rows = watch.once()
            self.unread = dict(watch.waiting)
            return rows

    def waits(self):
        with self.journal() as journal:
            return {(row["run_state"], row["sample"]): row for row in waiting([journal])}


@pytest.fixture
def night(line_room, tmp_path):
    return Night(line_room, tmp_path)


def told(rows):
    kinds = ("reading", "retest")
    return [(row["sample"], row["lot"], row["decision"], row["run_state"]) for row in rows if row["kind"] in kinds]


def test_a_lot_that_bears_its_samples_name_is_a_run_of_its_own(night, line_room):
    """A departure of lot CLB is not cleared by the pours of lot CLC, nor do they wait for it."""
    right = night.fitting(PALE, 9)
    wrong = line_room.pours(DARK, n_pours=6)
    night.list("CLA", right[:3], "22:00", lot="CLA")
    night.list("CLB", wrong[:3], "22:10", lot="CLB")
    night.list("CLC", right[3:6], "22:20", lot="CLC")
    assert told(night.look()) == [
        ("CLA", "CLA", "consistent", "clear"), ("CLB", "CLB", "rescan", "open"), ("CLC", "CLC", "consistent", "clear")
    ]  # fmt: skip
    assert set(night.waits()) == {("open", "CLB")}
    night.list("CLB-2", wrong[3:], "22:40", lot="CLB")
    night.list("CLC-2", right[6:], "22:50", lot="CLC")
    assert told(night.look()) == [("CLB-2", "CLB", "hold", "held"), ("CLC-2", "CLC", "consistent", "clear")]
    assert set(night.waits()) == {("held", "CLB")}


def test_a_sample_without_a_lot_waits_for_nothing_elses_pours(night, line_room):
    right, wrong = night.fitting(PALE, 6), line_room.pours(DARK, n_pours=4)
    night.list("A", wrong[:2], "22:00")
    night.list("B", right[:3], "22:10")
    assert told(night.look()) == [("A", "", "rescan", "open"), ("B", "", "consistent", "clear")]
    assert "list it as sample A" in night.waits()["open", "A"]["settle"]
    # poured again under its own name, it is its own retest
    for i, pour in enumerate(wrong[2:]):
        (night.folder / f"again{i}.csv").write_text(reflectance_text(pour))
        night.rows.append({**night.rows[0], "file": f"again{i}.csv", "measured_at": f"2025-06-24T22:3{i}:00+00:00"})
    assert told(night.look()) == [("A", "", "hold", "held")]


def test_samples_counted_anew_each_day_bear_no_departure_from_one_day_to_the_next(night, line_room):
    wrong = line_room.pours(DARK, n_pours=4)
    days = ("2025-06-20T22:0{}:00+00:00", "2025-06-22T22:0{}:00+00:00", "2025-06-24T22:0{}:00+00:00")

    def poured(day, pours, tag):
        for i, pour in enumerate(pours):
            (night.folder / f"{tag}{i}.csv").write_text(reflectance_text(pour))
            named = {"file": f"{tag}{i}.csv", "role": "sample", "sample": "1", "batch": "", "beer": PALE}
            night.rows.append({**named, "measured_at": day.format(i)})
        (got,) = told(night.look())
        night.rows.clear()
        return got

    assert poured(days[0], wrong[:2], "a") == ("1", "", "rescan", "open")
    assert poured(days[1], night.fitting(PALE, 3), "b") == ("1", "", "consistent", "clear")
    assert ("open", "1") in night.waits()
    assert poured(days[2], wrong[2:], "c") == ("1", "", "rescan", "open")
    with night.journal() as journal, journal.writing():
        # a late review of the first day settles that day alone
        assert review(journal, 1, outcome="rework", operator="KA", note="poured away")["concerns"] == 1
    assert [row["entry"] for row in night.waits().values()] == [3]


def test_a_misspelt_claim_is_judged_again_once_the_sheet_is_mended_and_the_old_entry_stays(night):
    pours = night.fitting(PALE, 6)
    night.list("S1", pours[:3], "22:00", claim="Saddel Pale", lot="L1")
    night.list("S2", pours[3:], "22:10", lot="L1")
    first = night.look()
    assert told(first) == [("S1", "L1", "hold", "clear"), ("S2", "L1", "consistent", "clear")]
    assert set(night.waits()) == {("hold", "S1")}
    assert "mend its row" in night.waits()["hold", "S1"]["settle"]
    assert told(night.look()) == []  # nothing was mended
    night.mend("S1", beer=PALE)
    (row,) = night.look()
    assert (row["replaces"], row["claimed"], row["decision"]) == (first[0]["entry"], PALE, "consistent")
    assert row["put_right"]["claimed"] == ["Saddel Pale", PALE]
    assert night.waits() == {}
    with night.journal() as journal:
        assert journal.entry(first[0]["entry"])["claimed"] == "Saddel Pale"
        assert sum(decision_counts([journal]).values()) == 2
        assert journal.check().faults == ()
    assert night.look() == []


@pytest.mark.whole
def test_a_wrong_lot_condemns_no_right_one_once_it_is_mended(night, line_room):
    right, wrong = night.fitting(PALE, 9), line_room.pours(DARK, n_pours=3)
    night.list("S1", right[:3], "22:00", lot="L1")
    night.list("S2", wrong, "22:10", lot="L1")  # of another line's lot, by mistake
    assert told(night.look())[1] == ("S2", "L1", "rescan", "open")
    night.mend("S2", batch="L9", beer=DARK)
    night.list("S3", right[3:6], "22:20", lot="L1")
    rows = night.look()
    assert sorted(told(rows)) == [("S2", "L9", rows[0]["decision"], "clear"), ("S3", "L1", "consistent", "clear")]
    assert night.waits() == {}


@pytest.mark.whole
def test_files_left_out_for_their_times_are_recorded_once_the_sheet_is_mended(night):
    pours = night.fitting(PALE, 6)
    night.list("S1", pours[:3], "2025-06-24T22:00:00", lot="L1")
    night.list("S2", pours[3:], "2025-06-24T22:10:00", lot="L1")
    rows = night.look()
    assert [row["kind"] for row in rows] == ["left_out"] * 6
    assert "without an offset" in rows[0]["reason"]
    waits = night.waits()
    assert {state for state, _ in waits} == {"left out"} and len(waits) == 6
    assert night.look() == []  # the same files for the same reason: nothing new to say
    for row in night.rows:
        row["measured_at"] += "+00:00"
    rows = night.look()
    assert told(rows) == [("S1", "L1", "consistent", "clear"), ("S2", "L1", "consistent", "clear")]
    assert sum(row["kind"] == "put_right" for row in rows) == 4  # a reading takes the place of one, these of the others
    assert night.waits() == {}


@pytest.mark.whole
def test_names_come_from_the_sheet_across_a_shift_change_and_a_name_for_the_watch_fills_blanks(night):
    pours = night.fitting(PALE, 9)
    night.list("S1", pours[:3], "21:50", lot="L1", operator="KA")
    night.list("S2", pours[3:6], "22:10", lot="L1", operator="LM")
    night.list("S3", pours[6:], "22:30", lot="L1", operator="")
    assert [row["operator"] for row in night.look(operator="KA")] == ["KA", "LM", "KA"]


@pytest.mark.whole
def test_a_scan_from_the_future_is_flagged_itself_and_blames_no_control(night):
    pours = night.fitting(PALE, 9)
    dye = night.room.pours("Amber Lane", n_pours=2)
    for i, at in enumerate(("21:30", "21:35")):
        night.list(f"dye{i}", [dye[i]], at, role="control", claim="", material="dye", material_lot="7")
    night.list("S1", pours[:3], "22:00", lot="L1")
    night.list("S2", pours[3:6], "2025-06-27T08:00:00+00:00", lot="L1")
    night.list("S3", pours[6:], "22:20", lot="L1")
    rows = night.look()
    assert told(rows) == [
        ("S1", "L1", "consistent", "clear"), ("S2", "L1", "hold", "clear"), ("S3", "L1", "consistent", "clear")
    ]  # fmt: skip
    (doubtful,) = [row for row in rows if row.get("sample") == "S2"]
    assert "clock_doubtful" in doubtful["reading"]["warnings"]
    assert "2.1 days after the clock of this machine" in doubtful["reason"]
    assert "control" not in doubtful["reason"]
    assert set(night.waits()) == {("hold", "S2")}


def test_a_scan_before_the_last_of_its_session_is_flagged(night):
    pours = night.fitting(PALE, 6)
    night.list("S1", pours[:3], "23:00", lot="L1")
    night.look()
    night.list("S2", pours[3:], "21:00", lot="L1")  # written later by a clock that was set back
    (row,) = night.look()
    assert row["decision"] == "hold" and "clock_doubtful" in row["reading"]["warnings"]
    assert "2.0 h before entry 1" in row["reason"]


@pytest.mark.whole
def test_half_written_doubled_and_stray_files(night):
    pours = night.fitting(PALE, 6)
    night.list("S1", pours[:3], "22:00", lot="L1")
    text = reflectance_text(pours[3])
    night.list("S2", pours[3:4], "22:10", lot="L1", write=False)
    (night.folder / "S2-0.csv").write_text(text[:900])
    os.utime(night.folder / "S2-0.csv", (time.time() + 3600.0,) * 2)  # still being written
    night.list("S3", pours[4:5], "22:20", lot="L1", write=False)
    shutil.copy(night.folder / "S1-0.csv", night.folder / "S3-0.csv")
    stray = night.folder / "forgotten.csv"
    stray.write_text(reflectance_text(pours[5]))
    (night.folder / "note.txt").write_text("the lamp was changed at nine\n")
    night.write()
    with night.journal() as journal:
        watch = Watch(journal, night.room.setting(), night.folder, patience_s=60.0)
        rows = [row for _ in range(3) for row in watch.rows()]
        assert told(rows) == [("S1", "L1", "consistent", "clear"), ("S3", "L1", "rescan", "clear")]
        assert "repeated_scan" in rows[-1]["reading"]["warnings"]
        # the stray waits in sight, the half-written one too
        assert "not listed in scans.csv" in watch.waiting["forgotten.csv"]
        assert "S2-0.csv" in watch.waiting
        (night.folder / "S2-0.csv").write_text(text)
        os.utime(stray, (time.time() - 700.0,) * 2)
        rows = [row for _ in range(3) for row in watch.rows()]
    assert [row["kind"] for row in rows] == ["left_out", "reading"] and told(rows)[0][0] == "S2"
    assert set(night.waits()) == {("left out", "forgotten.csv")}
    # listed at last, it is judged, and no longer waits
    night.list("forgotten", [pours[5]], "22:30", lot="L1", write=False)
    night.rows[-1]["file"] = "forgotten.csv"
    rows = night.look()
    assert told(rows) == [("forgotten", "L1", "consistent", "clear")]
    assert night.waits() == {}


def test_a_full_disk_says_exactly_what_was_recorded(night):
    pours = night.fitting(PALE, 9)
    for i in range(3):
        night.list(f"S{i}", pours[3 * i : 3 * i + 3], f"22:{i}0", lot="L1")
    night.write()
    with night.journal() as journal:
        watch = Watch(journal, night.room.setting(), night.folder)
        seen = []
        with pytest.raises(StorageError, match="entries 1 to 2 were recorded before, what came after was not: free"):
            for row in (row for _ in range(3) for row in watch.rows()):
                seen.append(row)
                if len(seen) == 2:
                    pages = journal.query("PRAGMA page_count")[0][0]
                    journal.query(f"PRAGMA max_page_count = {pages}")
                    journal.query("PRAGMA cache_size = 1")
                    fill_up(journal)
        assert journal.check().n_entries == 2
    assert told(night.look()) == [("S2", "L1", "consistent", "clear")]


def fill_up(journal):
    """Take the free room of the last pages, so that the next row finds none."""
    real = journal.append

    def append(record, **options):
        return real({**record, "padding": "x" * 200_000}, **options)

    journal.append = append


@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a forked process with SIGKILL")
def test_a_watch_that_is_killed_goes_on_where_the_record_ends(night):
    pours = night.fitting(PALE, 9)
    for i in range(3):
        night.list(f"S{i}", pours[3 * i : 3 * i + 3], f"22:{i}0", lot="L1")
    night.write()
    child = os.fork()
    if child == 0:
        with night.journal() as journal:
            watch = Watch(journal, night.room.setting(), night.folder)
            for _ in (row for _ in range(3) for row in watch.rows()):
                os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    assert told(night.look()) == [("S1", "L1", "consistent", "clear"), ("S2", "L1", "consistent", "clear")]
    with night.journal() as journal:
        assert journal.check().faults == ()
        assert [row["sample"] for row in journal.select()] == ["S0", "S1", "S2"]


def test_reviews_take_an_outcome_a_name_a_reason_and_two_names_where_the_house_asks(night, line_room):
    wrong = line_room.pours(DARK, n_pours=3)
    night.list("S1", wrong, "22:00", lot="L1")
    night.look()
    with night.journal() as journal, journal.writing():
        with pytest.raises(TableError, match="released after check, rework, reject, wrong claim; got 'fine'"):
            review(journal, 1, outcome="fine", operator="KA", note="looked")
        with pytest.raises(TableError, match="say who"):
            review(journal, 1, outcome="reject", operator="KA", note=" ")
        for same in ("ka", "K. A."):
            with pytest.raises(TableError, match="the second is another person's"):
                review(journal, 1, outcome="reject", operator="KA", note="tank 4", second=same)
        journal.append({"kind": "in_force", "line": "L1", "second_name": True})
        with pytest.raises(TableError, match="asks for two names"):
            review(journal, 1, outcome="reject", operator="KA", note="tank 4")
        row = review(journal, 1, outcome="Reject ", operator="KA", note="tank 4", second="LM")
    assert (row["outcome"], row["operator"], row["second"], row["concerns"]) == ("reject", "KA", "LM", 1)
    assert night.waits() == {}


def test_after_a_review_of_a_wrong_claim_the_same_scans_are_judged_under_another(night):
    pour = night.room.pours(PALE)[0]
    (night.folder / "p.csv").write_text(reflectance_text(pour))
    os.utime(night.folder / "p.csv", (MORNING.timestamp(),) * 2)

    def look(claim):
        with night.journal() as journal:
            return Watch(journal, night.room.setting(claim=claim), night.folder).once()

    assert [row["decision"] for row in look(DARK)] == ["rescan"]
    assert look(PALE) == []  # another claim is for the files to come, not for those of before
    with night.journal() as journal, journal.writing():
        review(journal, 1, outcome="wrong claim", operator="KA", note="the claim was that of the lot before")
    (row,) = look(PALE)
    assert (row["claimed"], row["decision"], row["replaces"]) == (PALE, "consistent", 1)


@pytest.mark.whole
def test_an_override_is_a_review_before_the_fact_and_never_silent(night, line_room):
    wrong = line_room.pours(DARK, n_pours=6)
    with night.journal() as journal, journal.writing():
        names = {"line": "L1", "outcome": "released after check", "operator": "KA", "note": "trial brew, agreed"}
        override(journal, PALE, "L1", **names)
        with pytest.raises(TableError, match="one beer and one lot"):
            override(journal, PALE, " ", **names)
    night.list("S1", wrong[:3], "22:00", lot="L1")
    night.list("S2", wrong[3:], "22:10", lot="L2")
    rows = night.look()
    assert told(rows) == [("S1", "L1", "hold", "clear"), ("S2", "L2", "rescan", "open")]
    assert "released before the fact, see entry 1" in rows[0]["reason"] and rows[0]["overridden_by"] == 1
    assert set(night.waits()) == {("open", "S2")}


def test_a_claim_for_the_whole_watch_that_the_sheet_denies_is_said(night):
    pours = night.fitting(PALE, 3)
    night.list("S1", pours, "22:00", claim=DARK, lot="L1")
    (row,) = night.look(claim=PALE)
    assert row["claim_of_sheet"] == DARK and f"the sheet says {DARK}" in row["reason"]
