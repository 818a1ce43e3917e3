"""Sentences and codes behind the warnings, and how often the right one is given, on the invented brewery."""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.faults import CODES, confusion, markdown, run, summary, trials
from specmatch.demo.brewery import Brewery
from specmatch.demo.physics import PourConditions
from specmatch.house.reading.explanations import apart_from_claim
from specmatch.maths.optics.cup import FAULT_NAMES
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.warning_codes import FAULT_WORDS, WARNING_CODES

GOOD = PourConditions()


@pytest.fixture(scope="module")
def house(small_house):
    return small_house[0]


def read(house, conditions, *, claim=True, n=1, draw=21, edit=None):
    """Verify right claims (or read) new batches measured under conditions, one for each pour."""
    new = Brewery(seed=1).draw(n, n_pours=len(conditions), draw=draw, conditions=conditions)
    scans = new.scans if edit is None else new.scans.assign(**edit)
    if not claim:
        return house.read(new.spectra, scans=scans), new
    claims = scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    return house.verify(new.spectra, claims, scans=scans), new


def test_every_fault_has_a_code_of_the_registry_and_a_sentence():
    assert set(CODES) <= set(WARNING_CODES)
    assert set(FAULT_WORDS) == set(FAULT_NAMES)
    assert {words.code for words in FAULT_WORDS.values()} <= set(WARNING_CODES)
    assert all(words.advice and "{size" in words.phrase for words in FAULT_WORDS.values())


def test_an_odd_pour_is_named_left_out_and_explained(house):
    found, _ = read(house, [GOOD, PourConditions(foam=0.06), GOOD])
    good, _ = read(house, [GOOD, GOOD, GOOD])
    assert (found["n_pours"] == 2).all() and (good["n_pours"] == 3).sum() >= 11
    foamy = found["warnings"].map(lambda codes: codes[:2] == ("replicates_disagree", "foam"))
    # 95 % in the trials of docs/reasons.md at 4 % of foam, more at 6 %
    assert foamy.sum() >= 11
    text = found.loc[foamy, "explanation"].iloc[0]
    assert "-P2 is left out, the 2 others agree: about" in text and "of the surface under foam" in text
    assert "with it the colour would" in text or "the colour hardly changes" in text
    # the reading is that of the two good pours, whose noise is that of two instead of three
    np.testing.assert_allclose(found["colour"], good["colour"], rtol=0.05)
    only = foamy & ~found["explanation"].str.contains("against ")
    assert only.sum() >= 9
    np.testing.assert_array_equal(found.loc[only, "colour_without_fault"], found.loc[only, "colour"])


def test_the_order_of_samples_stands_when_a_first_pour_is_left_out(house):
    new = Brewery(seed=1).draw(1, draw=21, conditions=[PourConditions(fill=0.7), GOOD, GOOD])
    # the odd pours first, then the others: the order of first appearance is theirs
    order = np.argsort([name[-1] for name in new.scans["pour"]], kind="stable")
    spectra, scans = new.spectra.iloc[order], new.scans.iloc[order]
    found = house.read(spectra, scans=scans)
    assert list(found.index) == list(dict.fromkeys(scans["sample"]))
    one = found.index[3]
    alone = house.read(spectra[(scans["sample"] == one).to_numpy()], scans=scans[scans["sample"] == one])
    assert alone.loc[one, "colour"] == pytest.approx(found.loc[one, "colour"], rel=1e-9)


def test_a_pour_left_out_lends_its_sample_no_code_that_excludes_its_own(house):
    found, _ = read(house, [PourConditions(fill=1.1), PourConditions(fill=0.7), PourConditions(fill=0.7)])
    both = found["explanation"].str.contains("more beer in the cup than in the others") & found[
        "explanation"
    ].str.contains("less beer in the cup than usual")
    # the sentence on the pour stays, the sample has the code of its own departure
    assert both.sum() >= 6
    assert not any({"path_long", "path_short"} <= set(codes) for codes in found["warnings"])
    assert all("path_short" in codes for codes in found.loc[both, "warnings"])


def test_two_pours_that_disagree_are_said_to(house):
    found, _ = read(house, [GOOD, PourConditions(fill=0.75)])
    assert found["warnings"].map(lambda codes: "replicates_disagree" in codes).sum() >= 11
    assert "the two pours differ by more than good pours do" in found["explanation"].iloc[0]
    assert (found["n_pours"] == 2).all()


def test_a_long_path_is_told_with_what_it_cannot_be_told_from(house):
    found, _ = read(house, [PourConditions(fill=1.3)])
    named = found["warnings"].map(lambda codes: "path_long" in codes)
    assert named.sum() >= 9  # 93 % at 25 % in the trials, from eight batches
    text = found.loc[named, "explanation"].iloc[0]
    assert "more beer in the cup than usual, or a stronger batch: one pour cannot tell these apart" in text
    assert text.endswith("pour again")
    without = found.loc[named, "colour_without_fault"]
    assert (without < found.loc[named, "colour"]).all()
    water, _ = read(house, [PourConditions(water=0.3)])
    assert water["explanation"].str.contains("or a paler batch, or water in it").sum() >= 9


def test_three_pours_that_agree_are_not_called_one(house):
    found, _ = read(house, [PourConditions(fill=1.3)] * 3)
    text = found.loc[found["warnings"].map(lambda codes: "path_long" in codes), "explanation"].iloc[0]
    assert "3 pours that agree cannot tell these apart" in text


def test_what_nothing_explains_is_sent_to_the_transmission_method(house):
    # few of forty differ from all by more than strength, which passes for a wrong fill
    foreign = Brewery(seed=1).foreign(40, apart=0.15)
    found = house.read(foreign.spectra, scans=foreign.scans)
    unexplained = found["explanation"].str.contains("nothing known explains how it departs from")
    unlike = found["warnings"].map(lambda codes: "unlike_any_beer" in codes)
    assert unexplained.any() and (unlike[unexplained]).all()
    assert found.loc[unexplained, "explanation"].iloc[0].endswith("then add it to the set")
    assert found.loc[unexplained, "colour_without_fault"].isna().all()


def test_good_samples_have_nothing_to_explain(house):
    found, new = read(house, [GOOD] * 3, n=2)
    quiet = found["explanation"] == ""
    assert quiet.sum() >= 20  # at most 5 % of 24; five have a chance of 0.6 %
    assert found.loc[quiet, "colour_without_fault"].isna().all()


def test_reasons_are_sought_against_the_claim(house):
    new = Brewery(seed=1).draw(1, n_pours=1, draw=21, conditions=PourConditions(lamp_gain=1.08))
    beers = list(Brewery.beers)
    claims = dict(zip(new.scans["sample"], new.scans["batch"].map(new.batches["beer"]), strict=True))
    right = house.verify(new.spectra, claims, scans=new.scans)
    for name in right.index:
        if right.loc[name, "explanation"]:
            assert f"against {claims[name]}" in right.loc[name, "explanation"]
    wrong = {name: beers[(beers.index(beer) + 6) % 12] for name, beer in claims.items()}
    swapped = house.verify(new.spectra, wrong, scans=new.scans)
    # a stout is no pils with a fault
    assert not swapped["explanation"].str.contains("lamp").all()
    assert (swapped["decision"] != "consistent").all()


def test_what_would_turn_a_beer_into_another_is_set_apart(house, whole):
    """Of wrong claims that look like another beer, every fault that was sought against the claim, and no other code."""
    new = Brewery(seed=1).draw(1, draw=21, n_pours=3)
    told, claims = 0, house.beers_ if whole else house.beers_[::3]
    for claim in claims:
        verified = house.verify(new.spectra, claim, scans=new.scans)
        for sample, row in verified.iterrows():
            found = apart_from_claim(row)
            codes, explanation, only = found.codes, found.explanation, found.codes_if_claimed
            assert only == row["warnings_if_claimed"]
            assert sorted((*codes, *only)) == sorted(row["warnings"]), sample
            if not row["plausible_beers"] or claim in row["plausible_beers"]:
                assert (codes, explanation, only) == (row["warnings"], row["explanation"], ())
                continue
            assert set(only) <= set(CODES) and not set(codes) & set(CODES)
            assert "against" not in explanation
            assert bool(only) == ("against" in row["explanation"])
            assert row["explanation"] == "; ".join(filter(None, (explanation, row["explanation_if_claimed"])))
            told += bool(only)
    assert told >= len(claims)


def test_explanations_come_after_the_columns_that_others_rest_on(house):
    found, _ = read(house, [GOOD], claim=False)
    assert list(found.columns[-5:]) == [
        "warnings", "explanation", "colour_without_fault", "warnings_if_claimed", "explanation_if_claimed",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ({"stage": "tank"}, "the stage is tank, the set holds package"),
        ({"cup": "C60"}, "the cup is C60, the set holds C40"),
        ({"reference_kind": "base"}, "the kind of reference is base, the set holds water"),
    ],
)
def test_conditions_that_the_set_does_not_hold_are_named(house, edit, said):
    found, _ = read(house, [GOOD], edit=edit)
    assert found["warnings"].map(lambda codes: "outside_conditions" in codes).all()
    assert found["explanation"].str.contains(said, regex=False).all()


def test_cold_beer_is_told_to_be_warmed():
    beers = Brewery.beers[::3]
    past, new = Brewery(seed=1).draw(3, beers=beers), Brewery(seed=1).draw(1, draw=1, beers=beers)
    refs = sm.ReferenceSet(past.spectra, past.scans.assign(temperature_c=20.0), past.batches)
    house = sm.HouseModel().fit(refs)
    cold = house.read(new.spectra, scans=new.scans.assign(temperature_c=4.0))
    assert cold["explanation"].str.contains("measured at 4 deg C, the set holds 20 deg C: it may hold chill haze").all()
    near = house.read(new.spectra, scans=new.scans.assign(temperature_c=22.0))
    assert not near["warnings"].map(lambda codes: "outside_conditions" in codes).any()
    silent = house.read(new.spectra, scans=new.scans)
    assert not silent["warnings"].map(lambda codes: "outside_conditions" in codes).any()


def test_models_keep_what_reasons_need(house, tmp_path):
    house.save(tmp_path / "house.model")
    loaded = sm.HouseModel.load(tmp_path / "house.model")
    new = Brewery(seed=1).draw(1, n_pours=3, draw=21, conditions=[GOOD, PourConditions(foam=0.05), GOOD])
    pd.testing.assert_frame_equal(
        house.read(new.spectra, scans=new.scans), loaded.read(new.spectra, scans=new.scans), check_exact=True
    )


def test_columns_that_know_no_colour_stay_empty():
    beers = Brewery.beers[::2]
    past = Brewery(seed=1).draw(4, beers=beers)
    batches = past.batches.assign(colour=np.nan)
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, batches))
    conditions = [GOOD, PourConditions(foam=0.06), GOOD]
    new = Brewery(seed=1).draw(1, n_pours=3, draw=21, conditions=conditions, beers=beers)
    found = house.read(new.spectra, scans=new.scans)
    assert found["colour_without_fault"].isna().all()
    assert found["explanation"].str.contains("of the surface under foam").sum() >= 5
    assert not found["explanation"].str.contains("nan").any()


# Least shares that must be named first, all cases or only those whose colour moves by more than its interval.
NAMED_ALWAYS = {
    "lamp 5 % off": 0.95,
    "shift of 2 nm": 0.95,
    "fill 25 % too much": 0.85,
    "fill 25 % too little": 0.85,
    "fill 15 % too much, beside two good": 0.90,
    "fill 15 % too little, beside two good": 0.90,
    "foam 4 %, beside two good": 0.75,
}
DAYLIGHT_AT_430 = np.exp(-0.5 * ((430.0 - 560.0) / 130.0) ** 2)  # over its peak, as the invented brewery has it
NAMED_WHERE_IT_MATTERS = {"ambient light 1 % of the peak": 0.95, "peak clipped by 15 %": 0.95}


@pytest.mark.slow
@pytest.mark.whole
def test_planted_faults_are_named_first(full_size):
    found = run(range(1, 21) if full_size else [1], 2 if full_size else 1)
    told = f"\n{markdown(confusion(found).round(1))}\n{markdown(summary(found).round(3))}"
    for name in ("none, 1 pour", "none, 3 pours"):
        good = found[found["trial"] == name]
        assert_at_most(int(good["any_reason"].sum()), len(good), 0.05, name + told)
    for name, least in (NAMED_ALWAYS | NAMED_WHERE_IT_MATTERS).items():
        part = found[found["trial"] == name]
        if name in NAMED_WHERE_IT_MATTERS:
            part = part[(part["colour"] - part["clean"]).abs() > part["half_width"]]
        right = part["named"] == next(trial.code for trial in trials() if trial.name == name)
        right |= part["tied"] & (part["true"] < 25.6)
        assert_at_least(int(right.sum()), len(part), least, name + told)
    dark_foam = found[(found["trial"] == "foam 4 %, beside two good") & (found["true"] > 25.6)]
    assert_at_least(int((dark_foam["named"] == "foam").sum()), len(dark_foam), 0.95, told)
    table = summary(found)
    for trial in trials():
        if trial.code:
            # recovered within 30 % (median); light from outside tells most at 430 nm, where the lamp is weak, and the
            # daylight planted is stated at its peak
            planted = trial.size * (DAYLIGHT_AT_430 if trial.code == "ambient_light" else 1.0)
            assert 0.7 < table.loc[trial.name, "median size"] / planted < 1.3, trial.name + told
    planted = found[~found["trial"].str.startswith("none") & (found["named"] != "")]
    better = (planted["without"] - planted["true"]).abs() < (planted["colour"] - planted["true"]).abs()
    assert_at_least(int(better.sum()), len(planted), 0.80, told)


def assert_at_least(count, n, share, told):
    assert binomial_bounds(count, n)[1] >= share, f"{count} of {n}, {share:.0%} wanted: {told}"


def assert_at_most(count, n, share, told):
    assert binomial_bounds(count, n)[0] <= share, f"{count} of {n}, at most {share:.0%} wanted: {told}"
