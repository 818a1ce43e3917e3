"""A plan before the first batch: what it advises, what it says it cannot have, and what it refuses."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from plan_house import house_of

import specmatch as sm
from specmatch.errors import OptionError, TableError, UnitError
from specmatch.house.planning.advice import advised, bench_sheet, choice_said, weak_pairs
from specmatch.house.planning.assumptions import WISHES, BeerList, beer_list, settings_of
from specmatch.house.planning.forecast import Design, draw_batches, draw_sessions, try_all
from specmatch.house.planning.line import readings_in_time
from specmatch.house.planning.plan import Plan, _numbers, forecast_at, forecast_beside

FOUR = {"Pils": 7.0, "Amber": 20.0, "Red": 27.0, "Stout": 75.0}
QUICK = {"rough": True, "n_batches": (4, 8), "n_pours": (1,)}


@pytest.fixture(scope="module")
def four():
    return sm.plan(FOUR, **QUICK)


def test_it_advises_what_meets_the_wishes_and_says_so(four):
    assert four.advice["meets"] and four.advice["n_batches"] == 4
    assert four.sentences[0].startswith("4 batches of each beer, 1 pour a sample, 10 mL in a cup of 40 mm")
    assert "may be switched on after 4 weeks" in " ".join(four.sentences)
    assert list(four.beers.index) == list(FOUR)
    np.testing.assert_allclose(four.beers["half_width_in_unit"], four.beers["half_width"] * four.beers["colour"])
    assert (four.curves["half_width_sd"] > 0).all()
    assert four.curves[["half_width_low", "half_width_high"]].notna().all(axis=None)
    assert set(four.assumed["source"]) == {"the list", "cautious default"}


def test_a_forecast_reaches_to_no_share_below_none_or_above_all(four):
    found = pd.Series({"median_relative_half_width": 0.06, "false_hold": 0.0, "covered": 1.0, "n_batches": 2.0})
    pairs = pd.DataFrame({"kind": ["pair"], "held": [1.0], "n": [2]})
    got = forecast_beside(found, pairs, four, 4.0, 1.0).set_index("figure")
    assert (got["low"] >= 0.0).all()
    assert (got["high"].drop("half_width") <= 1.0).all()
    assert got["as_forecast"].drop("half_width").all()


@pytest.mark.whole
def test_the_same_numbers_give_the_same_plan(four):
    pd.testing.assert_frame_equal(sm.plan(FOUR, **QUICK).curves, four.curves)


def test_the_least_work_that_meets_the_wishes_is_advised():
    table = pd.DataFrame({
        "n_batches": [4, 4, 8, 8], "n_pours": [1, 3, 1, 3], "half_width": [0.060, 0.050, 0.048, 0.040],
        "caught": [0.99, 0.99, 1.0, 1.0], "blend": [0.3, 0.3, 0.2, 0.1],
    })  # fmt: skip

    def wish(**given):
        return advised(table, settings_of(given, WISHES, "wish"))

    # three pours buy more than a tenth of the half-width at four batches, and so they are worth it
    assert wish() == (1, True)
    assert wish(half_width=0.055) == (1, True)
    # one pour at eight batches does what is asked, but three do it a fifth better
    assert wish(half_width=0.049) == (3, True)
    assert wish(blend=0.2, half_width=0.05) == (3, True)
    # nothing does: the best that can be had
    assert wish(half_width=0.01) == (3, False)


def test_cups_of_one_depth_are_no_numbers_of_pours():
    table = pd.DataFrame({"depth_mm": [8.0, 8.0], "n_batches": [4, 4], "n_pours": [1, 1], "half_width": [0.051, 0.051]})
    cups = pd.DataFrame({"depth_mm": [8.0, 8.0], "half_width": 0.05, "pale": 0.05, "dark": 0.05})
    assert choice_said(cups, table, Design(40.0, 10.0, 8.0, 1, 4)) == [
        "the cups differ by less than a tenth of the half-width: take the handier one"
    ]


@pytest.mark.whole
def test_wishes_that_no_number_meets_get_the_best_that_can_be_had():
    made = sm.plan(FOUR, **QUICK, wishes={"half_width": 0.005})
    assert not made.advice["meets"]
    said = " ".join(made.sentences)
    assert "the best that can be had (half-width 0.5%" in said
    assert "so far one lab colour goes from the truth" in said
    assert made.advice["n_batches"] == 8  # the narrower of the two


def test_two_beers_of_one_colour_are_read_and_promised_nothing():
    listed = beer_list({"Stout": 60.0, "Pils": 8.0, "Blond": 8.0}, "EBC", 1.0)
    assert listed.names == ("Pils", "Blond", "Stout")
    assert len(listed.notes) == 1 and "Pils and Blond are of one colour" in listed.notes[0]
    assert not beer_list(FOUR, "EBC", 1.0).notes


def test_beers_that_no_number_tells_apart_are_named_worst_first():
    house = house_of({"Pils": 8.0, "Blond": 9.0, "Stout": 60.0})
    design = [Design(40.0, 10.0, house.depth_mm, 1, n) for n in (4, 8)]
    tries = try_all(house, design, (0.9, 0.05), rounds=1, seed=0, n_new=12)
    nan = np.nan
    held = np.array([[nan, 0.5, 1.0], [0.7, nan, 0.8], [1.0, 0.8, nan]])
    more = np.array([[nan, 0.6, 1.0], [0.6, nan, 0.97], [1.0, 0.97, nan]])
    at_best = np.array([[nan, 0.75, 1.0], [0.8, nan, 1.0], [1.0, 1.0, nan]])
    made = [[replace(t[0], held=h, at_best=at_best)] for t, h in zip(tries, (held, more), strict=True)]
    pairs = weak_pairs(made, 0, beer_list({"Pils": 8.0, "Blond": 9.0, "Stout": 60.0}, "EBC", 1.0), 0.95)
    assert pairs[["one", "other"]].to_numpy().tolist() == [["Pils", "Blond"], ["Blond", "Stout"]]
    np.testing.assert_allclose(pairs["held"], [0.6, 0.8])
    np.testing.assert_allclose(pairs["at_best"], [0.75, 1.0])
    assert "no number of batches or pours will tell them apart, at best 75%" in pairs["sentence"][0]
    assert "with 8 batches a beer as wished" in pairs["sentence"][1]


@pytest.mark.whole
def test_one_beer_has_no_mix_up_to_catch():
    alone = sm.plan({"Pils": 8.0}, rough=True, n_batches=(8,), n_pours=(1,))
    assert alone.line["caught"].isna().all() and alone.line["false_hold"].notna().all()
    assert any("one beer" in one for one in alone.sentences)
    assert np.isnan(alone.changeover["held_at_first"])
    page = sm.pages.plan_page(alone)
    assert "Simulated for 1 beer;" in page
    for said in ("of mix-ups caught", "Every pair", "no interval tried is enough"):
        assert said not in page


@pytest.mark.parametrize(
    ("given", "error", "match"),
    [
        ({"cups": [(40, 0)]}, OptionError, r"cup \(40(.0)?, 0(.0)?\) has no size"),
        ({"cups": [(10, 40)]}, OptionError, "would hold beer 509 mm deep"),
        ({"cups": []}, OptionError, "no cup is given"),
        ({"cups": (40, 10)}, OptionError, "cup 40 has no size"),
        ({"habits": {"lab_sd": "x"}}, OptionError, "habit lab_sd is 'x'"),
        ({"seed": -1}, OptionError, "seed is -1; expected a whole number"),
        ({"refs": "sets/house"}, TableError, "got a str 'sets/house'; expected a ReferenceSet"),
        ({"n_batches": (2,)}, OptionError, "n_batches is .*expected whole numbers, 3 or more"),
        ({"n_pours": (0,)}, OptionError, "n_pours is .*expected whole numbers, 1 or more"),
        ({"habits": {"lab_sdd": 0.1}}, OptionError, "habit 'lab_sdd' is not known; nearest is 'lab_sd'"),
        ({"wishes": {"half_width": -1}}, OptionError, "wish half_width is -1"),
        ({"line": {"pallets_an_hour": 0}}, OptionError, "line setting pallets_an_hour is 0"),
        ({"colour_unit": "Lovibond"}, UnitError, "expected EBC or SRM"),
    ],
)
def test_what_cannot_be_is_refused(given, error, match):
    with pytest.raises(error, match=match):
        sm.plan(FOUR, **given)


@pytest.mark.parametrize(
    ("beers", "match"),
    [
        ({}, "the list of beers is empty"),
        (["Pils"], "the list of beers is a list; expected beer -> colour, or a DataFrame"),
        ({"Pils": -3.0}, "beer 'Pils' has the colour -3.0; expected a number > 0"),
        ({"Pils": "pale"}, "beer 'Pils' has the colour 'pale'"),
        (pd.DataFrame({"beer": ["A", "A"], "colour": [5, 6]}), "beer 'A' stands twice"),
        (pd.DataFrame({"beer": ["A"], "ebc": [5]}), "'ebc' is not known, and is likely meant for 'colour'"),
        (pd.DataFrame({"beer": ["A"], "colour": [5], "batches_a_week": [0]}), "batches_a_week must be above 0"),
    ],
)
def test_a_list_that_cannot_be_read_is_refused(beers, match):
    with pytest.raises(TableError, match=match):
        sm.plan(beers)


@pytest.mark.whole
def test_colours_in_srm_are_the_same_beers(four):
    srm = pd.DataFrame({"colour": [c / 1.97 for c in FOUR.values()], "colour_unit": "SRM"}, index=list(FOUR))
    made = sm.plan(srm, **QUICK, colour_unit="SRM")
    # the factor is rounded to three figures in one of the two places
    np.testing.assert_allclose(made.curves["half_width"], four.curves["half_width"], rtol=1e-3)
    np.testing.assert_allclose(made.beers["colour"], srm["colour"], rtol=1e-3)


def test_a_plan_comes_back_as_it_was_saved(four, tmp_path):
    four.save(tmp_path / "plan.json")
    again = Plan.load(tmp_path / "plan.json")
    assert again.sentences == four.sentences
    for name in ("curves", "beers", "line", "bench_sheet", "assumed"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(four, name), check_dtype=False)
    with pytest.raises(OptionError, match="holds no plan"):
        Plan.load(tmp_path / "none.json")


def test_between_numbers_tried_the_curve_goes_with_one_over_n(four):
    at = forecast_at(four, 6, 1)
    four_eight = four.curves["half_width"].to_numpy()
    share = (1 / 4 - 1 / 6) / (1 / 4 - 1 / 8)
    assert at["half_width"] == pytest.approx(four_eight[0] + share * (four_eight[1] - four_eight[0]))


def test_a_deeper_cup_of_the_same_beer_leaves_less_light():
    house = house_of(FOUR)
    deeper = house.at_depth(2 * house.depth_mm)
    rng = np.random.default_rng
    # twice the depth is the square of the share of light that is left: Lambert's law
    np.testing.assert_allclose(deeper.beers(rng(1)), np.maximum(house.beers(rng(1)) ** 2, 1e-12), rtol=1e-9)


@pytest.mark.whole
def test_scans_of_the_module_give_noise_and_band(small_house):
    _, new = small_house
    rows = new.scans["sample"].isin(new.scans["sample"].unique()[:2]).to_numpy()
    scans = SimpleNamespace(spectra=new.spectra[rows], scans=new.scans[rows], band_nm=None)
    made = sm.plan(FOUR, **QUICK, module=scans)
    row = made.assumed[made.assumed["what"] == "noise of the module"].iloc[0]
    assert row["source"] == "the module" and row["value"].endswith("from 6 scans")


@pytest.mark.whole
def test_a_commissioning_gives_noise_and_drift(tmp_path):
    sm.write_bench_day(tmp_path / "bench")
    found = sm.commission(tmp_path / "bench")
    made = sm.plan(FOUR, **QUICK, module=found)
    row = made.assumed[made.assumed["what"] == "noise of the module"].iloc[0]
    assert row["source"] == "the module" and "of its commissioning" in row["value"]
    assert "the module" in made.upkeep["why"].iloc[0]


@pytest.mark.whole
def test_a_set_that_is_there_is_what_a_plan_goes_on_from():
    brewery = sm.Brewery(seed=1)
    beers = brewery.beers[:6]
    past = brewery.draw(4, beers=beers)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")
    listed = dict(zip(beers, brewery.colour_ebc, strict=False)) | {"New Stout": 70.0}
    made = sm.plan(listed, refs=refs, rough=True, n_batches=(4, 8), n_pours=(3,))
    assert "the set" in set(made.assumed["source"])
    assert any("the set does not hold New Stout" in one for one in made.sentences)
    done = made.beers["batches_left"]
    assert (done[list(beers)] == made.advice["n_batches"] - 4).all()
    assert done["New Stout"] == made.advice["n_batches"]
    # its evaluation stands beside the forecast
    got = sm.evaluate(sm.HouseModel(), refs, n_folds=3, plan=made).forecast
    assert list(got.columns) == ["figure", "forecast", "low", "high", "found", "as_forecast"]
    assert list(got["figure"]) == ["half_width", "false_reject", "caught", "covered"]
    half = got.set_index("figure").loc["half_width"]
    # one evaluation of two dozen batches knows its half-width to a fifth or so
    assert half["found"] == pytest.approx(half["forecast"], rel=0.5)


def test_the_first_batches_of_each_beer_are_sessions_by_themselves():
    session = draw_sessions(5, [4, 8, 16], 6, np.random.default_rng(0)).reshape(5, 16)
    assert np.bincount(session.ravel()).max() == 6
    for n in (4, 8):
        assert not np.intersect1d(session[:, :n], session[:, n:]).size
    # twenty batches in sessions of six
    assert np.unique(session[:, :4]).size == 4


def test_batches_of_one_session_share_reference_lamp_and_axis():
    house = house_of(FOUR)
    still = replace(house, pour_sd=0 * house.pour_sd, shapes=0 * house.shapes, batch_sd=0 * house.batch_sd)
    session = np.repeat(np.arange(4), 2)  # of four beers two batches each
    beers = still.beers(np.random.default_rng(1))
    drawn = draw_batches(still, beers, 2, 400, np.random.default_rng(2), session)
    mean = drawn.levels.mean(drawn.reflectance, to="batch")
    sd = np.sqrt(still.noise.variance(still.law.seen(-np.log(beers))))
    # the reference is one scan of both: what is left is the noise of the mean of 400 scans, five of its sd
    assert (np.abs(mean[::2] - mean[1::2]) < 5 * np.sqrt(2 / 400) * sd).all()
    apart = draw_batches(still, beers, 2, 400, np.random.default_rng(2))
    mean = apart.levels.mean(apart.reflectance, to="batch")
    assert (np.abs(mean[::2] - mean[1::2]) > 5 * np.sqrt(2 / 400) * sd).any()
    # the light of a session moves all of its batches alike
    lamp = np.where(np.arange(house.batch_sd.size) == 1, 0.05, 0.0)
    lit = draw_batches(replace(still, batch_sd=lamp), beers, 2, 1, np.random.default_rng(2), np.zeros(8, int))
    level = (lit.reflectance / np.repeat(still.law.seen(-np.log(beers)), 2, axis=0))[:, -10:].mean(axis=1)
    # a light of 5 %, of which noise of 0.1 % a channel leaves the level within 0.5 %
    np.testing.assert_allclose(level, level[0], rtol=0.005)


def test_a_small_set_of_few_sessions_is_learnt_as_the_library_learns_it():
    house = house_of({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0})
    design = [Design(40.0, 10.0, house.depth_mm, 1, 4)]
    for per_session, allowed_for in ((6, True), (1, False)):
        one = replace(house, session_batches=per_session)
        tried = try_all(one, design, (0.9, 0.05), rounds=1, seed=0, n_new=12)[0][0]
        assert bool(tried.identity.choice.session_noise.size) is allowed_for


@pytest.mark.whole
def test_a_rough_plan_of_a_long_list_learns_colour_from_some_of_its_batches():
    house = house_of({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0})
    design = [Design(40.0, 10.0, house.depth_mm, 1, n) for n in (4, 8)]
    few, many = (
        [one[0] for one in try_all(house, design, (0.9, 0.05), rounds=1, seed=0, n_new=12, most=most)]
        for most in (12, 24)
    )
    assert few[0].half_width == many[0].half_width == few[1].half_width != many[1].half_width
    # identity is learnt from all
    np.testing.assert_array_equal(few[1].held, many[1].held)
    assert few[1].identity.batches_per_beer.tolist() == [8, 8, 8]


def test_sessions_mix_beers_and_every_batch_comes_once():
    names = [f"Beer {k}" for k in range(9)]
    rate = np.array([2.0, 1.0, 1.0, 0.5, 1.0, 1.0, 1.0, 1.0, 0.5])
    listed = BeerList(tuple(names), np.arange(9.0), rate, "EBC", ())
    design = Design(40.0, 10.0, 8.0, 3, 6)
    sheet = bench_sheet(listed, design, {"Beer 1": 4}, 5)
    work = sheet[sheet["turn"] > 0]
    assert not work.duplicated(["what", "batch"]).any()
    assert work["what"].value_counts().to_dict() == {n: 2 if n == "Beer 1" else 6 for n in names}
    assert (sheet.groupby("session")["turn"].first() == 0).all()
    assert work.groupby("session").size().max() <= 5
    # while all beers come in, a session holds pale, middle and dark
    place = work["what"].map(names.index)
    early = place.groupby(work["session"]).agg(["min", "max", "size"])
    early = early[(work.groupby("session")["week"].first() <= 3) & (early["size"] >= 4)]
    assert len(early) >= 3 and (early["max"] - early["min"] >= 5).all()
    assert work["to_the_lab"].all()
    assert bench_sheet(listed, design, dict.fromkeys(names, 6), 5).empty


def test_readings_that_come_in_time_by_hand():
    line = {"pallets_an_hour": 20.0, "mix_up_pallets": 10.0, "within_minutes": 60.0, "retest_minutes": 5.0}
    # ten pallets at twenty an hour pass within thirty minutes
    assert readings_in_time(np.array([0.0, 10.0, 29.0]), 30.0, line).tolist() == [2, 1, 1]
    assert readings_in_time(np.array([10.0, 31.0]), 60.0, line).tolist() == [1, 0]
    # held within twenty minutes, of which a retest takes five: the first fifteen count
    assert readings_in_time(np.array([0.0, 16.0]), 5.0, line | {"within_minutes": 20.0}).tolist() == [4, 0]


@pytest.mark.whole
def test_monte_carlo_error_is_the_one_seen(full_size):
    house = house_of({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0})
    design = [Design(40.0, 10.0, house.depth_mm, 1, 4)]
    n = 40 if full_size else 6
    each = np.array([
        [one.half_width for one in try_all(house, design, (0.9, 0.05), rounds=4, seed=seed, n_new=30)[0]]
        for seed in range(n)
    ])  # fmt: skip
    stated = np.sqrt((each.var(axis=1, ddof=1) / 4).mean())
    # a standard deviation of n means is known to 1 / sqrt(2 (n - 1)); three of these
    assert abs(np.log(each.mean(axis=1).std(ddof=1) / stated)) < 3 / np.sqrt(2 * (n - 1)) + 0.15


def test_a_plan_is_json_through_and_through(four):
    from specmatch.report.json_document import document

    text = document("plan", four)
    assert "NaN" not in text and set(json.loads(text)["results"]) >= {"advice", "curves", "line", "bench_sheet"}


def test_numbers_of_batches_may_be_one_and_a_unit_is_not_passed_over():
    assert _numbers(3, "n_pours", 1) == [3]
    with pytest.raises(OptionError, match=r"n_batches is \['x'\]; expected whole numbers"):
        _numbers(["x"], "n_batches", 3)
    with pytest.raises(TableError, match="column 'unit' is not known, and is likely meant for 'colour_unit'"):
        beer_list(pd.DataFrame({"beer": ["A", "B"], "colour": [5.0, 9.0], "unit": "SRM"}), "EBC", 1.0)


def test_two_spellings_of_one_beer_on_a_list_are_said():
    said = "beer: 'Pils' and 'pils' differ in case or marks only"
    assert any(said in note for note in beer_list({"Pils": 8.0, "Stout": 60.0, "pils": 8.5}, "EBC", 1.0).notes)


def test_a_list_of_beers_under_headings_of_several_levels_is_refused():
    table = pd.concat({"colour": pd.DataFrame({"x": [8.0, 60.0]}, index=["Pils", "Stout"])}, axis=1)
    with pytest.raises(TableError, match="lacks the column 'colour'"):
        beer_list(table, "EBC", 1.0)
