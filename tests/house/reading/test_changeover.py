"""Changeovers of invented houses: limits, what is missed, series, as often as stated."""

import pandas as pd
import pytest

from benchmarks.changeover import FAR, NEAR, PUSHED, member_rows
from benchmarks.houses import spec_of

DRAWN = [f"drawn_{n}" for n in range(350, 356)]  # houses that nothing was looked at on
SEED = 1


@pytest.mark.slow
@pytest.mark.whole
def test_changeovers_keep_their_word_on_invented_houses(full_size, claim):
    names = DRAWN if full_size else ("four_taps",)
    step = 2 if full_size else 4
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
        return {"figure": sums["covered"][kind] / sums["n"][kind], "n": sums["n"][kind]}

    claim("changeover_neighbours", **covered(NEAR))
    claim("changeover_far", **covered(FAR))
    claim("changeover_water", **covered(PUSHED))
    claim("blend_missed", missed / above, above)
    claim("series_found", found / series, series)
