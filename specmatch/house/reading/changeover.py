"""At a changeover: how much of the beer before, or of the push water, is still in the beer after it."""

import numpy as np
import pandas as pd

from specmatch.errors import OptionError, UnknownBeerError
from specmatch.house.fitting.fitting import FittedHouse
from specmatch.house.reading.samples import SampleSet
from specmatch.maths.classification.mixtures import estimate_blend

WATER = "water"


def changeover_table(fitted: FittedHouse, samples: SampleSet, *, before: str, after: str) -> pd.DataFrame:
    """Estimate the part of another liquid in each sample."""
    for name in (before, after):
        if name not in fitted.beers and not (name == WATER and name == before):
            raise UnknownBeerError(f"{name!r} is no beer of the set; it holds {', '.join(fitted.beers)}")
    if before == after:
        raise OptionError(f"the beer before and the beer after are both {before!r}; name two")
    base, other = fitted.beers.index(after), None if before == WATER else fitted.beers.index(before)
    rows = []
    for reflectance, n_pours in zip(samples.averages.reflectance, samples.averages.counts, strict=True):
        got = estimate_blend(fitted.identity, reflectance, int(n_pours), base=base, other=other, level=0.95)
        none_seen = got.low <= 0.0
        sentence = (
            f"no {before} seen; a part under {got.smallest_visible:.0%} would mostly be missed"
            if none_seen
            else f"about {got.fraction:.0%} {before} left ({got.low:.0%} to {got.high:.0%})"
        )
        if got.p_value < 0.01:
            sentence += f"; but it looks like no blend of {before} and {after}"
        rows.append((before, after, got.fraction, got.low, got.high, got.smallest_visible, got.p_value, sentence))
    columns = [
        "before", "after", "fraction", "fraction_low", "fraction_high", "smallest_visible", "p_value", "sentence",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns, index=samples.index)
    numbers = columns[2:7]
    return table.astype(dict.fromkeys(numbers, np.float64))
