"""Retests and controls: first a rescan, then all pours together; nothing is decided under a bad control."""

import re

import pytest
from line_room import write_pour, write_sheet

from specmatch.line.controls import control_trouble, judge_control
from specmatch.line.journal import Journal
from specmatch.line.judging import judge_pooled
from specmatch.line.review import name_baseline, review
from specmatch.line.run_rule import Judged, Run, judge_in_run
from specmatch.line.watch import Watch
from specmatch.maths.control_limits import Baseline

TRUE, WRONG = "Saddle Pale", "Night Porter"
READING = {"n_pours": 3, "warnings": ["foam"]}
POURS = {"wavelength_nm": [500.0], "scans": {"a": {"pour": "a", "reflectance": [0.5]}}}


def judged(decision="consistent", faults=(), departs=None, pours=POURS):
    departs = decision == "hold" if departs is None else departs
    return Judged(READING, decision, "said", "do", faults, departs, pours)


def test_a_clear_run_stays_clear_while_nothing_departs():
    got = judge_in_run(Run(), judged(), None, control=None)
    assert (got.kind, got.decision, got.run_state, got.pours) == ("reading", "consistent", "clear", None)


def test_a_first_departure_is_a_rescan_and_its_pours_are_kept():
    got = judge_in_run(Run(), judged("hold"), None, control=None)
    assert (got.decision, got.run_state, got.pours) == ("rescan", "open", POURS)
    assert got.reading["warnings"] == ["foam", "first_departure"]


def test_a_fault_in_one_pour_does_not_excuse_the_others():
    got = judge_in_run(Run(), judged("rescan", faults=("spike",), departs=True), None, control=None)
    assert (got.decision, got.run_state, got.pours) == ("rescan", "open", POURS)


@pytest.mark.parametrize(("pooled", "state"), [("hold", "held"), ("consistent", "clear")])
def test_the_retest_judges_all_pours_together_whatever_the_new_ones_say_alone(pooled, state):
    run = Run("open", 4, (POURS,))
    for alone in ("hold", "consistent"):
        got = judge_in_run(run, judged(alone), judged(pooled), control=None)
        assert (got.kind, got.concerns, got.decision, got.run_state) == ("retest", 4, pooled, state)
        assert "since entry 4 together" in got.reason


def test_a_faulty_retest_decides_nothing_but_its_good_pours_stay_in():
    got = judge_in_run(Run("open", 4, (POURS,)), judged("rescan", faults=("spike",)), None, control=None)
    assert (got.decision, got.run_state, got.concerns, got.pours) == ("rescan", "open", 4, POURS)


def test_a_held_run_stays_held_however_well_it_reads():
    got = judge_in_run(Run("held", 4, (POURS,)), judged(), judged("consistent"), control=None)
    assert (got.decision, got.run_state) == ("hold", "held")
    assert "held since entry 4" in got.reason


def test_under_a_bad_control_nothing_is_decided_and_the_run_stays_as_it_was():
    for run in (Run(), Run("open", 4, (POURS,))):
        got = judge_in_run(run, judged("hold"), None, control=("control_out", "it is out"))
        assert (got.decision, got.run_state, got.pours) == ("rescan", run.state, None)
        assert got.reading["warnings"][-1] == "control_out"


class Line:
    """One line, its folder and journal, fed sample by sample."""

    def __init__(self, room, path):
        self.room, self.folder, self.rows = room, path / "scans", []
        self.folder.mkdir()
        self.journal = Journal(path / "line.db")

    def pour(self, sample, spectra, claim=TRUE, lot="lot 1", at="08:00", role="sample"):
        for i, spectrum in enumerate(spectra):
            write_pour(self.folder, f"{sample}-{i}.csv", spectrum)
            self.rows.append(
                {"file": f"{sample}-{i}.csv", "role": role, "sample": sample, "batch": lot,
                 "beer": claim, "measured_at": f"2025-06-24T{at}:{len(self.rows) % 60:02d}+02:00"}
            )  # fmt: skip
        write_sheet(self.folder, self.rows)
        return Watch(self.journal, self.room.setting(), self.folder).once()


@pytest.fixture
def line(line_room, tmp_path):
    line = Line(line_room, tmp_path)
    yield line
    line.journal.close()


def states(rows):
    return [(row["kind"], row["decision"], row["run_state"]) for row in rows]


def test_a_wrong_beer_is_held_after_its_retest_and_until_it_is_reviewed(line, line_room):
    wrong = line_room.pours(WRONG)
    assert states(line.pour("A", wrong[:3])) == [("reading", "rescan", "open")]
    (retest,) = line.pour("B", wrong[3:])
    assert states([retest]) == [("retest", "hold", "held")]
    assert retest["concerns"] == 1
    assert retest["reading"]["n_pours"] == 6
    assert retest["alone"]["n_pours"] <= 3
    # a right sample in the same run does not clear it; another lot is another run
    right = line_room.pours(TRUE)
    assert states(line.pour("C", right[:3])) == [("retest", "hold", "held")]
    assert states(line.pour("D", right[3:], lot="lot 2")) == [("reading", "consistent", "clear")]
    with line.journal.writing():
        noted = review(line.journal, 1, operator="KA", note="tank 4 was on the line; run discarded")
    assert (noted["concerns"], noted["run_state"]) == (1, "clear")
    assert states(line.pour("E", line_room.pours(TRUE, draw=3)[:3])) == [("reading", "consistent", "clear")]
    assert line.journal.check().faults == ()


def test_the_retest_is_the_pooled_reading_of_the_house_model(line, line_room):
    wrong = line_room.pours(WRONG)
    line.pour("A", wrong[:3])
    (retest,) = line.pour("B", wrong[3:])
    rows = line.journal.select("entry <= 2")
    again = judge_pooled(line_room.setting(), [row["pours"] for row in rows], TRUE, None)
    assert again.reading == retest["reading"]
    assert again.decision == "hold"


def test_only_an_open_or_held_run_is_reviewed(line, line_room):
    from specmatch.errors import TableError

    line.pour("A", line_room.pours(TRUE)[:3])
    with pytest.raises(TableError, match="entry 1 belongs to no run that waits"), line.journal.writing():
        review(line.journal, 1, operator="KA", note="fine")
    with pytest.raises(TableError, match="say who"), line.journal.writing():
        review(line.journal, 1, operator="", note="fine")


def control(journal, at, colour, decision="consistent", line="L1"):
    with journal.writing():
        journal.append(
            {"kind": "control", "line": line, "measured_unix": at, "decision": decision, "reason": "as it is",
             "reading": {"colour": colour, "colour_unit": "EBC"}}
        )  # fmt: skip


def test_a_control_is_overdue_out_or_good(tmp_path):
    with Journal(tmp_path / "line.db") as journal:
        assert control_trouble(journal, "L1", 0.0) is None  # a line that has no control is not asked for one
        control(journal, 3600.0, 25.0)
        assert control_trouble(journal, "L1", 7200.0) is None
        assert control_trouble(journal, "L2", 7200.0) is None
        assert control_trouble(journal, "L1", 3600.0 * 14)[0] == "control_overdue"
        assert control_trouble(journal, "L1", 3600.0 * 14, control_hours=24.0) is None
        assert control_trouble(journal, "L1", 3600.0 * 14, control_hours=0.0) is None
        code, said = control_trouble(journal, "L1", 0.0)  # stamped long before the first control
        assert code == "control_overdue"
        assert "before this sample" in said
        control(journal, 8000.0, 30.0, "rescan")
        code, said = control_trouble(journal, "L1", 9000.0)
        assert (code, "entry 2" in said) == ("control_out", True)
        control(journal, 9500.0, 25.0)
        assert control_trouble(journal, "L1", 9600.0) is None


def test_a_control_is_judged_by_its_baseline():
    assert judge_control(25.0, "EBC", None)[0] == "consistent"
    assert judge_control(25.2, "EBC", Baseline(25.0, 0.1, 20))[0] == "consistent"
    decision, reason = judge_control(25.4, "EBC", Baseline(25.0, 0.1, 20))
    assert decision == "rescan"
    assert re.search(r"25\.40 EBC, limits 24\.70 to 25\.30 from 20 controls", reason)


def test_a_named_baseline_takes_the_place_of_the_first_values(tmp_path):
    from specmatch.line.controls import control_baseline

    with Journal(tmp_path / "line.db") as journal:
        for hour in range(25):
            control(journal, 3600.0 * hour, 25.0 + 0.1 * (hour % 2) + (1.0 if hour >= 20 else 0.0))
        assert control_baseline(journal, "L1").centre == pytest.approx(25.05)
        with journal.writing():
            name_baseline(journal, "1970-01-01T20:00:00+00:00", "1970-01-02T01:00:00+00:00", operator="KA", note="new")
        assert control_baseline(journal, "L1").n == 5
        assert control_baseline(journal, "L1").centre == pytest.approx(26.04)
