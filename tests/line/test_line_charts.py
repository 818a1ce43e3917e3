"""Charts of a line: limits that stay put, one point a run, and what moved told apart."""

import numpy as np
import pytest

from specmatch.line.acquisition import peak_position, reference_level
from specmatch.line.charts import Point, find_drifts, line_charts, make_chart
from specmatch.line.journal.journal import Journal
from specmatch.line.reviews import name_baseline

RNG = np.random.default_rng(5)
STEADY = 10.0 + RNG.normal(0, 0.3, 40)


def points(values, held=()):
    return [Point(i + 1, f"t{i}", float(i), float(v), i in held) for i, v in enumerate(values)]


def chart(values, kind="colour", subject="Pale", **options):
    return make_chart(kind, subject, "EBC", points(values, options.pop("held", ())), **options)


def test_limits_come_from_the_baseline_and_never_move():
    short, long = chart(STEADY[:25]), chart([*STEADY, 30.0, 30.0])
    assert short.baseline == long.baseline
    assert short.n_baseline == 20
    assert short.baseline.centre == pytest.approx(STEADY[:20].mean())
    assert short.baseline_name == "its first 20 points"


def test_without_enough_points_there_are_no_limits():
    young = chart(STEADY[:19])
    assert young.baseline is None
    assert young.drifting == 0
    assert young.signals == ()
    assert "19 so far" in young.baseline_name


def test_one_point_far_out_is_a_signal_but_no_drift():
    got = chart([*STEADY[:25], 40.0])
    assert "single value" in [signal.test for signal in got.signals]
    assert got.drifting == 0
    assert chart([*STEADY[:25], 40.0, *STEADY[25:30]]).drifting == 0


@pytest.mark.parametrize("side", [1, -1])
def test_a_shift_is_a_drift_within_a_few_points(side):
    got = chart([*STEADY[:24], *(STEADY[24:32] + side * 0.9)])  # three standard deviations
    assert got.drifting == side
    assert got.drift_since.n_points <= 4 + 4


def test_held_runs_are_no_part_of_a_baseline():
    values = [*STEADY[:5], 60.0, *STEADY[5:30]]
    got = chart(values, held={5})
    assert got.baseline.centre == pytest.approx(STEADY[:20].mean())
    assert got.n_baseline == 21


def test_a_named_period_is_the_baseline():
    got = chart([*STEADY[:10], *(STEADY[10:40] + 5.0)], period=(10.0, 29.0), period_name="after the new malt")
    assert got.baseline.n == 20
    assert got.baseline.centre == pytest.approx(STEADY[10:30].mean() + 5.0)
    assert got.drifting == 0


def beers(shifts):
    """Colour charts of five beers; `shifts` moves some of them after the baseline."""
    rng = np.random.default_rng(8)
    found = []
    for i in range(5):
        noise = rng.normal(0, 0.3, 30)
        noise[20:] += shifts.get(i, 0.0)
        found.append(chart(10.0 * (i + 1) + noise, subject=f"Beer {i}"))
    return found


def test_one_beer_moving_is_the_product():
    (drift,) = find_drifts(beers({2: 1.0}))
    assert (drift.code, drift.subject) == ("product_drift", "Beer 2")
    assert "4 other beers and the reference hold" in drift.sentence
    assert drift.n_points <= 5


def test_all_beers_moving_together_is_not_a_product():
    (drift,) = find_drifts(beers(dict.fromkeys(range(5), 1.0)))
    assert (drift.code, drift.subject) == ("instrument_drift", "all beers")


def test_a_fading_reference_is_the_instrument_and_not_the_beer():
    light = chart(1000.0 * np.exp(-0.004 * np.arange(60)) + RNG.normal(0, 3, 60), kind="reference level", subject="L1")
    (drift,) = find_drifts([light, *beers({})])
    assert (drift.code, drift.subject) == ("instrument_drift", "L1")
    assert "lamp ages" in drift.sentence
    found = find_drifts([light, *beers({1: 1.0})])
    assert [d.code for d in found] == ["instrument_drift", "product_drift"]


def test_a_control_that_moved_throws_doubt_on_the_beer():
    control = chart([*STEADY[:20], *(STEADY[20:30] + 1.5)], kind="control", subject="L1")
    found = find_drifts([control, *beers({1: 1.0})])
    assert [d.code for d in found] == ["instrument_drift", "product_drift"]
    assert "the control moved too" in found[1].sentence


def test_only_falling_typicality_is_the_model():
    falling = chart([*(STEADY[:20] - 10.3), *(STEADY[20:30] - 11.5)], kind="typicality", subject="all beers")
    (drift,) = find_drifts([falling, *beers({})])
    assert drift.code == "model_drift"
    assert find_drifts(beers({})) == []


def test_peak_and_level_of_a_reference():
    nm = np.arange(400.0, 700.0, 2.0)
    light = 900.0 * np.exp(-0.5 * ((nm - 452.3) / 11.0) ** 2)
    # the parabola through three points of a Gaussian 11 nm wide misses by less than a hundredth of a step
    assert peak_position(light, nm) == pytest.approx(452.3, abs=0.02)
    assert reference_level(np.array([1.0, np.nan, 3.0]), np.array([True, True, True])) == 2.0
    assert reference_level(np.array([1.0, 5.0, 3.0]), np.array([True, False, True])) == 2.0


def reading(journal, i, colour, lot, *, claimed="Pale", line="L1", model="a" * 64, decision="consistent"):
    state = "clear" if decision == "consistent" else "open"
    journal.append(
        {"kind": "reading", "measured_at": "2025-06-24T08:00:00+02:00", "measured_unix": float(i), "line": line,
         "claimed": claimed, "lot": lot, "sample": f"S{i}", "decision": decision, "run_state": state,
         "model_hash": model, "reading": {"colour": colour, "colour_unit": "EBC", "p_value": 0.5, "warnings": []}}
    )  # fmt: skip


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "line.db") as journal:
        yield journal


def test_a_run_is_one_point_and_the_newest_model_counts(journal):
    with journal.writing():
        for i in range(12):
            reading(journal, i, 99.0, "old", model="b" * 64)
        for i in range(12, 36):
            reading(journal, i, 8.0 + i % 3, f"lot {i // 3}")
        reading(journal, 36, 50.0, "lot 12", decision="rescan")  # a departure waits: its run is charted all the same
        journal.append({"kind": "reading", "measured_unix": 37.0, "claimed": "Pale", "lot": "x", "decision": "rescan"})
    (colour,) = line_charts([journal], beer="Pale")
    assert [point.value for point in colour.points] == [9.0] * 8 + [50.0]
    assert line_charts([journal], beer="Nobody's Ale") == []


def test_every_chart_of_a_line_and_a_baseline_named_in_the_journal(journal, tmp_path):
    with journal.writing():
        for i in range(30):
            common = {
                "line": "L1",
                "measured_at": f"2026-03-01T00:{i:02d}:00+00:00",
                "measured_unix": float(i),
                "model_hash": "a" * 64,
            }
            journal.append({"kind": "reference", **common, "reading": {"level": 900.0 + i % 2, "peak_nm": 452.0}})
            journal.append(
                {"kind": "control", **common, "reading": {"colour": 25.0 + 0.1 * (i % 2), "colour_unit": "EBC"}}
            )
            reading(journal, i, 8.0 + 0.1 * (i % 2), f"lot {i}")
    kinds = [(chart.kind, chart.subject) for chart in line_charts([journal])]
    assert kinds == [
        ("reference level", "L1"), ("reference peak", "L1"), ("control", "L1"), ("colour", "Pale"),
        ("typicality", "all beers"),
    ]  # fmt: skip
    with journal.writing():
        name_baseline(journal, "1970-01-01T00:00:10+00:00", "1970-01-01T00:00:19+00:00", operator="KA", note="new lamp")
    assert {chart.baseline.n for chart in line_charts([journal])} == {10}
    with Journal(tmp_path / "other.db") as other:
        with other.writing():
            reading(other, 100, 8.0, "lot 100", line="L2")
        (colour,) = line_charts([journal, other], beer="Pale")
    assert len(colour.points) == 31
