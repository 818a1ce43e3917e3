"""Risks of decision rules: stated from the set, seen on lots that are drawn as the set's own scatter."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import scipy.stats

import specmatch as sm
from benchmarks.houses import spec_of
from benchmarks.limits import RULES, apart, member_rows
from specmatch.batches import in_colour_unit
from specmatch.demo.brewery import Brewery
from specmatch.errors import OptionError
from specmatch.house.decision.decision import judge_colour
from specmatch.house.decision.risks import _Lots, _lots_like, risks_of_claims
from specmatch.house.decision.specification import (
    GUARDED,
    LENIENT,
    SIMPLE,
    ColourLimits,
    PackageLabel,
    Specification,
    acceptance_limits,
    conformance_probability,
)
from specmatch.maths.statistics.levels import binomial_bounds


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


def known_lots(mean, sd, u, tail=1e4):
    many = 10**9
    return _Lots(mean, mean, sd, 1.0, u, np.array([u]), many, many, many, tail)


def between(low, high, rule=SIMPLE, risk=0.05):
    return ColourLimits("", (low + high) / 2.0, low, high, "EBC", rule, risk, None, None)


def test_risks_of_the_resistors():
    # JCGM 106:2012, 9.5, resistors of 1500 ohm; inputs from memory, results recomputed
    lots = known_lots(1500.0, 0.12, 0.04)
    bare = lots.risks(between(1499.8, 1500.2))
    # four printed digits: half a unit of the last one; the t of 10^4 degrees of freedom is within 2e-5 of the normal
    assert bare.in_tolerance == pytest.approx(0.9044, abs=7e-5)
    assert bare.consumer == pytest.approx(0.01894, abs=1.2e-5)
    assert bare.producer == pytest.approx(0.03721, abs=1.2e-5)
    # guard bands of 0.02, half of the uncertainty
    guarded = lots.risks(between(1499.8, 1500.2, GUARDED, float(scipy.stats.norm.sf(0.5))))
    assert guarded.consumer == pytest.approx(0.00988, abs=1.2e-5)
    assert guarded.producer == pytest.approx(0.06903, abs=1.2e-5)


def test_risks_agree_with_the_bivariate_normal_of_scipy():
    mean, sd, u, low, high = 8.0, 0.4, 0.3, 7.2, 8.9
    cdf = scipy.stats.multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]]).cdf
    both = cdf([high, high]) - cdf([low, high]) - cdf([high, low]) + cdf([low, low])
    accepted = cdf([np.inf, high]) - cdf([np.inf, low])
    got = known_lots(mean, sd, u).risks(between(low, high))
    # SciPy's bivariate integral is good to about 1e-5
    assert got.consumer == pytest.approx(accepted - both, abs=1e-4)
    assert got.producer == pytest.approx(got.in_tolerance - both, abs=1e-4)


@pytest.mark.parametrize("tail", [3.0, 1e4])
def test_risks_are_those_that_occur(tail):
    rng, n = np.random.default_rng(20), 200_000
    mean, sd, u, low, high = 10.0, 0.5, 0.2, 9.0, 11.0
    true = mean + sd * rng.standard_t(tail, n)
    measured = true + u * rng.standard_t(tail, n)
    accepted, conform = (low <= measured) & (measured <= high), (low <= true) & (true <= high)
    wanted = known_lots(mean, sd, u, tail).risks(between(low, high))
    for count, share in ((accepted & ~conform, wanted.consumer), (~accepted & conform, wanted.producer)):
        bounds = binomial_bounds(int(count.sum()), n, level=0.999)
        assert bounds[0] <= share <= bounds[1]


def test_the_limits_that_decide_are_those_of_the_beer_that_the_sample_is_typical_of():
    label = [PackageLabel("Can", beer, None, None) for beer in ("A", "B")]
    limits = Specification((replace(between(7, 9), beer="A"), replace(between(8, 9), beer="B")), tuple(label))
    shares = {"producer_risk": [0.1, 0.2], "consumer_risk": [0.05, 0.04], "cannot_tell": [np.nan, 0.3]}
    risks = pd.DataFrame({"valid_from": [None, None], **shares}, index=["A", "B"])
    read = pd.DataFrame({"claimed": "Can", "nearest_beer": "A"}, index=["s1", "s2", "s3"])
    read["plausible_beers"] = [("B", "C"), ("A", "B"), ()]
    told = risks_of_claims(risks, limits, read, {})
    # of s2 nobody can say which of the two it is: no risk is more than what is stated of it
    assert told["producer_risk"].tolist() == [0.2, 0.2, 0.1]
    assert told["consumer_risk"].tolist() == [0.04, 0.05, 0.05]
    assert told["cannot_tell"].tolist() == [0.3, 0.3, pytest.approx(np.nan, nan_ok=True)]


def test_far_batches_are_tails_and_not_the_scatter_of_their_beer():
    rng, beer, off = np.random.default_rng(6), np.repeat(np.arange(8), 10), []
    for _ in range(10):
        z, e = rng.standard_t(3, (2, beer.size))
        lab, seen = 10.0 * (1.0 + 0.03 * z), 10.0 * (1.0 + 0.03 * z + 0.02 * e)
        lots = _lots_like(lab, seen, beer, np.arange(beer.size), [np.array([0.03])] * 8)
        off += [[one.lab_sd / 0.3, one.noise / 0.2, one.tail] for one in lots]
    lab_sd, noise, tail = np.array(off).T
    # root mean squares are 1.7 of the scale of such a t; lab and reading stray apart here, which one weight for both
    # takes for an eighth more noise
    assert np.median(lab_sd) == pytest.approx(1.0, abs=0.12) and np.median(noise) == pytest.approx(1.1, abs=0.12)
    assert np.mean(tail <= 6.0) >= 0.8
    # and where tails are normal, few sets are told to have any
    normal = [
        _lots_like(10.0 + 0.3 * z, 10.0 + 0.3 * z + 0.2 * e, beer, np.arange(beer.size), [np.array([0.03])] * 8)[0].tail
        for z, e in rng.standard_normal((20, 2, beer.size))
    ]
    assert np.mean(np.array(normal) <= 6.0) <= 0.2


@pytest.mark.parametrize(("beers", "batches"), [(1, 3), (1, 6), (4, 2), (3, 3), (8, 3)])
def test_few_batches_show_no_tails(beers, batches):
    rng, beer = np.random.default_rng(7), np.repeat(np.arange(beers), batches)
    told = 0
    for _ in range(40):
        z, e = rng.standard_normal((2, beer.size))
        lots = _lots_like(
            10.0 + 0.3 * z, 10.0 + 0.3 * z + 0.2 * e, beer, np.arange(beer.size), [np.array([0.03])] * beers
        )
        told += any(one is not None and one.tail < 100.0 for one in lots)
    assert told <= 4  # one in twenty is expected at most; five or more of forty come by chance in one of twenty


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


def test_readings_follow_the_lab_as_those_of_all_beers_do():
    rng, beer = np.random.default_rng(4), np.repeat(np.arange(6), 7)
    # beers of one lab and module that are not brewed alike
    brewed = np.array([0.5, 0.5, 1.0, 1.0, 1.6, 1.6])[beer]
    slopes, noise = [], []
    for _ in range(20):
        z, e = rng.standard_normal((2, beer.size))
        lab, seen = 10.0 * (1.0 + 0.05 * brewed * z), 10.0 * (1.0 + 0.04 * brewed * z + 0.03 * e)
        seen[3] = np.nan  # a batch without a reading says nothing, and spoils no other
        lots = _lots_like(lab, seen, beer, np.arange(beer.size), [np.array([0.03])] * 6)
        slopes += [one.slope for one in lots]
        noise += [one.noise for one in lots]
    # 41 batches know the one slope to 0.03 / 0.05 / sqrt(35) = 0.1, each seven alone to 0.25
    assert np.sqrt(np.mean((np.array(slopes) - 0.8) ** 2)) < 0.17
    assert min(noise) > 0.1 and np.median(noise) == pytest.approx(0.3, rel=0.15)


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
    houses = [(f"drawn_{n}", 1) for n in range(1090, 1095)] if full_size else [("four_taps", 51)]
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
