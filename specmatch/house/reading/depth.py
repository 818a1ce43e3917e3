"""Samples at another depth of beer than the model's: brought to it, and how wrong that may have gone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.maths.optics.path_law import SECOND_FILL, TEXTBOOK, PathLaw
from specmatch.maths.regression.conformal import widen_limits
from specmatch.maths.statistics.levels import mean_by
from specmatch.measurement.reflectance.path_length import NO_FILL, ONE_KIND, SetDepth, fillings

UNKNOWN, OUT_OF_RANGE = "depth_unknown", "path_out_of_range"
# a law taught between two depths serves a little beyond them
BEYOND = 1.15
_UNKNOWN_ONLY = (UNKNOWN,)


@dataclass(frozen=True)
class Brought:
    """Scans at the model's depth."""

    measured: Floats  # measured, reflectance: (n, p): as they were and as brought
    reflectance: Floats
    factor: Floats  # (n,): what absorbance was multiplied by; 1.0 where nothing was done
    path_sd: Floats  # (n,): relative uncertainty of that
    unknown: dict[int, str]  # row -> what is not stated of it
    out_of_range: Mask  # (n,)


@dataclass(frozen=True)
class SampleDepths:
    """What bringing samples to the model's depth did to them."""

    factor: Floats  # (n,)
    rows: Ints  # (k,): samples that were brought
    directions: Floats  # (k, r, p): how each may be wrong, a standard deviation long
    gain: Floats  # (k, p): by what its noise has grown
    codes: dict[int, tuple[str, ...]]  # row -> warning codes
    sentences: dict[int, tuple[str, ...]]
    codes_of_all: tuple[str, ...] = ()  # codes_of_all, sentences_of_all: of every row, before its own
    sentences_of_all: tuple[str, ...] = ()


def depths_unstated(fitted: FittedHouse, n: int) -> SampleDepths | None:
    """Return what is to be said of samples whose scans come without a table; None where the model knows no depth."""
    if fitted.depth is None or fitted.path_law is None:
        return None
    none = np.zeros((0, fitted.wavelength_nm.size))
    said = f"{NO_FILL}: {_taken_as(fitted.depth)}"
    return SampleDepths(
        np.ones(n), np.zeros(0, np.int64), np.zeros((0, 1, none.shape[1])), none, {}, {}, _UNKNOWN_ONLY, (said,)
    )


def _taken_as(depth: SetDepth) -> str:
    return f"taken to be at the set's depth, {depth.said}; 1 % more beer reads 1 % darker"


def bring_scans(fitted: FittedHouse, reflectance: Floats, scans: pd.DataFrame) -> Brought | None:
    """Bring scans to the depth of a model; None where the model knows none."""
    # reflectance (n, p)
    depth, law = fitted.depth, fitted.path_law
    if depth is None or law is None:
        return None
    found = fillings(scans, depth)
    factor = np.where(found.elsewhere & np.isfinite(found.factor), found.factor, 1.0)
    out_of_range, moved = found.out_of_range, factor != 1.0
    values = reflectance
    if moved.any():
        values = reflectance.copy()
        values[moved] = law.to_depth(reflectance[moved], factor[moved])
        out_of_range[moved] |= law.no_light(reflectance[moved], factor[moved])
    return Brought(reflectance, values, factor, found.path_sd, found.unknown, out_of_range)


def depths_of_samples(fitted: FittedHouse, brought: Brought, names: pd.Index, sample_of_scan: Ints) -> SampleDepths:
    """Gather what is to be said of samples, and how wrong their mean spectra may be."""
    # sample_of_scan (n_scans,)
    assert fitted.depth is not None and fitted.path_law is not None  # they were brought by it
    both = mean_by(np.column_stack([brought.factor, brought.path_sd]), sample_of_scan)[0]
    factor, path_sd = both[:, 0], both[:, 1]
    rows = np.flatnonzero((factor != 1.0) | (path_sd > 0.0))
    law = fitted.path_law
    # pours differ little beside what bringing does: the mean as measured stands for them
    place = np.full(len(names), -1)
    place[rows] = np.arange(rows.size)
    of_row = place[sample_of_scan]
    raw = mean_by(brought.measured[of_row >= 0], of_row[of_row >= 0])[0]
    directions = law.directions(raw, factor[rows], path_sd[rows])
    out = np.flatnonzero(np.bincount(sample_of_scan[brought.out_of_range], minlength=len(names)))
    codes: dict[int, tuple[str, ...]] = dict.fromkeys(out.tolist(), (OUT_OF_RANGE,))
    sentences: dict[int, tuple[str, ...]] = {}
    at = _taken_as(fitted.depth)
    row_of = sample_of_scan.tolist()
    # most often one thing is lacking of all scans: their rows share its words
    said = {lacking: (f"{lacking}: {at}",) for lacking in set(brought.unknown.values())}
    for scan, lacking in brought.unknown.items():
        row = row_of[scan]
        before = codes.get(row, ())
        if UNKNOWN not in before:
            codes[row] = (*before, UNKNOWN) if before else _UNKNOWN_ONLY
            sentences[row] = said[lacking]
    for row in np.flatnonzero(np.abs(np.log(factor)) > ONE_KIND).tolist():
        sentences[row] = (*sentences.get(row, ()), _how(fitted.depth, law, float(factor[row])))
    return SampleDepths(factor, rows, directions, law.gain(raw, factor[rows]), codes, sentences)


def _how(depth: SetDepth, law: PathLaw, factor: float) -> str:
    said = f"brought to the set's depth, {depth.said}: absorbance times {factor:.3g}"
    if law.taught_by == SECOND_FILL:
        inside = law.lowest / BEYOND <= 1.0 / factor <= law.highest * BEYOND
        if inside:
            return f"{said}, as {law.n_batches} batches at a second fill taught"
        return f"{said}, beyond the fillings that taught how ({law.lowest:.2g} to {law.highest:.2g} of the set's depth)"
    advice = "measure six batches of the set at this filling too"
    if law.taught_by == TEXTBOOK:
        return f"{said}, by the textbook law, which serves near the set's depth only: {advice}"
    return f"{said}, as its lab colours say that this cup and base go; to know better {advice}"


def widened(
    colour: Floats, low: Floats, high: Floats, depths: SampleDepths, means: Floats,
    predict: Callable[[Floats], Floats], coverage: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Widen colour intervals by what bringing samples to the model's depth may have done to them."""
    # colour, low, high (n,), means (n, p) -> (n,), (n,)
    if depths.rows.size == 0:
        return low, high
    rows, (k, r, p) = depths.rows, depths.directions.shape
    moved = predict((means[rows][:, None, :] + depths.directions).reshape(k * r, p)).reshape(k, r)
    middle = colour[rows]
    if (middle > 0).all() and (moved > 0).all():
        sd = np.sqrt((np.log(moved / middle[:, None]) ** 2).sum(axis=1))
    else:
        apart = np.sqrt(((moved - middle[:, None]) ** 2).sum(axis=1))
        sd = apart / np.maximum(np.abs(middle), np.finfo(float).tiny)
    low, high = low.copy(), high.copy()
    low[rows], high[rows] = widen_limits(middle, low[rows], high[rows], float(ndtri(0.5 + coverage / 2.0)) * sd)
    return low, high
