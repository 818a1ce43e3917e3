"""Conformity: the worked values of JCGM 106, and by simulation that the risks asked for are those that occur.

Colour limits and package labels: read, dated, hashed, refused where damaged, and what they do to a decision.
"""

from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest

from specmatch.errors import OptionError, SheetError, UnknownBeerError
from specmatch.house.decision.decision import decide, decide_all, judge_colour
from specmatch.house.decision.specification import (
    ColourLimits,
    Specification,
    acceptance_limits,
    conformance_probability,
    load_specification,
    specification_paths,
)
from specmatch.maths.statistics.levels import binomial_bounds


def test_worked_examples_of_jcgm_106():
    # JCGM 106:2012: Zener breakdown voltage (example 1) and burst pressure; inputs from memory, results recomputed
    assert conformance_probability(-5.47, 0.05, upper=-5.40) == pytest.approx(0.919, abs=5e-4)
    assert conformance_probability(509.7, 8.6, lower=490.0) == pytest.approx(0.989, abs=1e-3)


def test_a_speed_limit_enforced_with_one_in_a_thousand():
    # JCGM 106:2012, 8.3.3: relative uncertainty 2 %, limit 100; input from memory
    assert acceptance_limits(lambda v: 0.02 * v, 0.999, upper=100.0)[1] == pytest.approx(106.6, abs=0.05)


def test_acceptance_limits_are_where_the_probability_is_the_one_asked_for():
    low, high = acceptance_limits(0.3, 0.05, lower=7.0, upper=9.0)
    for edge in (low, high):
        # the root finder stops at 2e-12 of the argument
        assert conformance_probability(edge, 0.3, lower=7.0, upper=9.0) == pytest.approx(0.95, abs=1e-9)
    assert 7.0 < low < high < 9.0
    assert acceptance_limits(0.3, 0.05, lower=7.0)[0] == pytest.approx(7.0 + 1.6448536 * 0.3, abs=1e-6)
    assert np.isnan(acceptance_limits(1.0, 0.05, lower=7.0, upper=9.0)).all()


def test_a_value_without_uncertainty_conforms_or_does_not():
    assert conformance_probability([6.0, 8.0], 0.0, lower=7.0, upper=9.0).tolist() == [0.0, 1.0]
    assert np.isnan(conformance_probability([np.nan, 8.0], [0.1, np.nan], upper=9.0)).all()


@pytest.mark.slow
def test_the_risks_asked_for_are_those_that_occur(full_size):
    """Accepted at the edge of the guard band, items do not conform as often as was asked."""
    rng = np.random.default_rng(20)
    n = 2_000_000 if full_size else 100_000
    u, low, high = 0.2, 9.0, 11.0
    # without prior knowledge (a flat process) the specific risk at the acceptance limit is the one stated
    flat = rng.uniform(0.0, 20.0, n)
    seen = flat + rng.normal(0.0, u, n)
    edge = acceptance_limits(u, 0.05, lower=low, upper=high)[1]
    near = np.abs(seen - edge) < 0.005
    bad = int((flat[near] > high).sum() + (flat[near] < low).sum())
    bounds = binomial_bounds(bad, int(near.sum()), level=0.999)
    assert bounds[0] <= 0.05 <= bounds[1]


BEERS = ("Amber", "Pale")
LIMITS = """beer,target,tolerance,unit,rule,risk,valid_from,valid_to
Pale,8.0,10%,EBC,guarded_acceptance,0.05,,2025-06-30
Pale,8.5,1.0,EBC,simple_acceptance,,2025-07-01,
Amber,12.7,1.27,SRM,,,,
"""
LABELS = """label,beer,valid_from,valid_to
Summer can,Pale,2025-05-01,2025-09-30
Party keg,Pale,,
Party keg,Amber,,
"""


@pytest.fixture
def model_path(tmp_path):
    (tmp_path / "house.limits.csv").write_text(LIMITS)
    (tmp_path / "house.labels.csv").write_text(LABELS)
    return tmp_path / "house.model"


def test_limits_hold_on_their_days(model_path):
    spec = load_specification(model_path, beers=BEERS)
    assert spec.limits_of("Pale", date(2025, 6, 30)).low == pytest.approx(7.2)
    later = spec.limits_of("Pale", date(2025, 7, 1))
    assert (later.low, later.high, later.rule, later.risk) == (7.5, 9.5, "simple_acceptance", 0.05)
    assert spec.limits_of("Amber").rule == "guarded_acceptance"
    assert spec.limits_of("Stout") is None


def test_a_label_stands_for_its_beers_on_its_days(model_path):
    spec = load_specification(model_path, beers=BEERS)
    assert spec.beers_of("Party keg") == ("Pale", "Amber")
    assert spec.beers_of("Pale") == ("Pale",)
    assert spec.beers_of("Summer can", date(2025, 6, 1)) == ("Pale",)
    with pytest.raises(UnknownBeerError, match="'Summer can' is not valid on 2025-10-01"):
        spec.beers_of("Summer can", date(2025, 10, 1))


def test_the_hash_names_the_version(model_path, tmp_path):
    first = load_specification(model_path)
    assert len(first.hash) == 64
    assert load_specification(model_path).hash == first.hash
    (tmp_path / "house.labels.csv").write_text(LABELS.replace("Summer", "Winter"))
    assert load_specification(model_path).hash != first.hash
    assert "Winter can" in load_specification(model_path).text
    assert load_specification(tmp_path / "other.model") == Specification()


@pytest.mark.parametrize(
    ("row", "match"),
    [
        ("Stout,8,1,EBC,,,,", "line 2, column beer: 'Stout' is no beer of the model; it holds Amber, Pale"),
        ("Pale,eight,1,EBC,,,,", "column target: 'eight' is not a number"),
        ("Pale,8,0,EBC,,,,", "makes no limits"),
        ("Pale,8,1,,,,,", "column unit: ''; write EBC or SRM"),
        ("Pale,8,1,EBC,strict,,,", "column rule: 'strict'; use one of simple_acceptance"),
        ("Pale,8,1,EBC,,0.7,,", "column risk: 0.7; expected a share"),
        ("Pale,8,1,EBC,,,3/4/2025,", "valid_to: '3/4/2025' is 2025-03-04 or 2025-04-03; write the day as"),
        ("Pale,8,1,EBC,,,2025-12-31,2025-01-01", "line 2: valid_from 2025-12-31 lies after valid_to 2025-01-01"),
        ("Pale,inf,10%,EBC,,,,", "makes no limits"),
        ("pale,8,1,EBC,,,,", r"'pale' is no beer of the model \(is 'Pale' meant\?\)"),
        ("Pale,8,1,EBC,,,,\nPale,9,1,EBC,,,2025-01-01,", "line 3: 'Pale' has two limits for one day"),
    ],
)
def test_damaged_limits_are_refused_by_line(tmp_path, row, match):
    header = LIMITS.splitlines()[0]
    (tmp_path / "house.limits.csv").write_text(f"{header}\n{row}\n")
    with pytest.raises(SheetError, match=match):
        load_specification(tmp_path / "house.model", beers=BEERS)


def test_limits_as_people_write_them(tmp_path):
    (tmp_path / "house.limits.csv").write_text(
        "Beer;Target;Tolerance;Unit;Rule;Risk;valid_from;valid_to\n"
        "Pale;8,0;\u00b10,8;\u00b0EBC;Guarded acceptance;5 %;01.03.2025;31.12.2025\nPale;9;+/- 10 %;ebc;;;01.01.2026;\n"
    )
    first, second = load_specification(tmp_path / "house.model", beers=BEERS).limits
    assert first == ColourLimits(
        "Pale", 8.0, 7.2, 8.8, "EBC", "guarded_acceptance", 0.05, date(2025, 3, 1), date(2025, 12, 31)
    )
    (tmp_path / "house.labels.csv").write_bytes("Label\tBeer\nSüßes\tPale\n".encode("utf-16"))
    kept = load_specification(tmp_path / "house.model").text
    assert "beer,target,tolerance,unit,rule" in kept and "== house.labels.csv\nlabel,beer\nSüßes,Pale\n" in kept
    assert (second.low, second.high, second.valid_from) == (pytest.approx(8.1), pytest.approx(9.9), date(2026, 1, 1))


def test_a_sheet_that_is_not_read_and_a_column_that_is_not_used_are_named(tmp_path, caplog):
    (tmp_path / "house.limits.xlsx").write_bytes(b"")
    (tmp_path / "house.labels.csv").write_text("label,beer,who\nParty keg,Pale,KA\n")
    load_specification(tmp_path / "house.model", beers=BEERS)
    assert "house.limits.xlsx is not read: name it house.limits.csv" in caplog.text
    assert "column 'who' is not known and not used" in caplog.text
    (tmp_path / "house.limits.csv").write_text("beer,target,tolerance,unit,valid_until\nPale,8,1,EBC,2024-12-31\n")
    with pytest.raises(SheetError, match="'valid_until' is not known, and is likely meant for 'valid_to'"):
        load_specification(tmp_path / "house.model")


def test_a_label_named_as_a_beer_holds_that_beer(tmp_path):
    (tmp_path / "house.labels.csv").write_text("label,beer\nPale,Amber\n")
    with pytest.raises(SheetError, match="the label 'Pale' is the name of a beer of the model, and may not hold it"):
        load_specification(tmp_path / "house.model", beers=BEERS)
    (tmp_path / "house.labels.csv").write_text("label,beer\nPale,Amber\nPale,Pale\n")
    assert load_specification(tmp_path / "house.model", beers=BEERS).beers_of("Pale") == ("Amber", "Pale")


def test_the_day_asked_for_may_be_a_day_a_time_or_iso_text(line_room, tmp_path):
    (tmp_path / "house.limits.csv").write_text("beer,target,tolerance,unit,valid_to\nPale Ale,1,0.1,EBC,2024-12-31\n")
    pale = line_room.house.beers_[0]
    sheet = tmp_path / "house.limits.csv"
    sheet.write_text(sheet.read_text().replace("Pale Ale", pale))
    spec = load_specification(tmp_path / "house.model", beers=line_room.house.beers_)
    pour = line_room.pours(pale)[0]

    def reason(on):
        return line_room.house.verify(pour, claimed=f" {pale} ", specification=spec, on=on)["reason"].iloc[0]

    for day in (date(2024, 6, 1), datetime(2024, 6, 1, 8), pd.Timestamp("2024-06-01"), "2024-06-01"):
        assert "colour out of specification" in reason(day)
    assert f"no colour limits of {pale} are valid on 2025-01-01" in reason(date(2025, 1, 1))
    with pytest.raises(OptionError, match="on is 'June'; expected a day"):
        reason("June")


def test_without_a_day_the_newest_limits_are_taken(tmp_path):
    first, *others = LIMITS.splitlines()
    (tmp_path / "house.limits.csv").write_text("\n".join([first, *reversed(others)]))
    assert load_specification(tmp_path / "house.model").limits_of("Pale").target == 8.5


def test_claims_are_judged_by_what_is_laid_down_for_their_day(model_path):
    readings = pd.DataFrame(
        {
            "colour": [7.3, 7.3, 7.3], "colour_low": 7.25, "colour_high": 7.35, "colour_unit": "EBC",
            "nearest_beer": "Pale", "plausible_beers": [("Pale",)] * 3, "warnings": [()] * 3,
        },
        index=["June", "July", "winter"],
    )  # fmt: skip
    days = [date(2025, 6, 30), date(2025, 7, 1), date(2025, 12, 1)]
    spec = load_specification(model_path)
    p, rules = np.full((3, 2), 0.5), dict(specification=spec, days=days)
    got = decide_all(["Pale", "Pale", "Summer can"], readings, p, BEERS, 0.05, **rules)
    assert got["decision"].tolist() == ["consistent", "hold", "hold"]
    assert "limits 7.5 to 9.5 EBC" in got.at["July", "reason"]
    assert "label 'Summer can' is not valid on 2025-12-01" in got.at["winter", "reason"]
    lapsed = Specification(limits=spec.limits[:1])
    (told, *_) = decide_all(["Pale"], readings[:1], p[:1], BEERS, 0.05, specification=lapsed, days=days[1:2])["reason"]
    assert told.endswith("; no colour limits of Pale are valid on 2025-07-01")


def test_a_sheet_without_a_needed_column(tmp_path):
    (tmp_path / "house.labels.csv").write_text("label\nParty keg\n")
    with pytest.raises(SheetError, match="house.labels.csv: no column 'beer', got label"):
        load_specification(tmp_path / "house.model")


def limits(rule="guarded_acceptance", risk=0.05):
    return ColourLimits("Pale", 8.0, 7.0, 9.0, "EBC", rule, risk, None, None)


def verdict(colour, rule="guarded_acceptance", half=0.4):
    return judge_colour(limits(rule), colour, colour - half, colour + half, unit="EBC", coverage=0.9)


def test_within_out_and_cannot_tell_by_rule():
    """Half an interval of 0.4 at 90 % is a standard uncertainty of 0.243: the guard band at 5 % is 0.4 again."""
    assert [verdict(x).verdict for x in (8.55, 8.65, 9.35, 9.45)] == ["within", "cannot tell", "cannot tell", "out"]
    assert [verdict(x).passes for x in (8.55, 8.65, 9.35, 9.45)] == [True, False, False, False]
    assert [verdict(x, "guarded_rejection").passes for x in (8.55, 9.35, 9.45)] == [True, True, False]
    assert [verdict(x, "simple_acceptance").passes for x in (8.95, 9.05)] == [True, False]


def test_units_and_endless_intervals():
    got = judge_colour(limits(), 8.0 / 25 * 12.7, 7.8 / 25 * 12.7, 8.2 / 25 * 12.7, unit="SRM", coverage=0.9)
    assert got.verdict == "within"
    endless = judge_colour(limits(), 8.0, -np.inf, np.inf, unit="EBC", coverage=0.99)
    assert (endless.verdict, endless.passes) == ("cannot tell", False)
    assert "no end" in endless.sentence


def judge(colour, plausible=("Pale",), claimed="Pale", beers=None):
    return decide(
        claimed, claimed_p_value=0.5, false_reject_rate=0.05, nearest_beer="Pale", plausible_beers=plausible,
        warnings=(), beers=beers, colour=colour,
    )  # fmt: skip


def test_out_and_cannot_tell_are_held_for_different_reasons():
    out, unsure, good = judge(verdict(9.5)), judge(verdict(9.0)), judge(verdict(8.0))
    assert (out.decision, unsure.decision, good.decision) == ("hold", "hold", "consistent")
    assert "out of specification" in out.reason
    assert "cannot tell" in unsure.reason
    assert "measure again or by transmission" in unsure.advice
    assert "within specification" in good.reason


def test_identity_comes_before_colour_and_a_label_before_a_beer():
    assert "not typical" in judge(verdict(8.0), plausible=("Amber",)).reason
    assert judge(None, plausible=("Amber",), claimed="Party keg", beers=("Pale", "Amber")).decision == "consistent"
    assert judge(None, plausible=("Stout",), claimed="Party keg", beers=("Pale", "Amber")).decision == "hold"


def test_the_house_model_judges_labels_and_limits(small_house):
    house, new = small_house
    scans = new.scans[new.scans["batch"] == new.scans["batch"].iloc[0]]
    beer = new.batches.loc[scans["batch"].iloc[0], "beer"]
    colour = float(house.read(new.spectra.loc[scans.index], scans=scans)["colour"].iloc[0])
    for target, decision in ((colour, "consistent"), (2 * colour, "hold")):
        row = ColourLimits(beer, target, 0.7 * target, 1.3 * target, "EBC", "guarded_acceptance", 0.05, None, None)
        got = house.verify(
            new.spectra.loc[scans.index], claimed=beer, scans=scans, specification=Specification(limits=(row,))
        )
        assert got["decision"].tolist() == [decision]
        assert isinstance(got, pd.DataFrame)


def test_limits_and_labels_are_looked_for_beside_the_model():
    limits, labels = specification_paths("sets/house.model")
    assert (limits.as_posix(), labels.as_posix()) == ("sets/house.limits.csv", "sets/house.labels.csv")


@pytest.mark.parametrize(
    ("sheet", "limits"),
    [
        ("beer,low,high,unit\nPale,7,9.5,EBC\n", (8.25, 7.0, 9.5)),
        ("beer;target;low;high;unit\nPale;8,0;;9,5;EBC\n", (8.0, 0.0, 9.5)),
        ("beer,target,tolerance,low,high,unit\nPale,8,10%,,,EBC\n", (8.0, 7.2, 8.8)),
    ],
)
def test_limits_may_be_stated_as_low_and_high(tmp_path, sheet, limits):
    (tmp_path / "house.limits.csv").write_text(sheet)
    row = load_specification(tmp_path / "house.model", beers=BEERS).limits_of("Pale")
    assert (row.target, row.low, row.high) == pytest.approx(limits)


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        ("beer,low,high,unit\nPale,7,,EBC\n", "make no limits"),
        ("beer,low,high,unit\nPale,9,7,EBC\n", "make no limits"),
        ("beer,target,tolerance,low,high,unit\nPale,8,1,7,9,EBC\n", "stand there twice"),
        ("beer,min,max,unit\nPale,7,9,EBC\n", "target and tolerance, or low and high"),
        ("beer,target,tolerance,unit\nPale,8,+1,EBC\n", "is no width to both sides"),
        ("beer,target,tolerance,unit\nPale,8,-0/+1,EBC\n", "is no width to both sides"),
    ],
)
def test_limits_that_may_mean_something_else_are_refused(tmp_path, sheet, said):
    (tmp_path / "house.limits.csv").write_text(sheet)
    with pytest.raises(SheetError, match=said):
        load_specification(tmp_path / "house.model", beers=BEERS)
