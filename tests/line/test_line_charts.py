"""Charts of a line: limits that stay put, one point a run, and what moved told apart."""


import numpy as np
import pytest

from specmatch.errors import TableError
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


def test_a_baseline_of_no_line_or_of_nothing_measured_is_refused(journal):
    with journal.writing():
        for i in range(3):
            reading(journal, 86400 * i, 8.0, f"lot {i}")
        signed = {"operator": "KA", "note": "new lamp"}
        with pytest.raises(TableError, match="nothing of line 'L9' is recorded, but of L1"):
            name_baseline(journal, "1970-01-01T00:00:00+00:00", "1970-01-05T00:00:00+00:00", line="L9", **signed)
        with pytest.raises(TableError, match="nothing was measured from 1969-01-01"):
            name_baseline(journal, "1969-01-01T00:00:00+00:00", "1969-01-05T00:00:00+00:00", line="L1", **signed)
        # one that begins now is for what is to come
        name_baseline(journal, "1970-01-04T00:00:00+00:00", "1970-02-05T00:00:00+00:00", line="L1", **signed)


def test_a_drift_is_stated_as_large_as_it_is():
    # a lamp that lost a fifth of its light: in the running tests no point counts for more than four deviations
    light = chart([*(950.0 + RNG.normal(0, 6.0, 20)), *(760.0 + RNG.normal(0, 6.0, 12))], kind="reference level")
    (drift,) = find_drifts([light])
    assert "(20." in drift.sentence or "(19." in drift.sentence


def test_points_of_two_journals_with_one_number_are_two_points():
    moved = [*STEADY[:20], *(STEADY[20:28] + 2.0), *STEADY[:12]]
    alike = [Point(28 if i == len(moved) - 1 else i + 1, f"t{i}", float(i), float(v)) for i, v in enumerate(moved)]
    got, other = make_chart("colour", "Pale", "EBC", alike), chart(moved)
    assert got.drifting == other.drifting == 0


def test_a_held_sample_without_a_lot_is_no_part_of_a_baseline(journal):
    with journal.writing():
        for i in range(22):
            reading(journal, i, 8.0 + 0.1 * (i % 3), "")
        reading(journal, 5, 60.0, "", decision="rescan")
        held = {"kind": "retest", "line": "L1", "claimed": "Pale", "lot": "", "sample": "S5", "measured_unix": 5.0}
        held |= {"measured_at": "2025-06-24T08:02:00+02:00"}
        journal.append({**held, "concerns": 23, "decision": "hold", "run_state": "held", "reading": {}})
    (colour,) = line_charts([journal], beer="Pale")
    assert [point.held for point in colour.points].count(True) == 1
    assert colour.baseline.centre < 9.0


def test_each_module_of_a_line_has_charts_of_its_own_while_it_is_in_use(journal):
    def measured(first, n, module, level):
        for i in range(first, first + n):
            common = {"line": "L1", "measured_at": "2026-03-01T00:00:00+00:00", "measured_unix": float(i)}
            common |= {"instrument": module, "model_hash": "a" * 64}
            journal.append({"kind": "reference", **common, "reading": {"level": level + i % 3, "peak_nm": 452.0}})
            dye = {"kind": "control", **common, "material": "dye", "material_lot": "7"}
            journal.append({**dye, "decision": "consistent", "optical_density": {"450 nm": level / 1000.0}})

    with journal.writing():
        measured(0, 24, "one", 900.0)
        measured(24, 10, "two", 700.0)
    of_level = [found for found in line_charts([journal]) if found.kind == "reference level"]
    assert [(found.subject, len(found.points)) for found in of_level] == [("L1, one", 24), ("L1, two", 10)]
    assert find_drifts(line_charts([journal])) == []
    assert "L1, one, dye, lot 7" in [found.subject for found in line_charts([journal])]
    with journal.writing():
        measured(34, 15, "two", 700.0)
    assert {found.subject.split(", ")[1] for found in line_charts([journal]) if found.subject} <= {"two", "all beers"}


def test_a_lamp_that_the_sheet_names_has_a_chart_of_its_own(journal):
    with journal.writing():
        for i in range(34):
            common = {"line": "L1", "measured_at": "2026-03-01T00:00:00+00:00", "measured_unix": float(i)}
            common |= {"model_hash": "a" * 64} | ({"lamp": "second"} if i >= 24 else {})
            level = (900.0 if i < 24 else 700.0) + i % 3
            journal.append({"kind": "reference", **common, "reading": {"level": level, "peak_nm": 452.0}})
    of_level = [found for found in line_charts([journal]) if found.kind == "reference level"]
    assert [(found.subject, len(found.points)) for found in of_level] == [("L1", 24), ("L1, second", 10)]
    assert find_drifts(line_charts([journal])) == []


def test_a_label_of_several_beers_has_a_chart_a_beer(journal):
    with journal.writing():
        for i in range(44):
            beer, colour = (("Pale", 8.0), ("Stout", 60.0))[i % 2]
            row = {
                "kind": "reading",
                "measured_at": "2025-06-24T08:00:00+02:00",
                "measured_unix": float(i),
                "line": "L1",
            }
            row |= {"claimed": "Mixed box", "lot": f"lot {i}", "sample": "S", "decision": "consistent"}
            shown = {"colour": colour + i % 3, "colour_unit": "EBC", "p_value": 0.5, "nearest_beer": beer}
            journal.append({**row, "run_state": "clear", "model_hash": "a" * 64, "reading": {**shown, "warnings": []}})
    charts = line_charts([journal], beer="Mixed box")
    assert [(found.subject, len(found.points)) for found in charts] == [
        ("Mixed box, Pale", 22),
        ("Mixed box, Stout", 22),
    ]
    assert charts[0].baseline.centre == pytest.approx(9.0, abs=0.2)


def test_two_lines_with_models_of_their_own_have_charts_of_their_own(journal):
    with journal.writing():
        for i in range(24):
            for line, colour in (("L1", 8.0), ("L2", 9.0)):
                reading(journal, i, colour + i % 2, f"{line}-{i}", line=line, model=line[-1] * 64)
    charts = [found for found in line_charts([journal]) if found.kind == "colour"]
    assert [(found.subject, len(found.points)) for found in charts] == [("Pale, line L1", 24), ("Pale, line L2", 24)]
    assert [found.baseline.centre for found in charts] == [8.5, 9.5]


def test_lines_with_models_of_their_own_are_judged_by_themselves(journal):
    """One line's instrument moves all its beers; those of the other line, of the same names, stay."""
    rng = np.random.default_rng(4)
    with journal.writing():
        for i in range(38):
            for k, beer in enumerate(("Amber", "Brown", "Pale")):
                for line, model, factor in (("A", "a", 1.05 if i >= 26 else 1.0), ("B", "b", 1.0)):
                    colour = factor * 10.0 * (k + 1) * (1.0 + 0.01 * rng.normal())
                    reading(journal, i, colour, f"{line}{i}", claimed=beer, line=line, model=64 * model)
    (drift,) = find_drifts(line_charts([journal]))
    assert (drift.code, drift.subject) == ("instrument_drift", "all beers, line A")
    assert "3 of 3 beers" in drift.sentence


def test_a_line_that_was_idle_keeps_the_chart_of_its_control(journal):
    with journal.writing():
        for i in range(24):
            dye = {"kind": "control", "line": "A", "material": "dye", "material_lot": "7", "decision": "consistent"}
            dye |= {"measured_at": "2026-03-01T00:00:00+00:00", "measured_unix": float(i), "model_hash": "a" * 64}
            journal.append({**dye, "reading": {"colour": 9.0 + i % 3, "colour_unit": "EBC"}})
        for i in range(24, 540):
            reading(journal, i, 8.0, f"lot {i}", line="B")
    (control,) = (found for found in line_charts([journal]) if found.kind == "control")
    assert (control.subject, len(control.points)) == ("A, dye, lot 7", 24)
