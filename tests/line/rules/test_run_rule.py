"""Retests and controls: first a rescan, then all pours together; nothing is decided under a bad control."""

import numpy as np
import pandas as pd
import pytest
from line_room import write_pour, write_sheet

from specmatch.line.journal.journal import Journal
from specmatch.line.reviews import review
from specmatch.line.rules.controls import control_trouble
from specmatch.line.rules.judging import judge_pooled, kept_mean, reading_record
from specmatch.line.rules.run_rule import Judged, Pooled, Run, find_run, judge_in_run, with_grid, without_grid
from specmatch.line.watcher import Watch

TRUE, WRONG = "Saddle Pale", "Night Porter"
READING = {"n_pours": 3, "warnings": ["foam"]}
OPEN = Run("open", 4, 1)


def judged(decision="consistent", faults=(), departs=None):
    departs = decision == "hold" if departs is None else departs
    return Judged(READING, decision, "said", "do", faults, departs, {})


def pooled(decision, since=0.5):
    return Pooled(judged(decision), since, 6, 0.05)


def test_a_clear_run_stays_clear_while_nothing_departs():
    got = judge_in_run(Run(), judged(), None, control=None)
    assert (got.kind, got.decision, got.run_state) == ("reading", "consistent", "clear")


def test_a_first_departure_is_a_rescan():
    got = judge_in_run(Run(), judged("hold"), None, control=None)
    assert (got.decision, got.run_state) == ("rescan", "open")
    assert got.reading["warnings"] == ["foam", "first_departure"]


def test_a_fault_in_one_pour_does_not_excuse_the_others():
    got = judge_in_run(Run(), judged("rescan", faults=("spike",), departs=True), None, control=None)
    assert (got.decision, got.run_state) == ("rescan", "open")


@pytest.mark.parametrize(("whole", "state"), [("hold", "held"), ("consistent", "clear")])
def test_the_retest_judges_all_pours_together_whatever_the_new_ones_say_alone(whole, state):
    for alone in ("hold", "consistent"):
        got = judge_in_run(OPEN, judged(alone), pooled(whole), control=None)
        assert (got.kind, got.concerns, got.decision, got.run_state) == ("retest", 4, whole, state)
        assert "pours of the run together" in got.reason


def test_a_beer_that_changed_in_the_middle_is_not_excused_by_how_the_run_began():
    got = judge_in_run(OPEN, judged("hold"), pooled("consistent", since=0.004), control=None)
    assert (got.decision, got.run_state) == ("hold", "held")
    assert "changed in the middle of the run" in got.reason
    assert judge_in_run(OPEN, judged("hold"), pooled("consistent", since=0.006), control=None).run_state == "clear"


def test_a_third_departure_is_a_hold():
    got = judge_in_run(Run("clear", None, 2), judged("hold"), None, control=None)
    assert (got.decision, got.run_state) == ("hold", "held")
    assert "departure number 3" in got.reason


def test_a_faulty_retest_decides_nothing():
    got = judge_in_run(OPEN, judged("rescan", faults=("spike",)), None, control=None)
    assert (got.decision, got.run_state, got.concerns) == ("rescan", "open", 4)


def test_a_held_run_stays_held_however_well_it_reads():
    got = judge_in_run(Run("held", 4, 1), judged(), None, control=None)
    assert (got.decision, got.run_state) == ("hold", "held")
    assert "held since entry 4" in got.reason


def test_under_a_bad_control_nothing_is_decided_and_the_run_stays_as_it_was():
    for run in (Run(), OPEN):
        got = judge_in_run(run, judged("hold"), None, control=("control_out", "it is out"))
        assert (got.decision, got.run_state) == ("rescan", run.state)
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
        noted = review(line.journal, 1, outcome="rework", operator="KA", note="tank 4 was on the line; run discarded")
    assert (noted["concerns"], noted["run_state"]) == (1, "clear")
    assert states(line.pour("E", line_room.pours(TRUE, draw=3)[:3])) == [("reading", "consistent", "clear")]
    assert line.journal.check().faults == ()


def test_the_retest_is_the_pooled_reading_of_the_house_model(line, line_room):
    wrong = line_room.pours(WRONG)
    line.pour("A", wrong[:3])
    (retest,) = line.pour("B", wrong[3:])
    parts = [{"entry": row["entry"], **with_grid(line.journal, row["kept"])} for row in line.journal.select()]
    again = judge_pooled(line_room.setting(), parts, 1, TRUE, None)
    assert again.whole.reading == retest["reading"]
    assert again.whole.decision == "hold"
    # the same from the scans themselves; the record keeps seven digits
    table = pd.DataFrame(wrong)
    scans = pd.DataFrame({"pour": list("abcdef"), "sample": "all"}, index=table.index)
    verified = line_room.house.verify(table, claimed=TRUE, scans=scans, every_pour=True)
    assert verified["colour"].iloc[0] == pytest.approx(retest["reading"]["colour"], rel=1e-4)


@pytest.mark.whole
def test_a_wrong_beer_after_right_ones_in_one_run_is_held(line, line_room):
    right, wrong = line_room.pours(TRUE, n_pours=9), line_room.pours(WRONG)
    for i in range(3):
        assert states(line.pour(f"A{i}", right[3 * i : 3 * i + 3])) == [("reading", "consistent", "clear")]
    assert states(line.pour("B", wrong[:3])) == [("reading", "rescan", "open")]
    (retest,) = line.pour("C", wrong[3:])
    assert states([retest]) == [("retest", "hold", "held")]
    assert retest["reading"]["n_pours"] == 15


def test_only_an_open_or_held_run_is_reviewed(line, line_room):
    from specmatch.errors import TableError

    line.pour("A", line_room.pours(TRUE)[:3])
    with pytest.raises(TableError, match="entry 1 waits for nobody"), line.journal.writing():
        review(line.journal, 1, outcome="reject", operator="KA", note="fine")
    with pytest.raises(TableError, match="say who"), line.journal.writing():
        review(line.journal, 1, outcome="reject", operator="", note="fine")


def test_a_review_is_corrected_by_a_later_one_whose_outcome_counts(tmp_path):
    from specmatch.errors import TableError
    from specmatch.line.rules.controls import _counted_out

    def say(outcome, **more):
        with journal.writing():
            return review(journal, 1, outcome=outcome, operator="KA", note="seen", **more)

    with Journal(tmp_path / "line.db") as journal:
        control(journal, 0.0, 25.0, "rescan")
        say("released after check")
        assert not _counted_out(journal, journal.entry(1))
        # two people at one screen settle an entry once
        with pytest.raises(TableError, match="entry 1 waits for nobody"):
            say("reject")
        row = say("reject", correct=True)
        assert (row["concerns"], row["corrects"]) == (1, 2)
        assert _counted_out(journal, journal.entry(1))
        assert control_trouble(journal, "L1", 60.0) is None  # a person has seen it all the same


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
        control(journal, 9400.0, 25.0, "hold")  # doubtful: it counts for nothing
        assert control_trouble(journal, "L1", 9450.0)[0] == "control_out"
        control(journal, 9500.0, 25.0)
        assert control_trouble(journal, "L1", 9600.0) is None


def test_the_run_is_that_of_its_beer_its_lot_and_its_line(tmp_path):
    departure = {"kind": "reading", "line": "1", "claimed": "Pale", "lot": "L7", "run_state": "open"}
    with Journal(tmp_path / "run.db") as journal:
        for _ in range(2):
            with journal.writing():
                journal.append(departure)
        got = find_run(journal, "1", "Pale", "L7")
        assert (got.state, got.departures, got.parts) == ("open", 2, ())
        assert find_run(journal, "1", "Pale", "L8") == Run()
        assert find_run(journal, "2", "Pale", "L7") == Run()
        assert find_run(journal, "1", "Amber", "L7") == Run()
        with journal.writing():
            journal.append({**departure, "run_state": "clear"})
        assert find_run(journal, "1", "Pale", "L7").state == "clear"


def test_a_kept_mean_names_its_wavelengths_once_for_all():
    kept = {"n_pours": 1, "wavelength_nm": [450.0, 600.0], "reflectance": [0.2, 0.6]}
    short, (name, kind, text) = without_grid(kept)
    assert short == {"wavelengths": name, "n_pours": 1, "reflectance": [0.2, 0.6]}
    assert (kind, text) == ("wavelengths", '{"wavelength_nm":[450.0,600.0]}')
    assert without_grid({**kept, "reflectance": [0.1, 0.1]})[1][0] == name
    assert without_grid({**kept, "wavelength_nm": [450.0, 601.0]})[1][0] != name


def test_a_kept_mean_weighs_pours_alike():
    rows = pd.DataFrame([[0.2, 0.4], [0.4, 0.6], [0.6, np.nan]], index=["s1", "s2", "s3"], columns=[450.0, 600.0])
    scans = pd.DataFrame(
        {"pour": ["p1", "p2", "p2"], "fill_ml": [10.0, 9.0, 9.5], "cup": "C40", "instrument": "u2"}, index=rows.index
    )
    got = kept_mean(rows, scans)
    assert got.pop("filling") == {"fill_ml": 9.5, "cup": "C40"}
    assert got.pop("module") == {"instrument": "u2", "cup": "C40"}
    assert got == {"n_pours": 2, "wavelength_nm": [450.0, 600.0], "reflectance": [0.35, None]}
    assert kept_mean(rows.iloc[:0], scans.iloc[:0]) == {}


def test_a_reading_is_recorded_in_what_json_holds():
    row = pd.Series({"colour": np.nan, "colour_high": np.inf, "plausible_beers": ("Pale", "Amber"), "foreign": 1})
    assert reading_record(row) == {"colour": None, "colour_high": None, "plausible_beers": ["Pale", "Amber"]}


def test_a_run_recorded_with_loose_accents_goes_on(tmp_path):
    loose, whole = "Ko\u0308lsch", "K\u00f6lsch"
    with Journal(tmp_path / "line.db") as journal:
        with journal.writing():
            journal.append({"kind": "reading", "line": "1", "claimed": loose, "lot": f"{loose} 7", "run_state": "open"})
            journal.append({"kind": "reading", "line": "1", "claimed": loose, "lot": "", "sample": loose,
                            "run_state": "held"})  # fmt: skip
        assert find_run(journal, "1", whole, f"{loose} 7").state == "open"
        assert find_run(journal, "1", whole, f"{whole} 7").state == "open"
        assert find_run(journal, "1", whole, "", whole).state == "held"
        assert find_run(journal, "1", "Kolsch", "", whole).state == "clear"
