"""What a model can and cannot do, in sentences with their numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from specmatch.batches import VALUE_NAME, values_of
from specmatch.house.assessment.evaluation import ALL, BEER, COLOUR, Evaluation
from specmatch.house.assessment.mix_ups import BLEND, PAIR, UNKNOWN
from specmatch.maths.classification.blends import BLEND_SHARES
from specmatch.maths.statistics.levels import binomial_bounds
from specmatch.wording import counted

# why a page or a command may say 0 % here and holds a week there
HELD_AND_A_WEEK = (
    "A share of right claims held is of single readings, one of each batch. A line takes many readings of a run, and "
    "each is one more chance to depart: so it may be 0.0 % here while evaluate states some false holds a week."
)
# a pair of beers is named when this share of held-out batches, or more, would slip through
_NAMED = 0.10
_MOST_NAMED, _MOST_BEERS_NAMED = 3, 6

PROVES_NOTHING = "Prove what a liquid is: it compares colours and shapes of spectra, nothing else."
# the same two in a line, for a first screen
IT_CANNOT = "prove what a liquid is, or refuse every beer that the set does not hold"
ALWAYS_TRUE = (
    PROVES_NOTHING,
    "Promise to refuse a beer that the set does not hold: one that looks like yours passes.",
    "See a small part of another beer in the right one.",
)


def evaluated_abilities(found: Evaluation, unit: str) -> tuple[list[str], list[str]]:
    """Say what a model can and cannot do from its evaluation with batches held out."""
    figures = found.figures
    can, cannot = [], []
    n, n_identity = int(figures["n_colour"]), int(figures["n_identity"])
    what, error = figures.get("value_name", VALUE_NAME), f"{figures['rmsep']:.2g} {unit}"
    if math.isfinite(figures["rmsep"]):
        relative = figures["relative_error"]
        within, rest = (f"{relative:.1%}", f"; {error}") if math.isfinite(relative) else (error, "")
        can.append(
            f"Read {what} within {within} of the lab value (root mean square over {counted(n, 'batch')}, each held "
            f"out{rest})."
        )
        level = figures["nominal_coverage"]
        row = found.coverage[(found.coverage["nominal"] == level) & (found.coverage["by"] == ALL)].iloc[0]
        said = f"{row['covered']:.0%} of {n} lab {values_of(what)} lay in their {level:.0%} interval"
        bounds = f"95% bounds {row['low']:.0%} to {row['high']:.0%}"
        if row["high"] < level:
            cannot.append(f"Give intervals that hold what they state: {said} ({bounds}).")
        else:
            can.append(f"Say how sure it is of its {values_of(what)}: {said} ({bounds}).")
        weak = _thirds_that_miss(found.coverage, level)
        if weak:
            cannot.append(f"Promise as much for {' and '.join(weak)} beers by themselves: their intervals cover less.")
        cannot += beers_covered_less(found.coverage, level)
    else:
        cannot.append(f"Read {what}: too few batches have a lab {what}.")
    if n_identity:
        if figures["n_beers"] > 1:
            can.append(
                f"Name the nearest of {figures['n_beers']} beers: right for {figures['nearest_right']:.1%} of "
                f"{counted(n_identity, 'held-out batch')} (at least {figures['nearest_right_low']:.1%}, 95% bound)."
            )
        pairs = found.mix_ups[found.mix_ups["kind"] == PAIR]
        if pairs["n"].sum():
            can.append(
                f"Hold {_share(pairs):.1%} of claims that one beer of the set is another ({pairs['n'].sum()} tried)."
            )
        cannot.append(
            f"Pass every right claim: {figures['false_hold']:.1%} were held (stated "
            f"{figures['stated_false_reject_rate']:.0%}; at most {figures['false_hold_high']:.1%}, 95% bound)."
        )
        cannot += _missed(pairs)
    return can, [*cannot, PROVES_NOTHING, _unknown(found.mix_ups), _blends(found.mix_ups)]


def blends_by_part(mix_ups: pd.DataFrame) -> dict[float, pd.DataFrame]:
    """Return the rows about blends, by the part of the other beer."""
    blends = mix_ups[mix_ups["kind"] == BLEND]
    return {part: rows for part in BLEND_SHARES if len(rows := blends[blends["share"] == part])}


def _unknown(mix_ups: pd.DataFrame) -> str:
    left_out = mix_ups[mix_ups["kind"] == UNKNOWN]
    if not left_out["n"].sum():
        return ALWAYS_TRUE[1]
    share = _share(left_out)
    rest = "the rest passed for one of them" if share < 1.0 else "a beer that is more like one of yours may pass"
    return (
        "Promise to refuse a beer that the set does not hold: when each beer was left out in turn, "
        f"{share:.0%} of its batches were refused by all the others; {rest}."
    )


def _blends(mix_ups: pd.DataFrame) -> str:
    shares = [f"{_share(rows):.0%} with {part:.0%} of it" for part, rows in blends_by_part(mix_ups).items()]
    if not shares:
        return ALWAYS_TRUE[2]
    return f"See a small part of the beer most like it: computed blends were held in {', '.join(shares)}."


def _share(rows: pd.DataFrame) -> float:
    return float((rows["held"] * rows["n"]).sum() / rows["n"].sum())


def thin_beers(beers: Sequence[str]) -> list[str]:
    """Return a sentence about beers with too few batches, or none."""
    if not beers:
        return []
    more = f" and {counted(len(beers) - _MOST_BEERS_NAMED, 'more beer')}" if len(beers) > _MOST_BEERS_NAMED else ""
    named = ", ".join(beers[:_MOST_BEERS_NAMED])
    return [f"Say much of {named}{more}: too few batches for a scatter of their own."]


def beers_covered_less(coverage: pd.DataFrame, level: float) -> list[str]:
    """Say which beers' lab colours lie in their intervals surely less often than stated, or that none do."""
    part = coverage[(coverage["nominal"] == level) & (coverage["by"] == BEER)]
    # one bound in forty lies below by chance: of so many beers together one in twenty sets has any
    weak = part[binomial_bounds(part["covered"] * part["n"], part["n"], 1.0 - 0.1 / max(len(part), 1))[1] < level]
    named = ", ".join(f"{row.group} ({row.covered:.0%} of {row.n})" for row in weak.itertuples())
    return [f"Promise as much for every beer: covered surely less often is {named}."] if named else []


def _thirds_that_miss(coverage: pd.DataFrame, level: float) -> list[str]:
    part = coverage[(coverage["nominal"] == level) & (coverage["by"] == COLOUR)]
    return [str(group) for group, high in zip(part["group"], part["high"], strict=True) if high < level]


def _missed(mix_ups: pd.DataFrame) -> list[str]:
    weak = mix_ups[(mix_ups["held"] < 1.0 - _NAMED) & (mix_ups["n"] > 0)].sort_values(["held", "claimed", "really"])
    said = [
        f"Tell {row.really} from {row.claimed} when it is claimed to be {row.claimed}: "
        f"{row.held:.0%} of {counted(row.n, 'batch')} {'was' if row.n == 1 else 'were'} held."
        for row in weak.head(_MOST_NAMED).itertuples()
    ]
    more = len(weak) - len(said)
    return [*said, f"Tell apart {counted(more, 'more pair')}, listed in the table of mix-ups."] if more > 0 else said
