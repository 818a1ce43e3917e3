"""The pours of a reference set as arrays: in one order, on one band, with codes for sample, batch and beer.

Sets of more pours than scatter needs to be learnt from: which pours teach it, and a walk past all the others.

How pours and batches scatter is known to a per cent or so from some ten thousand pours, spread over all batches; more
of them would only take time. What a batch looks like, its own mean, is taken from all of its pours.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TooFewBatchesError
from specmatch.house.fitting.averaging import average, bridge_missing, refuse_wide_gaps
from specmatch.maths.faults.fault_model import FaultModel
from specmatch.maths.faults.replicates import odd_among_mates
from specmatch.maths.spectra.band import refuse_few_channels, usable_channels
from specmatch.maths.statistics.levels import Levels, parent_codes
from specmatch.spectra import check_spectra, match_wavelengths
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet


# pours that scatter is learnt from: ten thousand independent ones tell a standard deviation to 0.7 %
MOST_POURS = 20_000

# a sample with more pours than this is learnt from as one of so many
MOST_POURS_A_SAMPLE = 8

# scans that are held in memory at a time
SCANS_AT_A_TIME = 1 << 14


@dataclass(frozen=True)
class WholeBatches:
    """What all pours of a set say."""

    means: Floats  # (K, p): mean reflectance of each batch, samples weighing alike, odd pours left out
    odd_pours: tuple[str, ...]  # pours that depart from mates which agree


def pours_to_learn_from(scans: pd.DataFrame, samples_of: Mapping[str, int] | None = None) -> Mask | None:
    """Choose pours of a large set, whole samples spread evenly over each batch."""
    # -> (n_scans,)
    if scans["pour"].nunique() <= MOST_POURS:
        return None
    pour, sample, batch = (pd.factorize(scans[level])[0].astype(np.int64) for level in ("pour", "sample", "batch"))
    levels = Levels.of_pours(parent_codes(pour, sample), parent_codes(pour, batch))
    pours, samples = levels.counts("sample"), levels.counts("batch")
    kept_pours = np.minimum(pours, MOST_POURS_A_SAMPLE)
    # as many samples of each batch as fill the number, batches that have fewer giving all they have
    room = MOST_POURS / kept_pours.mean()
    share = max(1, bisect_right(range(1, samples.max() + 1), room, key=lambda n: np.minimum(samples, n).sum()))
    wanted = np.minimum(samples, share)
    for code, name in enumerate(scans["batch"].drop_duplicates()):
        wanted[code] = (samples_of or {}).get(name, wanted[code])
    sample_kept = _spread(levels.batch, wanted)
    pour_kept = _spread(levels.sample, kept_pours) & sample_kept[levels.sample]
    return None if pour_kept.all() else pour_kept[pour]


def batch_means_in_chunks(refs: ReferenceSet, pours: SetPours, faults: FaultModel) -> WholeBatches:
    """Take the mean of each batch over all of its pours, some batches at a time, and find the odd ones among them."""
    spectra, scans = refs.spectra, pours.scans
    place = spectra.index.get_indexer(scans.index)
    batch = pd.factorize(scans["batch"])[0].astype(np.int64)  # sorted by batch: codes as in `pours.batches`
    first = np.flatnonzero(np.diff(batch, prepend=-1))
    # cut between batches, after each stretch of so many scans
    cuts = first[np.flatnonzero(np.diff(first // SCANS_AT_A_TIME, prepend=0))]
    means, odd_names = np.empty((len(pours.batches), pours.wavelength_nm.size)), []
    for rows in np.split(np.arange(len(scans)), cuts):
        part = scans.iloc[rows]
        checked = check_spectra(spectra.iloc[place[rows]])
        each = average(match_wavelengths(checked, pours.wavelength_nm), part["pour"])
        bridged = bridge_missing(each.reflectance, pours.wavelength_nm)
        refuse_wide_gaps(bridged, pours.wavelength_nm, each.names)
        sample = parent_codes(each.codes, pd.factorize(part["sample"])[0])
        levels = Levels.of_pours(sample, parent_codes(each.codes, batch[rows]))
        odd, _ = odd_among_mates(faults, bridged.reflectance, sample)
        odd_names += [str(name) for name in each.names[odd]]
        # at least two mates stay of each sample, so that none falls out
        means[batch[rows[0]] : batch[rows[-1]] + 1] = levels.part(~odd).mean(bridged.reflectance[~odd], to="batch")
    return WholeBatches(means, tuple(odd_names))


def _spread(group: Ints, wanted: Ints) -> Mask:
    """Keep so many members of each group, evenly spaced; members of a group stand together."""
    sizes = np.bincount(group)
    rank = np.arange(group.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    n, k = sizes[group], wanted[group]
    return (rank + 1) * k // n > rank * k // n


FEWEST_BATCHES = 3


@dataclass(frozen=True)
class SetPours:
    """Pours of a set."""

    names: pd.Index
    reflectance: Floats  # (n, p): means over the scans of each pour, without missing values
    wavelength_nm: Floats  # (p,)
    levels: Levels
    batches: tuple[str, ...]  # batches, beers: names behind the codes
    beers: tuple[str, ...]
    lab: Floats  # lab colour of each batch, NaN where there is none
    scans: pd.DataFrame  # the rows of the scans table, all of them, sorted by batch
    some_of_many: bool  # whether the set has more pours than these, which were spread over its batches

    def without(self, odd: Mask) -> SetPours:
        """Return the same pours without some, of each sample of which at least one stays."""
        kept = ~odd
        return replace(self, names=self.names[kept], reflectance=self.reflectance[kept], levels=self.levels.part(kept))


def gather_set(
    refs: ReferenceSet,
    *,
    without: Collection[str] = (),
    first_batches: tuple[str, ...] = (),
    first_beers: tuple[str, ...] = (),
    wavelength_nm: Floats | None = None,
    samples_of: Mapping[str, int] | None = None,
) -> SetPours:
    """Average the scans of a set to pours."""
    scans = refs.scans[~refs.scans["batch"].isin(list(without))] if without else refs.scans
    names = set(scans["batch"])
    if len(names) < FEWEST_BATCHES:
        raise TooFewBatchesError(
            f"the set holds {counted(len(names), 'batch')}; a house model needs {FEWEST_BATCHES} at the very least, "
            "and 8 or more of each beer to be worth reading"
        )
    batches = tuple(map(str, [*first_batches, *sorted(names - set(first_batches))]))
    place = {name: code for code, name in enumerate(batches)}
    scans = scans.rename_axis("scan_id").assign(place=scans["batch"].map(place))
    scans = scans.sort_values(["place", "sample", "pour", "scan_id"]).drop(columns="place")
    taken = pours_to_learn_from(scans, samples_of)
    part = scans if taken is None else scans[taken]
    checked = check_spectra(refs.spectra.loc[part.index])
    pours = average(checked.values, part["pour"])
    by_pour = part.groupby(pours.codes, sort=True)[["sample", "batch"]].first()
    sample = pd.factorize(by_pour["sample"])[0].astype(np.int64)
    batch = by_pour["batch"].map(place).to_numpy(dtype=np.int64)
    if wavelength_nm is None:
        band = usable_channels(pours.reflectance, checked.wavelength_nm, refs.band_nm, sample)
        reflectance, wavelength_nm = pours.reflectance[:, band], checked.wavelength_nm[band]
        refuse_few_channels(wavelength_nm)
    else:
        checked = check_spectra(pd.DataFrame(pours.reflectance, index=pours.names, columns=checked.wavelength_nm))
        reflectance = match_wavelengths(checked, wavelength_nm)
    bridged = bridge_missing(reflectance, wavelength_nm)
    refuse_wide_gaps(bridged, wavelength_nm, pours.names)
    of_batch = refs.batches.loc[list(batches)]
    beers = (*first_beers, *sorted(set(of_batch["beer"]) - set(first_beers)))
    beer_of_batch = np.array([beers.index(beer) for beer in of_batch["beer"]], dtype=np.int64)
    return SetPours(
        names=pours.names,
        reflectance=bridged.reflectance,
        wavelength_nm=wavelength_nm,
        levels=Levels.of_pours(sample, batch, beer_of_batch[batch]),
        batches=batches,
        beers=beers,
        lab=of_batch["colour"].to_numpy(dtype=np.float64),
        scans=scans,
        some_of_many=taken is not None,
    )
