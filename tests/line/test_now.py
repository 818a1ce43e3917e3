"""How a line stands now: a hold that nobody settled is hidden by nothing but another sample."""

from datetime import UTC, datetime, timedelta

import pytest

from specmatch.line.journal.journal import Journal
from specmatch.line.journal.queries import lines_of
from specmatch.line.now import line_now
from specmatch.line.reviews import review

NOW = datetime(2025, 6, 25, 3, tzinfo=UTC)


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "line.db", clock=lambda: NOW) as journal:
        yield journal


def add(journal, kind="reading", minutes=60, **more):
    at = NOW - timedelta(minutes=minutes)
    record = {"kind": kind, "line": "L1", "claimed": "Pale", "lot": "7", "sample": "S", "reason": "why",
              "advice": "go on", "measured_at": at.isoformat(), "measured_unix": at.timestamp(),
              "reading": {"warnings": []}}  # fmt: skip
    with journal.writing():
        return journal.append({**record, **more})["entry"]


CONSISTENT = {"decision": "consistent", "run_state": "clear"}
OPEN = {"decision": "rescan", "run_state": "open"}


def test_an_empty_line(journal):
    now = line_now(journal, "L1", at=NOW)
    assert (now.last, now.stops, now.waiting, now.control.state) == (None, False, (), "none")
    assert lines_of(journal) == []


def test_a_run_that_departs_is_held_and_reviewed(journal):
    add(journal, **CONSISTENT, lot="6")
    first = add(journal, **OPEN)
    now = line_now(journal, "L1", at=NOW)
    assert now.stops and "Pale, lot 7: open since entry 2; pour again" in now.sentence
    second = add(journal, "retest", concerns=first, decision="hold", run_state="held")
    now = line_now(journal, "L1", at=NOW)
    assert now.last["entry"] == second and now.stops and "held since entry 2; a person reviews it" in now.sentence
    with journal.writing():
        review(journal, second, outcome="rework", operator="KA", note="tank 4")
    now = line_now(journal, "L1", at=NOW)
    assert now.last["entry"] == second and now.review["outcome"] == "rework" and not now.stops
    assert [row["kind"] for row in now.newest] == ["review", "retest", "reading", "reading"]


def test_a_file_left_out_and_a_control_that_is_out_stand_before_what_passed_and_behind_a_hold(journal):
    add(journal, **CONSISTENT)
    left = add(journal, "left_out", scan_files={"a.csv": "f" * 64})
    assert line_now(journal, "L1", at=NOW).last["entry"] == left
    out = add(journal, "control", decision="rescan", claimed=None, lot=None)
    now = line_now(journal, "L1", at=NOW)
    assert now.last["entry"] == out and now.control.state == "control out" and now.stops
    held = add(journal, decision="hold", run_state="clear")
    add(journal, "left_out", scan_files={"b.csv": "e" * 64})
    now = line_now(journal, "L1", at=NOW)
    assert now.last["entry"] == held
    # another sample of another lot is what is in hand then; the hold waits in its list
    right = add(journal, **CONSISTENT, lot="8")
    now = line_now(journal, "L1", at=NOW)
    assert now.last["entry"] == right and held in [row["entry"] for row in now.waiting]


def test_the_control_ages(journal):
    add(journal, "control", decision="consistent", minutes=600, claimed=None, lot=None)
    add(journal, **CONSISTENT)
    now = line_now(journal, "L1", at=NOW)
    assert (now.control.state, now.control.age_h, now.stops) == ("good", 10.0, False)
    now = line_now(journal, "L1", at=NOW + timedelta(hours=3))
    assert now.control.state == "overdue" and now.stops and "measure the control first" in now.sentence
    with journal.writing():
        journal.append({"kind": "in_force", "line": "L1", "control_hours": 24.0, "second_name": True})
    now = line_now(journal, "L1", at=NOW + timedelta(hours=3))
    assert now.control.state == "good" and now.second_name


def test_lines_are_kept_apart(journal):
    add(journal, **OPEN)
    add(journal, **CONSISTENT, line="L2")
    now = line_now(journal, "L2", at=NOW)
    assert (now.stops, now.waiting, len(now.newest)) == (False, (), 1)
    assert lines_of(journal) == ["L1", "L2"]
