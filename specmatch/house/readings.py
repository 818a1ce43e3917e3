"""From samples to the table of readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from specmatch.array_types import Mask
from specmatch.house.colour_reading import read_colours
from specmatch.house.fitting import FittedHouse
from specmatch.house.gathering import Samples
from specmatch.house.reasons import give_reasons
from specmatch.house.row_codes import chosen_names, codes_by_row, sentences_by_row
from specmatch.maths.explained_beer import best_explained_beer
from specmatch.maths.typicality import Match

READING_COLUMNS = (
    "colour", "colour_low", "colour_high", "colour_unit", "interval_method", "nearest_beer", "p_value",
    "p_value_method", "plausible_beers", "nearest_batch", "distance", "n_pours", "warnings",
    "explanation", "colour_without_fault", "warnings_if_claimed",
)  # fmt: skip

# A good sample in twenty is rejected at a rate of 0.05: only well beyond it is it worth a transmission measurement.
CLEARLY_UNLIKE = 0.1
# Beers that a sample without a claim is held against where it is typical of none.
NEAR_BEERS = 3


def readings_table(
    fitted: FittedHouse,
    samples: Samples,
    match: Match,
    coverage: float,
    false_reject_rate: float,
    claims: Sequence[str | None] | None = None,
) -> pd.DataFrame:
    """Return a row a sample: colour with an interval, identity, warnings and the reasons behind them.

    Parameters
    ----------
    fitted : FittedHouse
    samples : Samples
    match : Match
        The samples against the beers of the set.
    coverage, false_reject_rate : float
        In (0, 1).
    claims : sequence of str or None, length n, optional
        Beer that each sample is said to be: reasons are sought against it, else against the nearest.

    Returns
    -------
    DataFrame
        Columns `READING_COLUMNS`, index `sample`.

    Examples
    --------
    >>> from specmatch.house.gathering import gather_samples
    >>> samples = gather_samples(house.fitted, session, None)
    >>> match = house.fitted.identity.match(samples.averages.reflectance, samples.averages.counts)
    >>> readings_table(house.fitted, samples, match, 0.90, 0.05)["plausible_beers"].tolist()
    [('Night Porter',), ('Meadow Pils',), ('Amber Lane',)]
    """
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
        "warnings": warnings,
        "explanation": sentences_by_row(reasons.sentences, n),
        "colour_without_fault": reasons.colour_without_fault,
        "warnings_if_claimed": only_if_claimed,
    }
    return pd.DataFrame(columns, index=samples.index)
