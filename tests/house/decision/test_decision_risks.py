"""Risks of decision rules: stated from the set, seen on lots that are drawn as the set's own scatter."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.houses import spec_of
from benchmarks.limits import RULES, apart, member_rows
from specmatch.batches import in_colour_unit
from specmatch.demo.brewery import Brewery
from specmatch.errors import OptionError
from specmatch.house.decision.decision import judge_colour
from specmatch.house.decision.specification import GUARDED, LENIENT, SIMPLE, ColourLimits, Specification
from specmatch.maths.statistics.conformance import acceptance_limits, conformance_probability


def limits_of(house, tolerance, rule=GUARDED, risk=0.05, unit="EBC"):
    colour = (
        pd.Series(house.fitted.colour.lab_colour).groupby(np.array(house.beers_)[house.fitted.beer_of_batch]).mean()
    )
    factor = float(in_colour_unit(np.ones(1), "EBC", unit)[0])
    rows = [
        ColourLimits(
            beer, m * factor, m * factor * (1 - tolerance), m * factor * (1 + tolerance), unit, rule, risk, None, None
        )
        for beer, m in colour.items()
    ]
    return Specification(tuple(rows), hash="sheet")


@pytest.fixture(scope="module")
def brewery():
    return Brewery(seed=3)


@pytest.fixture(scope="module")
def house(brewery):
    past = brewery.draw(8, beers=brewery.beers[:6])
    return sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))


def test_the_edge_of_guarded_rejection_lies_outside_the_limits():
    low, high = acceptance_limits(0.3, 0.95, lower=7.0, upper=9.0)
    assert low < 7.0 and high > 9.0
    # the root finder stops at 2e-12 of the argument
    assert conformance_probability(high, 0.3, lower=7.0, upper=9.0) == pytest.approx(0.05, abs=1e-9)


def test_stricter_rules_hold_more_and_pass_less(house):
    rules = [(LENIENT, 0.05), (SIMPLE, 0.05), (GUARDED, 0.2), (GUARDED, 0.05)]
    tables = [house.limit_risks(limits_of(house, 0.1, *rule)) for rule in rules]
    held, passed = (np.array([table[name] for table in tables]) for name in ("producer_risk", "consumer_risk"))
    assert (np.diff(held, axis=0) >= -1e-9).all() and (np.diff(passed, axis=0) <= 1e-9).all()
    first = tables[0]
    assert np.allclose(first["held_of_conforming"] * first["conform"], first["producer_risk"])
    assert (tables[2]["cannot_tell"] <= tables[3]["cannot_tell"]).all()
    # limits in the other unit state the same
    other = house.limit_risks(limits_of(house, 0.1, unit="SRM"))
    assert other["producer_risk"].to_numpy() == pytest.approx(tables[3]["producer_risk"].to_numpy(), abs=1e-6)


def test_bounds_hold_the_risk(house):
    risks = house.limit_risks(limits_of(house, 0.1))
    for name in ("producer_risk", "consumer_risk", "cannot_tell"):
        low, high = risks[f"{name}_low"], risks[f"{name}_high"]
        assert ((low <= risks[name]) & (risks[name] <= high)).all() and (high > low).all()


@pytest.mark.whole
def test_bounds_narrow_with_batches(brewery, house):
    past = brewery.draw(24, beers=brewery.beers[:3])
    many = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    known = many.limit_risks(limits_of(many, 0.1))
    few = house.limit_risks(limits_of(house, 0.1))
    wide, narrow = (table["producer_risk_high"] - table["producer_risk_low"] for table in (few, known))
    assert narrow.mean() < wide.mean()


def test_a_rule_is_chosen_by_its_risk(house):
    by_sheet = limits_of(house, 0.1)
    chosen = house.limits_by_risk(by_sheet, producer_risk=0.02)
    assert house.limit_risks(chosen)["held_of_conforming"].to_numpy() == pytest.approx(0.02, abs=1e-4)
    assert chosen.hash != by_sheet.hash and "producer risk 0.02" in chosen.text
    far = replace(by_sheet, limits=tuple(replace(row, low=9 * row.low, high=9 * row.high) for row in by_sheet.limits))
    with pytest.raises(OptionError, match="no guard band holds as few"):
        house.limits_by_risk(far, producer_risk=0.02)
    with pytest.raises(OptionError, match="expected a share between 0 and 0.5"):
        house.limits_by_risk(by_sheet, producer_risk=0.7)


@pytest.mark.slow
@pytest.mark.whole
def test_stated_risks_are_those_seen(brewery, house, full_size):
    seeds = range(3, 15 if full_size else 4)
    stated, seen = [], []
    for draw in seeds:
        new = brewery.draw(20, draw=draw, beers=brewery.beers[:6])
        read = house.read(new.spectra, new.scans)
        batch = new.scans.groupby("sample", sort=False)["batch"].first().loc[read.index]
        lots = new.batches.loc[batch]
        for rule in ((SIMPLE, 0.05), (GUARDED, 0.05), (LENIENT, 0.05)):
            limits = limits_of(house, 0.1, *rule)
            risks = house.limit_risks(limits)
            stated.append([risks["producer_risk"].mean(), risks["consumer_risk"].mean(), risks["cannot_tell"].mean()])
            of = [limits.limits_of(beer) for beer in lots["beer"]]
            columns = read[["colour", "colour_low", "colour_high"]].itertuples(index=False)
            judged = [judge_colour(row, *r, unit="EBC", coverage=0.9) for row, r in zip(of, columns, strict=True)]
            passes = np.array([one.passes for one in judged])
            conforms = np.array([row.low <= y <= row.high for row, y in zip(of, lots["colour"], strict=True)])
            cannot = np.mean([one.verdict == "cannot tell" for one in judged])
            seen.append([(conforms & ~passes).mean(), (~conforms & passes).mean(), cannot])
    apart = np.array(stated).reshape(len(seeds), 3, 3).mean(axis=0) - np.array(seen).reshape(len(seeds), 3, 3).mean(
        axis=0
    )
    # six beers of eight batches teach their mean to a third of their scatter: that moves a share by some hundredths
    assert np.abs(apart).max() < 0.07


@pytest.mark.slow
@pytest.mark.whole
def test_risks_of_invented_houses_lie_within_their_bounds(full_size, claim):
    """Beers, rules and risks of lots that were judged: within the stated bounds, and off to no side."""
    houses = [(f"drawn_{n}", 1) for n in range(931, 936)] if full_size else [("four_taps", 51)]
    frame = pd.DataFrame([row for name, seed in houses for row in member_rows(spec_of(name), seed, 0.10, sets=2)])
    told = apart(frame)
    if not full_size:
        # four beers of six batches: their risks are all off the same way
        assert (told["seen of a beer within its bounds"] > 0.6).all() and (told["stated - seen"].abs() < 0.15).all()
        return
    held = told["seen of a beer within its bounds"]
    # rules of one beer share its lots
    n = int(frame["beers"].sum()) // len(RULES)
    claim("risks_bounded", float(held.min()), n)
    worst = told["stated - seen"].abs().idxmax()
    off, reach = told.at[worst, "stated - seen"], 1.96 * told.at[worst, "standard error"]
    claim("risk_bias", off, int(frame["lots"].sum()), bounds=(off - reach, off + reach))


def test_a_house_without_lab_colours_states_no_risk(brewery):
    past = brewery.draw(4, beers=brewery.beers[:3])
    blind = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches.assign(colour=np.nan)))
    limits = Specification((ColourLimits(blind.beers_[0], 8.0, 7.0, 9.0, "EBC", GUARDED, 0.05, None, None),))
    assert blind.limit_risks(limits).empty
    with pytest.raises(OptionError, match="too few lab colours"):
        blind.limits_by_risk(limits, producer_risk=0.02)
