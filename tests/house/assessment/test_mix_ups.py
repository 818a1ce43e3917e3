"""The mix-up table predicts what new batches of the same beers do."""

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.house.assessment.mix_ups import (
    _about_depth,
    held_pairs,
    mix_up_table,
    refused_over_colours,
    refused_unknown,
)
from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.statistics.levels import Levels, binomial_bounds


@pytest.mark.whole
@pytest.mark.slow
def test_new_batches_are_held_as_the_table_says(full_size):
    """Of pairs that are sometimes held and sometimes not, and of all pairs, few lie outside the table's bounds."""
    outside = pairs = 0
    table_held = new_held = 0.0
    for seed in range(10 if full_size else 1):
        brewery = Brewery(seed=100 + seed)
        past, new = brewery.draw(8), brewery.draw(12, draw=1)
        refs = sm.ReferenceSet(past.spectra, past.scans, past.batches)
        house = sm.HouseModel()
        table = sm.evaluate(house, refs, n_folds=8 if full_size else 4).mix_ups
        table = table[table["kind"] == "pair"].set_index(["claimed", "really"])
        p_values = house.fit(refs).p_values(new.spectra, scans=new.scans)
        batch = new.scans.groupby("sample", sort=False)["batch"].first().loc[p_values.index]
        p_values.index = batch.to_numpy()
        seen = held_pairs(p_values, new.batches.loc[p_values.index, "beer"], 0.05).set_index(["claimed", "really"])
        seen = seen.loc[table.index]
        # both are counts with an error of their own: they disagree where their 95 % bounds do not meet
        low, high = binomial_bounds(seen["count"], seen["n"])
        outside += int(((low > table["held_high"]) | (high < table["held_low"])).sum())
        pairs += len(table)
        table_held += table["held"].sum()
        new_held += (seen["count"] / seen["n"]).sum()
    # bounds of 95 % that do not even touch are rarer than 1 in 100 where the table is right
    assert outside <= binomial_bounds(round(0.01 * pairs), pairs, level=0.99)[1] * pairs
    assert abs(table_held - new_held) / pairs < 0.02


@pytest.mark.whole
def test_unknown_beers_are_counted_by_batches_and_twins_are_not_refused():
    drawn = Brewery(seed=3).draw(6, beers=Brewery(seed=3).beers[:6])
    first = Brewery(seed=3).beers[0]
    of_first = drawn.batches.index[drawn.batches["beer"] == first]
    # half of one beer's batches under another name: a twin
    batches = drawn.batches.assign(beer=np.where(drawn.batches.index.isin(of_first[:3]), "Twin", drawn.batches["beer"]))
    got = refused_unknown(sm.ReferenceSet(drawn.spectra, drawn.scans, batches), 0.05).set_index("really")
    twin = got.loc["Twin, unknown to the set"]
    others = got.drop(index=["Twin, unknown to the set", f"{first}, unknown to the set"])
    assert twin["n"] == 3
    assert twin["count"] <= 1
    assert (others["count"].sum() / others["n"].sum()) > 0.6


def matched(shapes, seed=0):
    """Six beers of twelve batches whose absorbance has a shape of their own by so much."""
    rng, nm = np.random.default_rng(seed), np.linspace(0.0, 1.0, 40)
    curves = np.cos(np.pi * np.outer(np.arange(1, 5), nm))
    own = shapes * rng.normal(size=(6, 4)) @ curves
    strength = np.repeat(np.geomspace(0.2, 0.8, 6), 12) * np.exp(rng.normal(0.0, 0.05, 72))
    A = strength[:, None] * np.exp(np.repeat(own, 12, axis=0) + rng.normal(0.0, 0.01, (72, 4)) @ curves)
    batch = np.arange(72)
    return fit_class_model(10.0**-A, Levels.of_pours(batch, batch, np.repeat(np.arange(6), 12)))


def test_unknown_beers_over_the_colours_are_refused_by_their_shapes():
    # shapes that differ as batches do tell nothing, shapes that differ ten times as much tell nearly all
    assert refused_over_colours(matched(0.01), 0.05, 0) < 0.6
    apart = matched(0.1)
    assert refused_over_colours(apart, 0.05, 0) == refused_over_colours(apart, 0.05, 0) > 0.9


@pytest.mark.parametrize(("degree", "n_beers", "free"), [(1, 4, 2), (1, 9, 7), (2, 9, 6), (3, 12, 8)])
def test_what_goes_with_depth_is_no_difference_of_recipes(degree, n_beers, free):
    # a curve in the logarithm of depth whose bend is far above the shapes, and shapes far above nothing
    rng = np.random.default_rng(3)
    log_depth = np.linspace(-2.0, 0.0, n_beers)
    curve = np.vander(log_depth, degree + 1) @ rng.normal(size=(degree + 1, 30))
    own = 0.01 * rng.normal(size=(n_beers, 30))
    about, left = _about_depth(curve + own, log_depth)
    assert left == free
    # of the variance of the shapes: 60 squares or more know it to 0.18, and two of that are allowed
    assert (about**2).sum() / (30 * left) == pytest.approx(0.01**2, rel=0.4)


def test_pairs_come_first_and_those_least_often_held_on_top(small_house):
    house = small_house[0]
    names = list(house.beers_)
    columns = ["claimed", "really", "count", "n"]
    pairs = pd.DataFrame([(names[0], names[1], 6, 6), (names[1], names[0], 3, 6)], columns=columns)
    blend = f"{names[0]} with 10% {names[1]}"
    tried = [(names[0], blend, held, 0.1, names[1]) for held in (True, False)]
    blends = pd.DataFrame(tried, columns=["claimed", "really", "held", "share", "other"])
    unknown = pd.DataFrame([("any", "unknown", 0, 4)], columns=columns)
    table = mix_up_table(pairs, blends, unknown, house.fitted, 3, 0.05)
    assert table["kind"].tolist() == ["pair", "pair", "blend", "unknown"]
    assert table["share"].iloc[2] == 0.1 and table["other"].iloc[2] == names[1]
    assert table["held"].tolist() == [0.5, 1.0, 0.5, 0.0]
    low, high = binomial_bounds(np.array([3, 6, 1, 0]), np.array([6, 6, 2, 4]))
    assert table["held_low"].tolist() == low.tolist() and table["held_high"].tolist() == high.tolist()
    assert table["advice"].iloc[0] and not table["advice"].iloc[1:].any()
