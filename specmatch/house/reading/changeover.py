"""At a changeover: how much of the beer before, or of the push water, is still in the beer after it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Ints
from specmatch.errors import OptionError, TooFewBatchesError, UnknownBeerError
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.samples import SampleSet
from specmatch.maths.classification.blends import (
    FEWEST,
    WITHOUT_LIGHT,
    BlendPath,
    blend_path,
    estimate_blends,
    held_out_scale,
    mean_spectra,
    read_series,
    space_of,
    without_light,
)
from specmatch.maths.optics.cup import glare_of
from specmatch.maths.optics.path_law import PathLaw, textbook_law
from specmatch.wording import listed, nearest_name

WATER = "water"
# a sample that so few blends lie as far out as is called no blend; of a series, one of all its samples (statistics)
UNLIKE = 0.01


@dataclass(frozen=True)
class ChangeoverSeries:
    """Samples over a changeover, read together."""

    first: str | None  # sample from which on it is the new beer, to the smallest visible fraction; None: not reached
    smallest_visible: float  # in this series: far less than in one sample, as all packages share their batch
    fractions: pd.Series  # part of the beer before in each sample, never rising
    sentence: str


def changeover_table(fitted: FittedHouse, samples: SampleSet, *, before: str, after: str) -> pd.DataFrame:
    """Estimate the part of another liquid in each sample."""
    before = _water_or(before)
    path = path_between(fitted, before, after)
    scores, dark = fitted.identity.metric.scores(samples.averages.reflectance), _of_the_dark(fitted, before, after)
    rows = []
    for got in estimate_blends(path, scores, samples.averages.counts):
        sentence = f"about {_share(got.fraction)} {before} left ({_share(got.low)} to {_share(got.high)})"
        if got.low <= 0.0:
            sentence = f"no {before} seen; a part under {_share(got.smallest_visible)} may be missed"
        if got.p_value < UNLIKE:
            sentence += f"; but it looks like no blend of {before} and {after}"
        sentence += dark
        rows.append((before, after, got.fraction, got.low, got.high, got.smallest_visible, got.p_value, sentence))
    columns = [
        "before", "after", "fraction", "fraction_low", "fraction_high", "smallest_visible", "p_value", "sentence",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns, index=samples.index)
    numbers = columns[2:7]
    return table.astype(dict.fromkeys(numbers, np.float64))


def _water_or(before: str) -> str:
    return WATER if str(before).strip().casefold() == WATER else before


def _in_time(index: pd.Index, scans: object) -> Ints:
    """Return the places of samples in the order that they were measured in; as given where not all say when."""
    if isinstance(scans, pd.DataFrame) and {"measured_at", "sample"} <= {*scans.columns}:
        when = pd.to_datetime(scans["measured_at"], errors="coerce", utc=True, format="ISO8601")
        when = when.groupby(scans["sample"].to_numpy()).min().reindex(index)
        if when.notna().all():
            return np.argsort(when.to_numpy(), kind="stable")
    return np.arange(len(index))


def changeover_series(
    fitted: FittedHouse, samples: SampleSet, scans: object = None, *, before: str, after: str
) -> ChangeoverSeries:
    """Read samples over a changeover together, in the order of their times, or as given where they have none."""
    if len(samples.index) < FEWEST:
        raise OptionError(f"a series over a changeover has {FEWEST} samples or more, got {len(samples.index)}")
    before = _water_or(before)
    path = path_between(fitted, before, after)
    identity, order = fitted.identity, _in_time(samples.index, scans)
    scores, counts = identity.metric.scores(samples.averages.reflectance)[order], samples.averages.counts[order]
    got = read_series(path, scores, counts, pours_known=identity.choice.pour_dof > 0)
    seen, dark, names = _share(got.smallest_visible), _of_the_dark(fitted, before, after), samples.index[order]
    if (np.diff(order) < 0).any():
        dark += "; read in the order of their times, which is not that of the sheet"
    odd, first = [], None
    if got.first is not None:
        blends = estimate_blends(path, scores[got.first :], counts[got.first :])
        far = [blend.p_value < UNLIKE / len(blends) for blend in blends]
        odd = list(names[got.first :][far])
    if odd:
        said = f"no {before} is seen in {listed(odd, 3)}, which {'look' if len(odd) > 1 else 'looks'} like no {after}"
        said += " and no blend of the two: find out what it is"
    elif got.first is not None:
        first = str(names[got.first])
        said = f"from sample {first} on it is {after}, with less than {seen} {before} in it"
    elif got.left > 0.0:
        said = f"the last samples still hold {_share(got.left)} {before} or more: it is not {after} yet"
    else:
        said = f"the part of {before} has not settled under {seen} by the last sample: take more"
    return ChangeoverSeries(first, got.smallest_visible, pd.Series(got.fractions, names), said + dark)


def path_between(fitted: FittedHouse, before: str, after: str) -> BlendPath:
    """Return where blends of two beers lie and how readings scatter about it, by as much as held-out blends do."""
    for name in (before, after):
        if name not in fitted.beers and not (name == WATER and name == before):
            meant, water = nearest_name(name, fitted.beers), ", or water before" if name == before else ""
            raise UnknownBeerError(f"{name!r} is no beer of the set{meant}; it holds {', '.join(fitted.beers)}{water}")
    if before == after:
        raise OptionError(f"the beer before and the beer after are both {before!r}; name two")
    identity = fitted.identity
    if not identity.judges:
        raise TooFewBatchesError("the set shows no scatter between batches, so no part of a beer can be told; add some")
    base, other = fitted.beers.index(after), None if before == WATER else fitted.beers.index(before)
    space = space_of(identity, _law(fitted), fitted.wavelength_nm)
    return blend_path(space, base, other).wider(*held_out_scale(identity, space, base, other))


def _law(fitted: FittedHouse) -> PathLaw:
    return fitted.path_law or textbook_law(glare_of(fitted.identity.samples.reflectance))


def _of_the_dark(fitted: FittedHouse, *names: str) -> str:
    """Return what is to be said of beers that leave next to no light of their own in much of the band."""
    names = tuple(name for name in names if name != WATER)
    spectra = mean_spectra(fitted.identity.samples)[[fitted.beers.index(name) for name in names]]
    dark = without_light(_law(fitted), spectra)
    if dark.max() < WITHOUT_LIGHT:
        return ""
    return (
        f"; {names[int(dark.argmax())]} leaves no light in {dark.max():.0%} of the channels: the limits are wide for "
        "it and still a rough guide, measure a prepared blend"
    )


def _share(fraction: float) -> str:
    return f"{fraction:.0%}" if fraction >= 0.0995 else f"{fraction:.1%}"
