"""Tables for a terminal: aligned, wrapped, and nothing hidden."""

import numpy as np
import pandas as pd
import pytest

from specmatch.report.text import beside_limits, figures_line, readings_text, show, text_table


def reading(**changes):
    row = {
        "claimed": "Amber",
        "nearest_beer": "Amber",
        "colour": 20.04,
        "colour_low": 19.0,
        "colour_high": 21.1,
        "colour_unit": "EBC",
        "p_value": 0.4,
        "plausible_beers": ("Amber",),
        "warnings": (),
        "decision": "consistent",
        "reason": "typical of Amber (p = 0.40)",
        "advice": "go on",
    }
    return row | changes


def readings(*rows):
    return pd.DataFrame(rows, index=pd.Index([f"S{i + 1}" for i in range(len(rows))], name="sample"))


def test_columns_line_up():
    table = pd.DataFrame({"n": [1, 100], "beer": ["Pale", "Very Dark"]}, index=pd.Index(["a", "b"], name="sample"))
    assert text_table(table).splitlines() == [
        "sample    n  beer",
        "------  ---  ---------",
        "a         1  Pale",
        "b       100  Very Dark",
    ]


def test_long_cells_wrap_without_losing_a_word():
    words = "one two three four five six seven"
    table = pd.DataFrame({"id": [1, 2], "reason": [words, "short"]})
    lines = text_table(table, wrap={"reason": 12}).splitlines()
    assert max(map(len, lines)) <= 2 + 2 + 12
    assert " ".join(line[4:] for line in lines[2:-1]).split() == words.split()
    assert lines[-1].split() == ["2", "short"]


def test_table_without_rows_keeps_its_headings():
    assert text_table(pd.DataFrame({"code": [], "sentence": []})).splitlines()[0] == "code  sentence"


def test_two_columns_of_one_name_are_both_shown():
    table = pd.DataFrame([["left", "right"]], columns=["x", "x"])
    assert text_table(table).splitlines()[-1].split() == ["left", "right"]


def test_cells():
    assert show(0.123456) == "0.1235"
    assert show(("Pale", "Amber")) == "Pale, Amber"
    assert show(float("nan")) == show(None) == ""


def test_decisions_that_need_a_look_stand_out():
    text = readings_text(
        readings(
            reading(),
            reading(decision="hold", reason="not typical of Amber"),
            reading(decision="rescan", reason="the scan is not fit to be judged", warnings=("saturated",)),
            reading(decision=None, claimed=None, reason="no claim was made"),
        )
    )
    for word in ("consistent", "HOLD", "RESCAN", "reading only", "20.0 (19.0 to 21.1)", "warnings: saturated"):
        assert word in " ".join(text.split()), word
    assert len(text.splitlines()[0]) < 130


AGAINST_AMBER = "against Amber: about 14% less light from the lamp than at its reference; clean the base"
ANOTHER = {
    "decision": "hold", "plausible_beers": ("Brown",), "reason": "not typical of Amber; typical of Brown",
    "advice": "check which beer is on the line",
}  # fmt: skip


def shown(**changes):
    table = readings(reading(**changes))
    before = table.copy()
    text = " ".join(readings_text(table).split())
    pd.testing.assert_frame_equal(table, before)
    return text.partition(changes["reason"])[2]


def test_what_would_be_wrong_with_the_claimed_beer_is_no_warning_of_another():
    row = ANOTHER | {
        "warnings": ("lamp_drift",), "warnings_if_claimed": ("lamp_drift",), "explanation": AGAINST_AMBER,
        "explanation_if_claimed": AGAINST_AMBER,
    }  # fmt: skip
    assert shown(**row) == "; to do: check which beer is on the line; if it is Amber after all: lamp_drift"


def test_what_holds_of_the_scan_whatever_beer_it_is_stays_a_warning():
    pours = "pour P2 is left out, the 2 others agree: about 9% more beer in the cup than in the others; pour again"
    row = ANOTHER | {
        "warnings": ("ambient_light", "path_long", "lamp_drift", "too_few_batches"),
        "warnings_if_claimed": ("lamp_drift",),
        "explanation": f"{pours}; {AGAINST_AMBER}",
        "explanation_if_claimed": AGAINST_AMBER,
    }
    said = shown(**row)
    assert f"; warnings: ambient_light, path_long, too_few_batches: {pours}; if it is Amber after all" in said
    assert said.endswith("after all: lamp_drift") and said.count("lamp_drift") == 1


@pytest.mark.parametrize(
    "changes",
    [
        # held for its colour: typical of the claimed beer, so what was found against it counts
        {"decision": "hold", "reason": "typical of Amber; out of limits", "plausible_beers": ("Amber", "Brown")},
        # typical of nothing: the fault may be why
        {"decision": "hold", "reason": "not typical of Amber nor of any", "plausible_beers": ()},
        # a package label, held against the nearest beer
        {"decision": "hold", "reason": "not typical of Box", "plausible_beers": ("Brown",), "claimed": "Box"},
        {"decision": None, "reason": "no claim was made", "plausible_beers": ("Brown",), "claimed": None},
    ],
)
def test_otherwise_the_warning_comes_with_its_explanation(changes):
    said = shown(warnings=("lamp_drift",), explanation=AGAINST_AMBER, **changes)
    assert said.endswith(f"; warnings: lamp_drift: {AGAINST_AMBER}") and "after all" not in said
    assert ("to do: " in said) == (changes["decision"] is not None)


def test_unbounded_intervals_and_unread_colours_are_said():
    text = readings_text(readings(reading(colour_high=np.inf), reading(colour=np.nan)))
    assert "(19.0 to no limit)" in text
    assert "nan" not in text


def test_readings_without_claims_show_every_plausible_beer():
    plain = readings(reading(plausible_beers=("Amber", "Brown"))).drop(columns=["claimed", "decision", "reason"])
    text = readings_text(plain)
    assert "Amber, Brown" in text and "decision" not in text


def test_no_samples():
    assert readings_text(readings()) == "no samples"


def test_figures_in_one_line():
    line = figures_line(
        pd.Series(
            {
                "n_batches": 120,
                "n_beers": 12,
                "relative_error": 0.0234,
                "nominal_coverage": 0.9,
                "covered": 0.917,
                "nearest_right": 0.983,
                "false_hold": float("nan"),
                "stated_false_reject_rate": 0.05,
            },
            dtype=object,
        )
    )
    assert "\n" not in line
    for part in ("120 batches", "2.3%", "90% intervals cover 91.7%", "right 98.3%", "held unknown (stated 5%)"):
        assert part in line, part


def test_figures_are_shown_to_a_hundredth_of_their_limits():
    values = {"value": [7.762e-05, -2.914e-03, 13.86], "uncertainty": [0.00157, 0.00505, 0.1257]}
    figures = pd.DataFrame({**values, "limit": [0.2, 0.005, float("nan")]}, index=["shift", "drift", "slit"])
    shown = beside_limits(figures)
    assert shown["value"].tolist() == [0.0, -0.0029, 13.86]
    assert shown["uncertainty"].tolist() == [0.0, 0.005, 0.1257]
    assert shown["limit"].equals(figures["limit"]) and figures["value"].iloc[0] == 7.762e-05
