"""Evaluation: batches held out whole, folds that never change, counts with their bounds.

Figures of merit on tables: what is left out, what is refused, what the layout shows.

What findings cost: what is said before and after the advice is what happens to new batches.
"""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.errors import TableError
from specmatch.house.assessment.evaluation import COST_COLUMNS, components_of_variance, figures_of_merit, follow_advice
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.reference.reference_set import ReferenceSet
from specmatch.report.text import FIGURE_WORDS


@pytest.fixture(scope="module")
def refs():
    past = Brewery(seed=4).draw(4, beers=Brewery.beers[::3])
    return sm.ReferenceSet(past.spectra, past.scans, past.batches)


@pytest.fixture(scope="module")
def result(refs):
    return sm.evaluate(sm.HouseModel(), refs, n_folds=2, seed=2)


def test_every_batch_stands_once_in_each_table(refs, result):
    names = list(refs.scans["batch"].unique())
    assert list(result.colour.index) == names
    assert list(result.identity.index) == names
    assert list(result.folds.index) == names
    assert (result.colour["lab"] == refs.batches.loc[names, "colour"]).all()
    assert (result.identity["beer"] == refs.batches.loc[names, "beer"]).all()


def test_a_held_out_batch_took_no_part(refs, result):
    # a lab value far off changes the fit, but never the prediction of its own batch
    name = refs.scans["batch"].iloc[0]
    batches = refs.batches.copy()
    batches.loc[name, "colour"] *= 1.5
    spoilt = sm.ReferenceSet(refs.spectra, refs.scans, batches)
    again = sm.evaluate(sm.HouseModel(), spoilt, n_folds=2, seed=2)
    mates = result.folds.index[result.folds == result.folds[name]]
    pd.testing.assert_frame_equal(
        again.colour.loc[mates].drop(columns="lab"), result.colour.loc[mates].drop(columns="lab")
    )
    others = result.folds.index[result.folds != result.folds[name]]
    assert not np.allclose(again.colour.loc[others, "colour"], result.colour.loc[others, "colour"])


def test_a_model_that_has_learnt_nothing_is_judged_like_one_that_has(refs, result):
    again = sm.evaluate(sm.HouseModel().fit(refs), refs, n_folds=2, seed=2)
    pd.testing.assert_series_equal(again.figures, result.figures)
    pd.testing.assert_frame_equal(again.mix_ups, result.mix_ups)
    pd.testing.assert_frame_equal(again.budget, result.budget)


@pytest.mark.whole
def test_the_same_numbers_whatever_the_order_of_rows_and_the_number_of_processes(refs, result):
    order = np.random.default_rng(0).permutation(len(refs.scans))
    shuffled = sm.ReferenceSet(refs.spectra.iloc[order], refs.scans.iloc[order], refs.batches)
    again = sm.evaluate(sm.HouseModel(), shuffled, n_folds=2, seed=2, n_jobs=2)
    assert again.folds.sort_index().equals(result.folds.sort_index())
    # the order of rows moves the sums over pours in their last digits, and the kernel matrix magnifies them
    pd.testing.assert_frame_equal(again.colour.sort_index(), result.colour.sort_index(), rtol=1e-6)
    pd.testing.assert_frame_equal(again.mix_ups, result.mix_ups)


def test_mix_ups_are_counts_of_held_out_batches_with_exact_bounds(refs, result):
    pairs = result.mix_ups[result.mix_ups["kind"] == "pair"]
    beers = sorted(refs.batches["beer"].unique())
    assert len(pairs) == len(beers) * (len(beers) - 1)
    assert (pairs["claimed"] != pairs["really"]).all()
    assert set(pairs["n"]) == {4}
    low, high = binomial_bounds((pairs["held"] * pairs["n"]).round(), pairs["n"])
    assert np.allclose(pairs["held_low"], low)
    assert np.allclose(pairs["held_high"], high)
    # beers at the two ends of the range of colours cannot be taken for each other
    ends = refs.batches.groupby("beer")["colour"].mean().sort_values().index[[0, -1]]
    row = pairs[(pairs["claimed"] == ends[0]) & (pairs["really"] == ends[1])]
    assert row["held"].iloc[0] == 1.0


def test_coverage_counts_agree_with_the_colour_table(result):
    rows = result.coverage
    of_beers = rows[rows["by"] == "beer"]
    rows = rows[rows["by"] != "beer"]
    assert set(rows["group"]) == {"all", "pale", "middle", "dark"}
    inside = (result.colour["colour_low"] <= result.colour["lab"]) & (
        result.colour["lab"] <= result.colour["colour_high"]
    )
    at_90 = rows[(rows["nominal"] == 0.90) & (rows["group"] == "all")].iloc[0]
    assert at_90["covered"] == pytest.approx(inside.mean())
    assert at_90["n"] == len(inside)
    thirds = rows[(rows["nominal"] == 0.90) & (rows["group"] != "all")]
    assert thirds["n"].sum() == len(inside)
    assert (thirds["darkest"].to_numpy()[:-1] <= thirds["palest"].to_numpy()[1:]).all()
    by_beer = of_beers[of_beers["nominal"] == 0.90].set_index("group")
    held = inside.groupby(result.identity["beer"]).agg(["sum", "size"])
    assert by_beer["n"].to_dict() == held["size"].to_dict()
    low, high = binomial_bounds(held["sum"], held["size"])
    assert by_beer.loc[held.index, "low"].to_numpy() == pytest.approx(low)
    assert by_beer.loc[held.index, "high"].to_numpy() == pytest.approx(high)


def test_every_figure_has_its_words(result):
    # the value has a name of its own only where it is no colour
    assert set(result.figures.index) == set(FIGURE_WORDS) - {"value_name"}


def test_figures_agree_with_the_tables(result):
    error = result.colour["lab"] - result.colour["colour"]
    f = result.figures
    n = f["n_colour"]
    # RMSEP^2 = SEP^2 (n-1)/n + bias^2, exactly (ISO 12099, identity from memory)
    assert f["rmsep"] ** 2 == pytest.approx(f["sep"] ** 2 * (n - 1) / n + f["bias"] ** 2)
    assert f["rmsep"] == pytest.approx(np.sqrt((error**2).mean()))
    assert f["nearest_right"] == pytest.approx((result.identity["nearest_beer"] == result.identity["beer"]).mean())
    assert f["false_hold"] == pytest.approx((result.identity["p_value_own"] <= 0.05).mean())


@pytest.mark.whole
def test_a_beer_of_one_batch_stays_out_of_the_rates():
    past = Brewery(seed=5).draw(4, beers=Brewery(seed=5).beers[:3])
    lonely = past.batches["beer"].iloc[0]
    dropped = past.batches.index[past.batches["beer"] == lonely][1:]
    scans = past.scans[~past.scans["batch"].isin(dropped)]
    refs = sm.ReferenceSet(past.spectra.loc[scans.index], scans, past.batches.drop(index=dropped))
    result = sm.evaluate(sm.HouseModel(), refs, n_folds=2)
    assert result.figures["n_identity"] == 8
    assert result.figures["n_batches"] == 9
    assert np.isnan(result.identity.loc[result.identity["beer"] == lonely, "p_value_own"]).all()


def test_pairs_that_cannot_be_told_apart_come_first_with_what_would_help(result):
    pairs = result.mix_ups[result.mix_ups["kind"] == "pair"]
    assert (np.diff(pairs["held"]) >= 0).all()
    assert ((pairs["held"] < 0.95) == (pairs["advice"] != "")).all()
    assert pairs["advice"].str.contains("pours|batches|chance").loc[pairs["held"] < 0.95].all()


def test_more_of_the_neighbour_is_held_more_often(result):
    blends = result.mix_ups[result.mix_ups["kind"] == "blend"]
    count = (blends["held"] * blends["n"]).groupby(blends["share"]).sum()
    assert count[0.1] <= count[0.2] <= count[0.3]
    in_words = [f"{row.claimed} with {row.share:.0%} {row.other}" for row in blends.itertuples()]
    assert blends["really"].tolist() == in_words
    rest = result.mix_ups[result.mix_ups["kind"] != "blend"]
    assert rest["share"].isna().all() and (rest["other"] == "").all()
    assert (blends["n"] <= 4).all()


def test_each_beer_is_left_out_once_as_an_unknown_one(result):
    unknown = result.mix_ups[result.mix_ups["kind"] == "unknown"]
    assert len(unknown) == 4
    assert unknown["n"].sum() == 16
    assert result.figures["unknown_refused"] == pytest.approx((unknown["held"] * unknown["n"]).sum() / 16)
    # beers of the house are neighbours of each other: most are refused, and some are not
    assert 0.5 < result.figures["unknown_refused"] <= 1.0
    assert 0.3 < result.figures["unknown_refused_over_colours"] <= 1.0


def test_bias_and_sep_make_up_the_error():
    lab = pd.Series([7.0, 10.0, 14.0, 20.0, 31.0], index=list("abcde"))
    colour = pd.Series([31.8, 7.5, 10.2, 14.9, 20.1], index=list("eabcd"))
    found = figures_of_merit(lab, colour)
    assert (found["n"], found["bias"]) == (5, pytest.approx(0.5))
    assert found["sep"] == pytest.approx(0.353553, abs=1e-6)
    assert found["rmsep"] == pytest.approx(0.591608, abs=1e-6)
    assert found["rmsep"] ** 2 == pytest.approx(found["bias"] ** 2 + found["sep"] ** 2 * 4 / 5)


def test_batches_without_a_pair_are_left_out_and_few_give_no_figures():
    lab = pd.Series([7.0, np.nan, 14.0, 20.0], index=list("abcd"))
    colour = pd.Series([7.5, 10.2, 14.9, 20.2, 30.0], index=list("abcde"))
    assert figures_of_merit(lab, colour)["n"] == 3
    few = figures_of_merit(lab.iloc[:2], colour)
    assert few["n"] == 1 and np.isnan(few["sep"]) and np.isnan(few["relative_error"])


def layout(n_batches: int, n_pours: int, n_scans: int, seed: int = 0) -> tuple[pd.Series, pd.DataFrame, pd.Series]:
    rng = np.random.default_rng(seed)
    rows, values = [], []
    for b in range(n_batches):
        level = 2.0 + (b % 3) + rng.normal(0, 0.05)
        for p in range(n_pours):
            pour = level + rng.normal(0, 0.012)
            for s in range(n_scans):
                rows.append({"scan_id": f"{b}-{p}-{s}", "pour": f"{b}-{p}", "batch": f"B{b}"})
                values.append(pour + rng.normal(0, 0.004))
    scans = pd.DataFrame(rows).set_index("scan_id")
    beer = pd.Series({f"B{b}": f"beer {b % 3}" for b in range(n_batches)})
    return pd.Series(values, index=scans.index), scans, beer


def test_components_of_a_known_layout():
    values, scans, beer = layout(90, 3, 3)
    found = components_of_variance(values, scans, beer)["sd"]
    # sd of 87, 180 and 540 degrees of freedom: 8 %, 5 % and 3 %; three standard errors
    np.testing.assert_allclose(found, [0.05, 0.012, 0.004], rtol=0.24)
    table = components_of_variance(values, scans, beer)
    assert ((table["sd_low"] < table["sd"]) & (table["sd"] < table["sd_high"])).all()
    assert table["df"].tolist() == [87, 180, 540]
    # without the beers, what lies between them counts as between batches
    assert components_of_variance(values, scans)["sd"]["between_batch"] > 0.5


def test_a_layer_that_is_not_repeated_says_nothing():
    values, scans, beer = layout(12, 3, 1)
    found = components_of_variance(values, scans, beer)
    assert np.isnan(found.loc["between_scan", "sd"]) and found.loc["between_scan", "df"] == 0
    assert found.loc["between_pour", "sd"] > 0
    with pytest.raises(TableError, match="no row in the scans table"):
        components_of_variance(values, scans.iloc[1:])


BEERS = ["Chalk Lager", "Meadow Pils", "Straw Blond", "Amber Lane", "Peat Stout"]


def spoilt(seed, n_batches, beers=BEERS):
    """Return a set with a tenth of its lab values a quarter off, and the batches that are."""
    drawn = Brewery(seed).draw(n_batches, beers=beers)
    rng = np.random.default_rng(seed)
    wrong = rng.permutation(drawn.batches.index)[: max(2, len(drawn.batches) // 10)]
    batches = drawn.batches.copy()
    batches.loc[wrong, "colour"] *= rng.choice([0.75, 1.25], len(wrong))
    return ReferenceSet(drawn.spectra, drawn.scans, batches), wrong


def test_advice_is_followed_by_the_edits_of_its_code_alone():
    refs, wrong = spoilt(3, 6)
    after = follow_advice(refs, "lab_value")
    changed = refs.batches.index[after.batches["colour"].isna()]
    assert len(changed) and set(changed) <= set(wrong)


@pytest.mark.whole
def test_advice_on_what_is_not_there_changes_nothing():
    refs, _ = spoilt(3, 6)
    assert follow_advice(refs, "thin_beer").batches.equals(refs.batches)


@pytest.mark.whole
def test_stated_colour_errors_are_within_a_factor_of_two_of_those_of_new_batches():
    refs, _ = spoilt(4, 8)
    costs = sm.finding_costs(refs, n_folds=3)
    assert tuple(costs.columns) == COST_COLUMNS
    shares = costs[[f"{name}_{when}" for name in ("false_hold", "mix_ups_held") for when in ("before", "after")]]
    assert ((shares >= 0.0) & (shares <= 1.0)).all(axis=None)
    costs = costs.set_index("code")
    new = Brewery(4).draw(8, draw=1, beers=BEERS)
    sample = new.scans.groupby("batch", sort=False)["sample"].first()
    for when, learnt in (("before", refs), ("after", follow_advice(refs, "lab_value"))):
        read = sm.HouseModel().fit(learnt).read(new.spectra, scans=new.scans).loc[sample]
        off = np.log(read["colour"].to_numpy(float) / new.batches["colour"].loc[sample.index].to_numpy(float))
        happened = float(np.sqrt(np.mean(off**2)))
        # of some forty batches each the error is known to a sixth, which the factor leaves room for
        assert 0.5 < costs.at["lab_value", f"colour_error_{when}"] / happened < 2.0
