"""Rows for a terminal: the decision first, beer and lot, what to do in full, the time last and short."""

from datetime import UTC, datetime

import pytest

from specmatch.line.now import ControlNow, LineNow
from specmatch.report.entry_text import entry_line, now_text, waiting_lines

NOW = datetime(2025, 6, 24, 9, 30, tzinfo=UTC)
READING = {"colour": 14.23, "colour_unit": "EBC"}
ROW = {
    "entry": 12, "kind": "reading", "written_at": "2025-06-24T08:00:00+00:00", "line": "L1", "reason": "why",
    "measured_at": "2025-06-24T10:12:00+02:00", "claimed": "Saddle Pale", "lot": "L7", "sample": "S3",
    "decision": "consistent", "advice": "go on", "reading": READING,
}  # fmt: skip
HELD = {
    **ROW, "entry": 13, "kind": "retest", "decision": "hold",
    "reason": "all 6 pours of the run together: not typical of Saddle Pale (p < 0.001, under the stated 0.05) nor of "
    "any beer of the set; the nearest is Amber Lane",
    "advice": "keep the packages; a person reviews the run before anything else happens to it",
}  # fmt: skip


def test_a_decision_that_goes_on_is_one_line_and_one_that_stops_says_what_to_do():
    shown = "\n".join(entry_line(row, width=80, now=NOW) for row in (ROW, HELD))
    assert shown == (
        "consistent   Saddle Pale, lot L7  14.2 EBC                        #12  L1  10:12\n"
        "HOLD         Saddle Pale, lot L7  14.2 EBC                        #13  L1  10:12\n"
        "  to do: keep the packages; a person reviews the run before anything else\n"
        "         happens to it\n"
        "  why:   all 6 pours of the run together: not typical of Saddle Pale (p < 0.001,\n"
        "         under the stated 0.05) nor of any beer of the set; the nearest is Amber\n"
        "         Lane"
    )


@pytest.mark.parametrize(
    ("more", "lines"),
    [
        (
            {"kind": "review", "reason": "anew", "outcome": "rework", "operator": "KA", "second": "LM", "concerns": 2,
             "decision": None},
            ["review       of entry 2 by KA and LM: rework", "  why:   anew"],
        ),
        (
            {"kind": "left_out", "scan_files": ["a.csv", "b.csv"], "decision": None},
            ["LEFT OUT     a.csv, b.csv", "  why:   why"],
        ),
        ({"kind": "control", "decision": "rescan", "material": "dye", "material_lot": "7", "advice": "clean base"},
         ["CONTROL OUT  dye 7", "  to do: clean base", "  why:   why"]),
        ({"kind": "control", "decision": "consistent"}, ["control good"]),
        ({"kind": "reference", "reading": {"level": 12.34, "peak_nm": 450.1}, "reason": ""},
         ["reference    12.3 counts/ms, peak 450.10 nm"]),
        ({"lot": "", "decision": None, "claimed": None, "reading": {"colour": None}},
         ["reading only no claim, sample S3, no lot  no colour", "  why:   why"]),
        ({"replaces": 9}, ["consistent   Saddle Pale, lot L7  14.2 EBC", "  takes the place of entry 9"]),
        ({"advice": "confirm by another route"},
         ["consistent   Saddle Pale, lot L7  14.2 EBC", "  to do: confirm by another route", "  why:   why"]),
    ],
)  # fmt: skip
def test_each_kind_of_row(more, lines):
    first, *rest = entry_line({**ROW, **more}, width=80, now=NOW).splitlines()
    assert len(first) == 80 and first.endswith("  #12  L1  10:12")
    assert [first.removesuffix("#12  L1  10:12").rstrip(), *rest] == lines


def test_the_day_stands_where_it_is_not_todays():
    assert entry_line(ROW, now=datetime(2025, 6, 26, tzinfo=UTC)).endswith("24 Jun 10:12")
    assert entry_line(ROW, now=datetime(2026, 6, 26, tzinfo=UTC)).endswith("24 Jun 2025 10:12")
    unmeasured = {**ROW, "measured_at": None}
    assert entry_line(unmeasured, now=NOW).endswith("08:00")


@pytest.mark.parametrize("width", [40, 80, 116, 200])
def test_no_line_is_wider_than_the_terminal(width):
    long = {**HELD, "claimed": "A very long name of a beer " * 5, "lot": "x" * 300}
    lines = entry_line(long, width=width, now=NOW).splitlines()
    assert max(len(line) for line in lines) <= min(width, 116)
    assert "".join("".join(lines).split()).count("x" * 20) >= 1


WAITS = {
    "entry": 12, "claimed": "Saddle Pale", "lot": "L7", "sample": "S3", "line": "L1", "run_state": "held",
    "measured_at": "2025-06-24T10:12:00+02:00", "reason": "why " * 30, "to_do": "a person reviews it",
    "settle": "specmatch history a-long-name-of-a-journal.db --review 12 --outcome OUTCOME --operator NAME --note TEXT",
}  # fmt: skip


def test_what_waits_is_wrapped_and_its_command_is_whole_for_copying():
    lines = waiting_lines(WAITS, width=80)
    assert lines[-1] == f"  to do: {WAITS['settle']}"
    assert all(len(line) <= 80 for line in lines[:-1])
    assert lines[0].startswith("WAITS: entry 12, Saddle Pale, lot L7, S3, line L1: held")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (40, 12)])
def test_the_state_of_a_line_fits_one_screen(width, height):
    control = ControlNow("good", "good, 3.2 h old, 12 h are allowed", 3.2)
    newest = tuple({**ROW, "entry": 40 - i} for i in range(20))
    now = LineNow(
        "L1", NOW.isoformat(), True, "Saddle Pale, lot L7: held since entry 12", HELD,
        {"outcome": "rework", "entry": 14}, newest, (WAITS,) * 25, control,
    )  # fmt: skip
    lines = now_text(now, "line1.db", width=width, height=height).splitlines()
    # commands stay whole, to be copied
    assert max(len(line) for line in lines if "specmatch history" not in line) <= width
    assert lines[0].startswith("STOP         line L1") and "reviewed since: rework" in "\n".join(lines)
    assert "waits for a person: 25" in lines and "more: specmatch history" in "\n".join(lines)
    if height >= 24:
        assert len(lines) < height
