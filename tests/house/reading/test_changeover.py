"""Changeovers of invented houses: limits, what is missed, series, as often as stated."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import specmatch as sm
from benchmarks.changeover import FAR, NEAR, PUSHED, member_rows
from benchmarks.houses import spec_of
from specmatch.demo.brewery import Brewery
from specmatch.house.reading.changeover import changeover_table
from specmatch.house.reading.samples import prepare_samples


def test_beers_without_light_are_named():
    brewery = Brewery(seed=3)
    past = brewery.draw(4, beers=brewery.beers[:3])
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    new = prepare_samples(house.fitted, past.spectra.iloc[:6], None)
    first, second = house.beers_[:2]
    told = changeover_table(house.fitted, new, before=first, after=second)
    assert not told["sentence"].str.contains("no light").any()
    # half of the band of one beer holds what haze and glare send back alone
    samples = house.fitted.identity.samples
    law, dark = house.fitted.path_law, samples.reflectance.copy()
    own = np.flatnonzero(samples.beer[samples.batch] == house.beers_.index(second))
    dark[own, : dark.shape[1] // 2] = float(law.seen(-np.log(np.full((1, dark.shape[1]), 0.009)))[0, 0])
    identity = replace(house.fitted.identity, samples=replace(samples, reflectance=dark))
    for of in ({"before": first, "after": second}, {"before": second, "after": first}):
        told = changeover_table(replace(house.fitted, identity=identity), new, **of)
        assert told["sentence"].str.contains(f"{second} leaves no light in .* of the channels").all()


DRAWN = [f"drawn_{n}" for n in (*range(1112, 1118), *range(1160, 1166))]  # houses that nothing was set on
SEED = 1


@pytest.mark.slow
@pytest.mark.whole
def test_changeovers_keep_their_word_on_invented_houses(full_size, claim):
    names = DRAWN if full_size else ("four_taps",)
    step = 1 if full_size else 4
    rows = pd.DataFrame([row for name in names for row in member_rows(spec_of(name), SEED, judged=False, step=step)])
    sums = rows.groupby("kind")[["covered", "n"]].sum()
    missed, above = rows["missed"].sum(), rows["above"].sum()
    found, series = rows["found"].sum(), rows["series"].sum()
    if not full_size:
        # four pairs of one house of 24 batches, whose blends share the means of its beers: a wide net
        assert sums["covered"].sum() >= 0.8 * sums["n"].sum()
        assert above > 20 and missed <= 0.1 * above and found >= 0.6 * series
        return

    def covered(kind):
        # blends of a house share its set: bounds are those of a mean over houses
        of_house = rows[rows["kind"] == kind].groupby("member")[["covered", "n"]].sum()
        shares, figure = of_house["covered"] / of_house["n"], sums["covered"][kind] / sums["n"][kind]
        reach = 1.96 * shares.std(ddof=1) / np.sqrt(len(shares))
        return {"figure": figure, "n": sums["n"][kind], "bounds": (figure - reach, min(1.0, figure + reach))}

    claim("changeover_neighbours", **covered(NEAR))
    claim("changeover_far", **covered(FAR))
    claim("changeover_water", **covered(PUSHED))
    claim("blend_missed", missed / above, above)
    claim("series_found", found / series, series)
