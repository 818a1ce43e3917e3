"""Which mistakes the check can catch: pairs of beers, blends with a neighbour, beers that the set does not hold."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Mask
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.fitting.pours import FEWEST_BATCHES, SetPours, gather_set
from specmatch.house.reading.samples import SampleSet
from specmatch.long_jobs import counted_off, each_of, one_thread
from specmatch.maths.classification.blends import BLEND_SHARES, hold_blends
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.classification.evidence import sample_size
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import binomial_bounds, mean_by
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

PAIR, BLEND, UNKNOWN = "pair", "blend", "unknown"
ANY_BEER = "any beer of the set"
# unknown beers that are drawn over the colours of the house: enough for two per cent; and absorbance, over its mean,
# below which a channel's shape is not told from noise (tuning)
UNKNOWN_DRAWN, FAINT = 600, 0.03
# degrees of the curve of shapes over depth: with fewer beers a degree, a bend swallowed the shapes (tuning)
BEERS_A_DEGREE, MOST_DEGREES = 4, 3
# refits without some of the beers; a set of so many beers or fewer leaves out one at a time
MOST_TURNS = 6
# a pair that is held at least so often needs no advice
GOOD_ENOUGH = 0.95

COLUMNS = ["kind", "claimed", "really", "held", "held_low", "held_high", "n", "advice", "share", "other"]


def held_pairs(p_values: pd.DataFrame, beers: pd.Series, false_reject_rate: float) -> pd.DataFrame:
    """Count for each ordered pair how often a held-out batch of one beer is refused as the other."""
    # p_values (n_batches, n_beers)
    names = list(p_values.columns)
    really = (beers.to_numpy()[:, None] == np.array(names, dtype=object)).astype(np.int64)
    p = p_values.to_numpy()
    count, n = ((seen.T @ really).tolist() for seen in (p <= false_reject_rate, ~np.isnan(p)))
    pairs = permutations(range(len(names)), 2)
    rows = [(names[i], names[j], count[i][j], n[i][j]) for i, j in pairs]
    return pd.DataFrame(rows, columns=["claimed", "really", "count", "n"])


def held_blends(
    fitted: FittedHouse, samples: SampleSet, beers: Sequence[str], false_reject_rate: float
) -> pd.DataFrame:
    """Blend held-out samples with the beer most like theirs, and judge the blends against their own name."""
    told = [row for row, beer in enumerate(beers) if beer in fitted.beers]
    rows = []
    if told and len(fitted.beers) > 1:
        means = samples.averages
        own = np.array([fitted.beers.index(beers[row]) for row in told])
        seen = np.maximum(means.reflectance[told], LEAST_REFLECTANCE)
        blends = hold_blends(fitted.identity, seen, means.counts[told], own, rate=false_reject_rate)
        for beer, neighbour, held in zip(own, *blends, strict=True):
            claimed, other = fitted.beers[beer], fitted.beers[neighbour]
            rows += [
                (claimed, f"{claimed} with {part:.0%} {other}", bool(yes), part, other)
                for part, yes in zip(BLEND_SHARES, held, strict=True)
            ]
    return pd.DataFrame(rows, columns=["claimed", "really", "held", "share", "other"])


def refused_unknown(refs: ReferenceSet, false_reject_rate: float, *, n_jobs: int | None = None) -> pd.DataFrame:
    """Leave beers out in turn and count how many of their batches every other beer refuses."""
    pours = gather_set(refs)
    of_beer = pours.levels.mean(pours.reflectance, to="beer").mean(axis=1)
    # beers left out together have others between them in colour, so that none lacks its neighbours
    turn = np.empty(of_beer.size, np.int64)
    turn[np.argsort(of_beer, kind="stable")] = np.arange(of_beer.size) % MOST_TURNS
    batches = np.bincount(turn[pours.levels.beer], minlength=MOST_TURNS)
    able = [t for t in np.unique(turn) if len(turn) > 1 and batches.sum() - batches[t] >= FEWEST_BATCHES]
    found = each_of(_refused, ((pours, turn == t, false_reject_rate) for t in able), n_jobs)
    parts = list(counted_off(found, "turns of leaving beers out", len(able)))
    counted_of = {int(beer): row for part in parts for beer, row in part.items()}
    rows = [(ANY_BEER, f"{pours.beers[k]}, unknown to the set", *counted_of[k]) for k in sorted(counted_of)]
    return pd.DataFrame(rows, columns=["claimed", "really", "count", "n"])


@one_thread()
def _refused(pours: SetPours, out: Mask, false_reject_rate: float) -> dict[int, tuple[int, int]]:
    """Return of each beer left out how many of its batches are refused, and how many there are."""
    levels = pours.levels
    first_sample = levels.sample[np.unique(levels.codes("batch"), return_index=True)[1]]
    others = pours.part(~out[levels.codes("beer")])
    fit = others.identity(false_reject_rate, others.shared_noise())
    own = first_sample[out[levels.beer]]
    p = fit.match(levels.mean(pours.reflectance, to="sample")[own], levels.counts("sample")[own]).p_value
    refused, beer = p.max(axis=1) <= false_reject_rate, levels.beer[out[levels.beer]]
    return {int(k): (int(refused[beer == k].sum()), int((beer == k).sum())) for k in np.flatnonzero(out)}


def refused_over_colours(identity: ClassModel, false_reject_rate: float, seed: int) -> float:
    """Return the share refused of beers that the house does not make, drawn over its colours; NaN of one beer."""
    samples = identity.samples
    n_beers, n_batches = samples.batches_per_beer.size, samples.beer.size
    if n_beers < 2 or n_batches < FEWEST_BATCHES:
        return float("nan")
    # Own beers left out lie far apart in colour, and the others refuse them easily. Here beers are taken as draws of
    # shapes of absorbance from a normal distribution, and further shapes drawn from it are brewed in place of a batch's
    # own: at its colour, with its strength, noise, glare and foam.
    rng = np.random.default_rng(seed)
    first = np.unique(samples.batch, return_index=True)[1]
    means = mean_by(mean_by(samples.reflectance, samples.batch)[0], samples.beer)[0]
    by_beer = -np.log10(np.maximum(means, LEAST_REFLECTANCE))
    depth = np.maximum(by_beer.mean(axis=1, keepdims=True), FAINT)
    shape = np.log(np.maximum(by_beer / depth, 0.0) + FAINT)
    about, freedom = _about_depth(shape, np.log(depth[:, 0]))
    batch = np.arange(UNKNOWN_DRAWN) % n_batches
    draws = rng.normal(0.0, 1.0 / np.sqrt(freedom), (UNKNOWN_DRAWN, n_beers))
    own, at = samples.beer[batch], depth[samples.beer[batch]]
    absorbance = -np.log10(np.maximum(samples.reflectance[first[batch]], LEAST_REFLECTANCE)) / at + FAINT
    brewed = (absorbance * np.exp(draws @ about - about[own]) - FAINT) * at
    p = identity.match(10.0**-brewed, samples.n_pours[first[batch]]).p_value
    return float((p.max(axis=1) <= false_reject_rate).mean())


def _about_depth(shape: Floats, log_depth: Floats) -> tuple[Floats, int]:
    """Return what shapes are about the curve that goes with depth, and the degrees of freedom left."""
    # shape (n_beers, p), log_depth (n_beers,)
    # Darker beers look flatter through glare and noise, and bend over a diffuse base: no difference of recipes. The
    # degree is that which tells a beer left out best (PRESS; Allen, Technometrics 16:125, 1974; from memory).
    n_beers = len(shape)
    found = []
    for degree in range(1, 1 + int(np.clip(n_beers // BEERS_A_DEGREE, 1, MOST_DEGREES))):
        curve = np.vander(log_depth, degree + 1)[:, -max(1, n_beers - 2) :]
        hat = curve @ np.linalg.pinv(curve)
        about, free = shape - hat @ shape, n_beers - curve.shape[1]
        # a curve that rests on one beer alone tells nothing of it
        left_out = about / np.maximum(1.0 - np.diag(hat), 1e-9)[:, None]
        found.append((float((left_out**2).sum()), degree, about, free))
    _, _, about, free = min(found, key=lambda one: one[:2])
    return about, free


def mix_up_table(
    pairs: pd.DataFrame, blends: pd.DataFrame, unknown: pd.DataFrame, whole: FittedHouse, n_pours: int, rate: float
) -> pd.DataFrame:
    """Lay out pairs, blends and unknown beers with their bounds, those least often held first."""
    mixed = blends.groupby(["claimed", "really", "share", "other"])["held"].agg(count="sum", n="size").reset_index()
    kinds = {PAIR: pairs, BLEND: mixed, UNKNOWN: unknown}
    table = pd.concat([rows.assign(kind=kind) for kind, rows in kinds.items()], ignore_index=True)
    count, n = table["count"].to_numpy(dtype=np.int64), table["n"].to_numpy(dtype=np.int64)
    table["held"] = np.where(n > 0, count / np.maximum(n, 1), np.nan)
    table["held_low"], table["held_high"] = binomial_bounds(count, n)
    table["n"] = n
    table["share"], table["other"] = table["share"].astype(float), table["other"].fillna("")
    place = whole.beers.index
    table["advice"] = ""
    weak = table.loc[(table["kind"] == PAIR) & (table["held"] < GOOD_ENOUGH), ["claimed", "really"]]
    for row, claimed, really in weak.itertuples():
        table.loc[row, "advice"] = _advice(whole.identity, place(claimed), place(really), n_pours, rate)
    rank = table["kind"].map(list(kinds).index)
    table = table.assign(rank=rank).sort_values(["rank", "held", "claimed", "really"], ignore_index=True)
    return table[COLUMNS]


def _advice(identity: ClassModel, claimed: int, really: int, n_pours: int, rate: float) -> str:
    got = sample_size(identity, claimed, really, n_pours=n_pours, rate=rate, wanted=GOOD_ENOUGH)
    ways = []
    if got.pours is not None and got.pours > n_pours:
        ways.append(f"{counted(got.pours, 'pour')} a sample")
    if got.batches is not None and got.batches > int(identity.batches_per_beer.min()):
        ways.append(f"{counted(got.batches, 'batch')} a beer")
    if ways:
        return f"held {GOOD_ENOUGH:.0%} of the time with {' or '.join(ways)}"
    if got.held_at_best < GOOD_ENOUGH:
        return f"no number of pours or batches will tell them apart: at best held {got.held_at_best:.0%} of the time"
    if got.held >= GOOD_ENOUGH:
        return f"expected to be held {got.held:.0%} of the time; what was counted may be chance"
    return f"more pours and more batches together; at best held {got.held_at_best:.0%} of the time"
