"""Audits of sets of the invented brewery: planted faults are found, clean sets are left alone."""

import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from planted_faults import (
    FOAMY,
    SHORT,
    brew,
    duplicate,
    lab_value,
    mislabel,
    odd_pours,
    recipe_change,
    swap,
)
from small_house import small_tables
from some_of import some_of

from specmatch.maths.classification import left_out
from specmatch.maths.classification.left_out import judge_batches
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.reference.audit.beers import _largest_step, _share_beyond, _steps_by_chance
from specmatch.reference.audit.finding import (
    CODES,
    FALSE_RATE,
    FINDING_COLUMNS,
    LEVELS,
    Finding,
    findings_table,
    told,
    told_up_to,
)
from specmatch.reference.audit.records import record_findings
from specmatch.reference.reference_set import ReferenceSet
from specmatch.reference.tables.pours import pours_of

# Share of planted faults that must be found, as docs/reference_set.md states it.
STATED = {
    "mislabelled": 0.97,
    "lab_value": 0.93,
    "lab_value_pale": 0.75,
    "swapped_lab_values": 0.75,
    "duplicate_scans": 1.0,
    "foamy": 0.90,
    "short": 0.95,
    "recipe_change_24": 0.75,
    "recipe_change_10": 0.85,
}
MOST_FALSE_FINDINGS = 1.0
# two values of each condition that a set should hold one of
MIXED = {
    "instrument": ("S1", "S2"),
    "cup": ("C40", "C60"),
    "lamp": ("LED 1", "LED 2"),
    "base": ("mirror", "steel"),
    "stage": ("tank", "package"),
    "reference_kind": ("water", "base"),
    "temperature_c": (4.0, 20.0),
}


def planted_one_at_a_time(seed):
    """Yield houses with one planted fault each."""
    rng = np.random.default_rng([seed, 1])
    pale = lambda house, rng, free: lab_value(house, rng, free, pale=True)  # noqa: E731
    for plant in (mislabel, lab_value, pale, swap, duplicate):
        house = brew(seed)
        planted = plant(house, rng, list(house.batches.index))
        if planted is not None:
            yield house, [planted]
    names = list(brew(seed).batches.index)
    yield odd_pours(seed, {"foamy": FOAMY}, rng, list(names))
    yield odd_pours(seed, {"short": SHORT}, rng, list(names))
    for n_batches, change in ((24, 0.08), (10, 0.15)):
        house, planted = recipe_change(seed, rng, n_batches, change)
        yield house, [planted]


def planted_three_at_once(seed):
    rng = np.random.default_rng([seed, 3])
    free = list(brew(seed).batches.index)
    chosen = set(rng.permutation(6)[:3])
    pours = {name: fault for place, (name, fault) in enumerate((("foamy", FOAMY), ("short", SHORT))) if place in chosen}
    house, planted = odd_pours(seed, pours, rng, free)
    for place, plant in enumerate((mislabel, lab_value, swap, duplicate), start=2):
        if place in chosen:
            one = plant(house, rng, free)
            planted += [one] if one is not None else []
    return house, planted


@pytest.mark.whole
@pytest.mark.slow
def test_planted_faults_are_found_and_clean_sets_left_alone(full_size, capsys):
    seeds = range(1000, 1050 if full_size else 1002)
    found: Counter[str] = Counter()
    n: Counter[str] = Counter()
    false, clean = Counter(), []
    for seed in seeds:
        findings = brew(seed).audit()
        false.update(findings["code"])
        clean.append(len(findings))
        three = planted_three_at_once(seed)
        for house, planted in [*planted_one_at_a_time(seed), three]:
            findings = house.audit()
            for fault in planted:
                name = fault.fault + (" of three" if planted is three[1] else "")
                n[name] += 1
                found[name] += fault.found(findings)
    with capsys.disabled():
        if full_size:
            print(f"\nfalse findings a clean set: {np.mean(clean):.2f} {dict(false)}")
            for name in n:
                print(f"{name}: {found[name]} of {n[name]}")
    for name in n:
        stated = STATED[name.removesuffix(" of three")]
        # a rate is broken when even the upper 95 % bound of what was seen lies below it
        assert binomial_bounds(found[name], n[name])[1] >= stated, f"{name}: {found[name]} of {n[name]}"
    # single rates say little at this size, all of them together do
    assert found.total() >= 0.8 * n.total()
    assert np.mean(clean) <= MOST_FALSE_FINDINGS + (0.0 if full_size else 1.5)  # two sets tell little of a mean


def test_findings_have_the_form_that_programs_rely_on():
    rng = np.random.default_rng(5)
    house = brew(1001, 6)
    planted = [mislabel(house, rng, list(house.batches.index)), duplicate(house, rng, list(house.batches.index))]
    findings = house.audit()
    assert tuple(findings.columns) == FINDING_COLUMNS
    assert set(findings["code"]) <= set(CODES) and set(findings["level"]) <= set(LEVELS)
    assert findings["size"].dtype == np.float64 and np.isfinite(findings["size"]).all()
    assert (findings["sentence"].str.len() > 20).all() and (findings["action"].str.len() > 10).all()
    places = [CODES.index(code) for code in findings["code"]]
    assert places == sorted(places)
    assert all(fault.found(findings) for fault in planted)


@pytest.mark.whole
def test_order_of_rows_changes_nothing():
    house = brew(1002)
    planted = mislabel(house, np.random.default_rng(1), list(house.batches.index))
    shuffled = house.spectra.sample(frac=1.0, random_state=4)
    other = ReferenceSet(shuffled, house.scans, house.batches.sample(frac=1.0, random_state=5)).audit()
    findings = house.audit()
    assert planted.found(findings) and planted.found(other)
    assert list(findings["subject"]) == list(other["subject"])
    # sums run in another order
    np.testing.assert_allclose(findings["size"], other["size"], rtol=1e-6)


def small_set(**changes):
    """A set of three beers, six batches each, with columns changed: of scans where the name begins with `scan_`."""
    spectra, scans, batches = small_tables(n_beers=3, n_batches=6)
    rng = np.random.default_rng(0)
    spectra = spectra + rng.normal(0, 1e-4, spectra.shape)
    for name, value in changes.items():
        table = scans if name.startswith("scan_") else batches
        table[name.removeprefix("scan_")] = value
    return ReferenceSet(spectra, scans, batches)


def records_of(**changes):
    """What an audit finds in the records alone, without a model of the spectra."""
    refs = small_set(**changes)
    return findings_table(record_findings(refs.scans, refs.batches, refs.colour_unit), refs.scans, refs.batches)


def rows_of(findings, code):
    return findings[findings["code"] == code]


FAULTY_RECORDS = {"colour": [6.0, np.nan, *np.linspace(6.1, 30.0, 16)], "beer": ["Rare"] * 2 + ["Pale"] * 16}


def test_an_audit_tells_what_the_records_alone_show():
    faulty = FAULTY_RECORDS | {f"scan_{column}": [a] * 24 + [b] * 12 for column, (a, b) in MIXED.items()}
    records, findings = records_of(**faulty), small_set(**faulty).audit()
    assert {"missing_lab", "thin_beer", "mixed_conditions"} == set(records["code"])
    told = findings[findings["code"].isin(records["code"])]
    pd.testing.assert_frame_equal(told.reset_index(drop=True), records.reset_index(drop=True))


def test_missing_lab_values_thin_beers_and_gaps_are_told():
    colours = [6.0, np.nan, *np.linspace(6.1, 30.0, 16)]
    findings = records_of(colour=colours, beer=["Rare"] * 2 + ["Pale"] * 10 + ["Amber"] * 6)
    assert rows_of(findings, "missing_lab")["subject"].tolist() == ["0001"]
    assert rows_of(findings, "thin_beer")["subject"].tolist() == ["Rare"]
    assert rows_of(findings, "colour_gap").empty
    gap = rows_of(records_of(colour=[5.0] * 9 + [15.0] * 9), "colour_gap")
    assert gap["size"].tolist() == [pytest.approx(3.0)] and gap["subject"].tolist() == ["5-15 EBC"]


def test_names_of_beers_that_differ_only_in_marks_or_case_are_told():
    assert rows_of(small_set(beer=["Pale"] * 9 + ["Pale Ale"] * 9).audit(), "mislabelled").empty
    found = rows_of(small_set(beer=["Pale Ale"] * 10 + ["pale-ale"] * 2 + ["Amber"] * 6).audit(), "mislabelled")
    assert found[["subject", "suggestion"]].to_numpy().tolist() == [["pale-ale", "Pale Ale"]]


@pytest.mark.parametrize(("name", "asked"), [("Amber Lagr", True), ("Pils 2", False), ("Rare", False)])
def test_a_thin_beer_that_may_be_a_slip_of_the_pen_is_asked_about(name, asked):
    thin = rows_of(records_of(beer=[name] * 2 + ["Pils 1"] * 6 + ["Amber Lager"] * 10), "thin_beer")
    assert ("if it is 'Amber Lager' misspelt" in thin["action"].iloc[0]) == asked == ("if" in thin["action"].iloc[0])


@pytest.mark.parametrize(("column", "values"), some_of(3, MIXED.items()))
def test_mixed_conditions_are_told_with_the_beers_that_stand_apart(column, values):
    one, other = values
    cells = [one] * 24 + [other] * 12
    found = rows_of(records_of(**{f"scan_{column}": cells}), "mixed_conditions")
    assert found["subject"].tolist() == [column]
    if column != "temperature_c":
        assert "Beer 2 stand apart" in found["sentence"].iloc[0]
    assert rows_of(records_of(**{f"scan_{column}": [one] * 36}), "mixed_conditions").empty


@pytest.mark.parametrize(("fill_ml", "told"), [(12.0, []), (24.0, ["fill_ml"])])
def test_fillings_that_are_brought_to_one_depth_are_no_mixture(fill_ml, told):
    found = records_of(scan_fill_ml=[10.0] * 24 + [fill_ml] * 12, scan_cup_mm=[40.0] * 36)
    assert rows_of(found, "mixed_conditions")["subject"].tolist() == told


def test_fillings_that_the_spectra_do_not_bear_out_are_told():
    house = brew(1003, 6)
    of_third_pours = house.scans["pour"].str.endswith("P3")
    stated = house.scans.assign(cup_mm=40.0, fill_ml=np.where(of_third_pours, 5.0, 10.0))
    found = rows_of(ReferenceSet(house.spectra, stated, house.batches).audit(), "mixed_conditions")
    assert found["subject"].tolist() == ["fill_ml"] and "far less than those depths" in found["sentence"].iloc[0]


@pytest.mark.parametrize(("stated", "told"), [(8.0, True), (10.0, False)])
def test_a_filling_stated_of_whole_batches_that_nobody_poured_is_told_once(stated, told):
    house = brew(1003, 6)
    late = house.scans["batch"].isin(house.batches.groupby("beer").tail(2).index)
    scans = house.scans.assign(cup_mm=40.0, fill_ml=np.where(late, stated, 10.0))
    found = ReferenceSet(house.spectra, scans, house.batches).audit()
    found = found[found["level"].isin(["set", "batch"])]
    assert found["code"].tolist() == (["mixed_conditions"] if told else [])
    # 10 mL over 8, less what the law of depth and batches make of it
    assert not told or 18 < int(re.search(r"(\d+)% stronger", found["sentence"].iloc[0])[1]) < 30


@pytest.mark.parametrize(("column", "code"), [("beer", "mislabelled"), ("colour", "lab_value")])
def test_a_column_sorted_apart_from_its_batches_is_told_once(column, code):
    house = brew(1003, 6)
    apart = house.batches.assign(**{column: np.random.default_rng(5).permutation(house.batches[column])})
    found = ReferenceSet(house.spectra, house.scans, apart).audit()
    found = found[found["code"].isin(["mislabelled", "lab_value", "unit_doubtful", "swapped_lab_values"])]
    assert found[["code", "level", "subject"]].to_numpy().tolist() == [[code, "set", column]]
    assert "sorted or filled apart from batch" in found["action"].iloc[0]


@pytest.mark.whole
def test_two_pours_that_disagree_are_told_at_the_level_of_the_sample():
    house = brew(1003, 6)
    kept = house.scans.index[~house.scans["pour"].str.endswith("P3")]
    spectra = house.spectra.loc[kept].copy()
    spectra.iloc[0] *= 1.25
    sample = house.scans.loc[kept[0], "sample"]
    found = rows_of(ReferenceSet(spectra, house.scans, house.batches).audit(), "odd_pour")
    assert ("sample", sample) in set(zip(found["level"], found["subject"], strict=True))


def test_a_drifted_reference_is_told_with_its_session():
    house = brew(1004, 6)
    session = house.scans["session"].iloc[100]
    rows = house.scans["session"] == session
    spectra = house.spectra.copy()
    spectra.loc[rows] *= 1.12
    findings = ReferenceSet(spectra, house.scans, house.batches).audit()
    assert session in rows_of(findings, "drifted_reference")["subject"].tolist()


@pytest.mark.whole
def test_two_beers_under_one_name_fall_into_two_clusters():
    house = brew(1005)
    names = house.batches.groupby("beer", sort=False).groups
    pair = list(names)[5:7]
    half = [*names[pair[0]][::2], *names[pair[1]][::2]]
    kept = house.batches.index.difference(names[pair[0]].union(names[pair[1]])).append(pd.Index(half))
    batches = house.batches.loc[[name for name in house.batches.index if name in set(kept)]].copy()
    batches.loc[half, "beer"] = "One name"
    scans = house.scans[house.scans["batch"].isin(batches.index)]
    findings = ReferenceSet(house.spectra.loc[scans.index], scans, batches).audit()
    told = findings[findings["subject"] == "One name"]
    assert set(told["code"]) & {"two_clusters", "recipe_change"}


def test_a_bias_between_labs_is_told():
    house = brew(1006, 6)
    other = np.arange(len(house.batches)) % 3 == 0
    house.batches["lab"] = np.where(other, "North", "South")
    house.batches["colour"] *= np.where(other, 1.04, 1.0)
    found = house.audit()
    # one sentence about the lab, none about its batches
    assert "lab_value" not in set(found["code"])
    found = found[found["code"] == "lab_bias"]
    assert len(found) == 1 and found["subject"].iloc[0].startswith("North")
    assert -5.0 < float(found["suggestion"].iloc[0].rstrip("%")) < -3.0


def test_sets_too_small_to_judge_are_still_audited():
    for shape in ((1, 1, 1), (1, 2, 1), (2, 2, 2), (3, 3, 1)):
        ReferenceSet(*small_tables(*shape)).audit()
    spectra, scans, batches = small_tables()
    assert len(ReferenceSet(spectra, scans, batches.assign(colour=np.nan)).audit()) >= len(batches)
    assert len(ReferenceSet(spectra, scans, batches.assign(colour=10.0)).audit()) > 0


def test_steps_by_chance_repeat_and_hold_their_rate():
    steps = _steps_by_chance(12)
    np.testing.assert_array_equal(steps, _steps_by_chance.__wrapped__(12))
    fresh = _largest_step(np.random.default_rng(99).standard_normal((1000, 12)), 1.0)[1]
    beyond = sum(_share_beyond(steps, one) <= 0.05 for one in fresh)
    low, high = binomial_bounds(beyond, fresh.size)
    assert low <= 0.05 <= high
    assert _share_beyond(steps, 99.0) == 0.0 and _share_beyond(steps, 0.0) == 1.0


def test_levels_hold_the_rate_of_clean_sets_and_give_room_where_much_is_off():
    rng = np.random.default_rng(3)
    clean = rng.random((4000, 100))
    any_told = sum((one <= told_up_to(one, 100)).any() for one in clean)
    assert binomial_bounds(any_told, len(clean))[0] <= FALSE_RATE <= binomial_bounds(any_told, len(clean))[1]
    # of six subjects that are off each needs six times less, and what is beside them is seldom told
    spoilt = np.where(np.arange(100) < 6, 0.002, clean)
    limits = np.array([told_up_to(one, 100) for one in spoilt])
    assert (limits >= 6 * FALSE_RATE / 100).all() and told_up_to(np.full(6, 0.002), 1000) < 0.002
    told_beside = [(one[6:] <= limit).sum() / (one <= limit).sum() for one, limit in zip(spoilt, limits, strict=True)]
    assert np.mean(told_beside) <= FALSE_RATE
    assert told_up_to(np.zeros(0), 0) == FALSE_RATE


def test_each_subject_that_was_tested_counts():
    findings = [Finding("two_clusters", "beer", name, 1.0, "", "") for name in "abc"]
    tested = list(zip(findings, (0.02, 0.5, 1.0), strict=True))
    assert told(tested) == [] and told(tested[:1]) == findings[:1] and told([]) == []


def test_findings_stand_worst_first():
    rows = [
        Finding("thin_beer", "beer", "Pale", 2.0, "", ""),
        Finding("odd_pour", "pour", "p1", 0.1, "", ""),
        Finding("odd_pour", "pour", "p3", 0.3, "", ""),
        Finding("odd_pour", "pour", "p2", 0.3, "", ""),
    ]
    scans, batches = small_tables()[1:]
    table = findings_table(rows, scans, batches)
    assert table["subject"].tolist() == ["p2", "p3", "p1", "Pale"]
    assert findings_table([], scans, batches).columns.tolist() == list(FINDING_COLUMNS)


def test_batches_of_one_day_have_no_order_that_a_step_could_have():
    levels, same = np.repeat([0.0, 0.15], 6)[None, :], np.zeros(11, bool)
    place, steps = _largest_step(levels, 0.03**2, same)
    # a limit of 3.4 is that of a clean set of ten beers
    assert place[0] == 6 and steps[0] > 5.0 > 3.4
    same[5] = True
    place, fewer = _largest_step(levels, 0.03**2, same)
    assert place[0] != 6 and 0.0 < fewer[0] < steps[0]
    assert _largest_step(levels, 0.03**2, np.ones(11, bool))[1][0] == 0.0


def test_odds_of_another_beer_ask_more_where_tails_are_long(monkeypatch):
    refs = brew(1006)
    pours = pours_of(refs.spectra, refs.scans, refs.batches, None)
    judged = judge_batches(pours.reflectance, pours.levels)
    row, other = 0, (judged.beer[0] + 1) % judged.squared.shape[1]
    own, far = judged.squared[row, [judged.beer[row], other]] / judged.model.tail.inflation
    # of a tail that is all but normal, the odds are those of squared distances
    monkeypatch.setattr(left_out, "SHORTEST_TAIL", 1e9)
    normal = replace(judged, model=replace(judged.model, tail=replace(judged.model.tail, dof=np.inf)))
    assert normal.log_odds(row, other) == pytest.approx((own - far) / 2.0, rel=1e-4)
    monkeypatch.setattr(left_out, "SHORTEST_TAIL", 5.0)
    assert abs(normal.log_odds(row, other)) < abs(own - far) / 2.0
