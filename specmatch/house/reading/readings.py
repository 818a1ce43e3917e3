"""From samples to the table of readings.

Warning codes and other columns of readings laid out a row at a time, quick where most rows have nothing to say.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.array_types import Mask
from specmatch.house.fitting.fitting import FittedHouse
from specmatch.house.reading.colour import read_colours
from specmatch.house.reading.explanations import give_reasons
from specmatch.house.reading.samples import SampleSet
from specmatch.maths.classification.class_model import Match
from specmatch.maths.faults.fault_model import best_explained_beer

Objects = NDArray[np.object_]

# fewer rows than this are laid out one by one: finding what repeats would take longer
FEW_ROWS = 32

# names that are looked at together: their choice is one whole number
BITS = 31


def codes_by_row(
    names: pd.Index,
    of_sample: Mapping[str, Iterable[str]],
    before: Mapping[int, Iterable[str]],
    flagged: Sequence[tuple[Mask, tuple[str, ...]]],
    after: Mapping[int, Iterable[str]],
    always: tuple[str, ...],
) -> Objects:
    """Return the codes of each row, each once, in the order of the arguments."""
    # -> (n,)
    codes = np.empty(len(names), dtype=object)
    codes[:] = [always] * len(names)
    rows = {int(row) for mask, _ in flagged for row in np.flatnonzero(mask)}.union(before, after)
    if of_sample:
        rows.update(np.flatnonzero(names.isin(list(of_sample))).tolist())
    for row in rows:
        raised = [code for mask, added in flagged if mask[row] for code in added]
        own = of_sample.get(names[row], ()) if of_sample else ()
        codes[row] = tuple(dict.fromkeys([*own, *before.get(row, ()), *raised, *after.get(row, ()), *always]))
    return codes


def chosen_names(chosen: Mask, names: Sequence[str]) -> Objects:
    """Return for each row the names that it chooses."""
    # chosen (n, m) -> (n,)
    patterns, of_row = chosen, np.arange(len(chosen))
    if len(chosen) >= FEW_ROWS:
        of_row = np.zeros(len(chosen), np.int64)
        for start in range(0, len(names), BITS):
            part = chosen[:, start : start + BITS]
            # rows that were alike so far, told apart by the next names
            of_row = pd.factorize((of_row << BITS) + part @ (1 << np.arange(part.shape[1])))[0].astype(np.int64)
        patterns = chosen[np.unique(of_row, return_index=True)[1]]
    tuples = np.empty(len(patterns), dtype=object)
    for row, mask in enumerate(patterns.tolist()):
        tuples[row] = tuple(name for name, one in zip(names, mask, strict=True) if one)
    return tuples[of_row]


def sentences_by_row(sentences: Mapping[int, Iterable[str]], n: int) -> Objects:
    """Return the sentences of each row as one text, blank where there are none."""
    # -> (n,)
    texts = np.full(n, "", dtype=object)
    for row, said in sentences.items():
        texts[row] = "; ".join(said)
    return texts


READING_COLUMNS = (
    "colour", "colour_low", "colour_high", "colour_unit", "interval_method", "nearest_beer", "p_value",
    "p_value_method", "plausible_beers", "nearest_batch", "distance", "n_pours", "instrument", "warnings",
    "explanation", "colour_without_fault", "warnings_if_claimed",
)  # fmt: skip

# A good sample in twenty is rejected at a rate of 0.05: only well beyond it is it worth a transmission measurement.
CLEARLY_UNLIKE = 0.1

# Beers that a sample without a claim is held against where it is typical of none.
NEAR_BEERS = 3


def readings_table(
    fitted: FittedHouse,
    samples: SampleSet,
    match: Match,
    coverage: float,
    false_reject_rate: float,
    claims: Sequence[str | None] | None = None,
) -> pd.DataFrame:
    """Return a row a sample: colour with an interval, identity, warnings and the reasons behind them."""
    f, means = fitted, samples.averages
    n = len(means.names)
    nearest = match.distance.argmin(axis=1)
    rows = np.arange(n)
    plausible = match.p_value > false_reject_rate
    outside_domain = f.domain.check(means.reflectance, means.counts).outside
    # without whole stretches of the spectrum there is an identity on what is left, and no colour and no reason
    partial = np.zeros(n, bool) if samples.missing is None else samples.missing.any(axis=1)
    outside_domain = outside_domain & ~partial
    colour_codes: dict[int, list[str]] = {}
    if f.colour is None or f.cautions is None:
        colour = low = high = np.full(n, np.nan)
        method, normal = "none: the set holds too few lab colours", False
    else:
        got = read_colours(
            f.colour, f.cautions, means.reflectance, means.counts, coverage,
            nearest=nearest, known=plausible.any(axis=1) & np.logical_not(outside_domain),
        )  # fmt: skip
        colour, low, high, method, normal = got.colour, got.low, got.high, got.method, got.normal_errors_assumed
        colour_codes = got.codes
        if partial.any():
            colour, low, high = (np.where(partial, np.nan, values) for values in (colour, low, high))
    beer = nearest.copy()
    lost = np.flatnonzero(np.logical_not(plausible.any(axis=1)))
    if lost.size:
        # a fault may have carried it nearer to another beer than to its own
        near = match.distance[lost].argsort(axis=1)[:, :NEAR_BEERS]
        # beers that were not offered then are infinitely far: the nearest stands in for them
        near = np.where(np.isinf(np.take_along_axis(match.distance[lost], near, axis=1)), near[:, :1], near)
        beer[lost] = best_explained_beer(f.faults, means.reflectance[lost], means.counts[lost], near)
    for row, claim in enumerate(claims or ()):
        # a package label may stand for several beers: then the nearest serves as well
        if claim in f.beers:
            beer[row] = f.beers.index(claim)
    unlike = np.fmax.reduce(match.p_value, axis=1, initial=0.0) <= CLEARLY_UNLIKE * false_reject_rate
    reasons = give_reasons(f, samples, beer=beer, colour=colour, unlike=unlike)
    known = plausible.sum(axis=1)
    outside_colour = np.zeros(n, bool)
    if f.colour is not None:
        outside_colour = np.logical_not((f.lowest_colour <= colour) & (colour <= f.highest_colour))
    flagged: list[tuple[Mask, tuple[str, ...]]] = [
        (outside_colour, ("outside_colour_range",)),
        (known == 0, ("unlike_any_beer", "interval_not_covered")),
        # it may pass for a beer of the set, but the colour regression has not seen its kind
        (outside_domain, ("interval_not_covered",)),
        (known > 1, ("ambiguous_beer",)),
        (np.asarray(f.identity.too_few_batches)[nearest], ("too_few_batches",)),
    ]
    always = ("normal_errors_assumed",) if normal else ()
    warnings = codes_by_row(means.names, samples.warnings, reasons.codes, flagged, colour_codes, always)
    only_if_claimed = np.empty(n, dtype=object)
    only_if_claimed[:] = [()] * n
    for row, codes in reasons.against_beer.items():
        # typical of another beer: what was sought against the claim most likely never happened
        if claims and claims[row] in f.beers and plausible[row].any() and not plausible[row, beer[row]]:
            of_scans = samples.warnings.get(means.names[row], ())
            only_if_claimed[row] = tuple(code for code in codes if code not in of_scans)
    beers, batches = np.array(f.beers, dtype=object), np.array(f.batches, dtype=object)
    columns = {  # in the order of `READING_COLUMNS`
        "colour": colour,
        "colour_low": low,
        "colour_high": high,
        "colour_unit": f.colour_unit,
        "interval_method": method,
        "nearest_beer": beers[nearest],
        "p_value": match.p_value[rows, nearest],
        "p_value_method": np.array(match.p_method, dtype=object)[nearest],
        "plausible_beers": chosen_names(plausible, f.beers),
        "nearest_batch": batches[match.nearest_batch],
        "distance": match.nearest_distance,
        "n_pours": means.counts,
        "instrument": np.array(samples.instruments or [""] * n, dtype=object),
        "warnings": warnings,
        "explanation": sentences_by_row(reasons.sentences, n),
        "colour_without_fault": reasons.colour_without_fault,
        "warnings_if_claimed": only_if_claimed,
    }
    return pd.DataFrame(columns, index=samples.index)
