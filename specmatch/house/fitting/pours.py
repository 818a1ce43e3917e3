"""From scans to pours to samples by plain means, missing channels bridged; the pours of a reference set as arrays."""

# of very many pours some, spread over all batches, teach the scatter; a batch's mean is taken from all of its own

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import in_ebc, lab_values_of
from specmatch.errors import ReferenceSetError, TableError, TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.classification.class_model import ClassModel, fit_class_model
from specmatch.maths.classification.sessions import SharedNoise, shared_noise
from specmatch.maths.faults.fault_model import FaultModel
from specmatch.maths.faults.replicates import odd_among_mates
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.regression.lab_effects import LabValues
from specmatch.maths.spectra.channels import refuse_few_channels
from specmatch.maths.statistics.levels import Levels, mean_by, parent_codes, place_within
from specmatch.measurement.reflectance.path_length import SetDepth, bring_pours, depth_of_set, unfit_for_one_depth
from specmatch.reference.tables.edits import before_recipe
from specmatch.reference.tables.pours import band_at_one_depth, depth_factors, scans_of_module, sessions_of
from specmatch.spectra import check_spectra, match_wavelengths
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet


# A gap up to one slit width holds nothing that its neighbours do not tell: a mini-spectrometer's slit passes 12-15 nm.
LARGEST_BRIDGED_NM = 15.0


@dataclass(frozen=True)
class Averages:
    """Means over the scans of one level (pour or sample)."""

    names: pd.Index  # in order of first appearance
    reflectance: Floats  # (m, p)
    codes: Ints  # (n,): which of `names` each row averaged belongs to
    counts: Ints  # (m,): rows behind each mean


def average(reflectance: Floats, labels: pd.Series) -> Averages:
    """Average the rows that share a label."""
    # reflectance (n, p)
    codes, names = pd.factorize(labels.to_numpy(dtype=object))
    codes = codes.astype(np.int64)
    if len(names) == len(codes):
        return Averages(pd.Index(names), reflectance, codes, np.ones(len(names), dtype=np.int64))
    means, counts = mean_by(reflectance, codes)
    return Averages(pd.Index(names), means, codes, counts)


@dataclass(frozen=True)
class Interpolated:
    """Scans without missing values."""

    # (n, p): missing channels filled along a straight line; the input itself when nothing was missing
    reflectance: Floats
    lacking: Mask  # (n,): scans in which something was missing
    # (n, p): channels of gaps wider than one slit width, whose filling is no measurement; None when there are none
    wide: Mask | None


def bridge_missing(reflectance: Floats, wavelength_nm: Floats) -> Interpolated:
    """Fill missing channels along a straight line between their neighbours, and say where that was done."""
    # reflectance (n, p), wavelength_nm (p,)
    if not np.isnan(reflectance.sum()):  # nothing is infinite behind the gate
        return Interpolated(reflectance, np.zeros(len(reflectance), bool), None)
    missing = np.isnan(reflectance)
    lacking = np.asarray(missing.any(axis=1))
    filled, wide = reflectance.copy(), np.zeros_like(missing)
    for row in np.flatnonzero(lacking):
        present = wavelength_nm[~missing[row]]
        if present.size == 0:
            # the set's band is outside all that the scan holds: whoever judges it will find no channel left
            filled[row], wide[row] = 1.0, True
            continue
        filled[row] = np.interp(wavelength_nm, present, reflectance[row, ~missing[row]])
        # an edge has one neighbour only: the gap counts from it to the last wavelength needed
        edges = np.concatenate([[wavelength_nm[0]], present, [wavelength_nm[-1]]])
        gap = np.clip(np.searchsorted(edges, wavelength_nm, side="left"), 1, edges.size - 1)
        wide[row] = missing[row] & (edges[gap] - edges[gap - 1] > LARGEST_BRIDGED_NM)
        wide[row, 0] = missing[row, 0] and present[0] - wavelength_nm[0] > LARGEST_BRIDGED_NM
    return Interpolated(filled, lacking, wide if wide.any() else None)


def refuse_wide_gaps(bridged: Interpolated, wavelength_nm: Floats, scan_ids: pd.Index) -> None:
    """Refuse scans with a gap that cannot be bridged."""
    # wavelength_nm (p,)
    if bridged.wide is None:
        return
    row = int(bridged.wide.any(axis=1).argmax())
    lost = wavelength_nm[bridged.wide[row]]
    raise WavelengthMismatchError(
        f"scan {scan_ids[row]!r} has no values from {lost[0]:.1f} to {lost[-1]:.1f} nm, which the model needs; "
        f"a gap of up to {LARGEST_BRIDGED_NM:g} nm can be bridged: measure it again"
    )


# pours that scatter is learnt from: ten thousand independent ones tell a standard deviation to 0.7 %
MOST_POURS = 20_000

# a sample with more pours than this is learnt from as one of so many
MOST_POURS_A_SAMPLE = 8

# the set's own gate has looked at the axis
_checked = partial(check_spectra, any_wavelength=True)

# scans that are held in memory at a time
SCANS_AT_A_TIME = 1 << 14


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


def batch_means_in_chunks(refs: ReferenceSet, pours: SetPours, faults: FaultModel) -> tuple[Floats, list[str]]:
    """Take the mean of each batch over all of its pours, some batches at a time, and find the odd ones among them."""
    # -> (K, p), samples weighing alike, odd pours left out; the names of those
    spectra, scans = refs.spectra, pours.scans
    place = spectra.index.get_indexer(scans.index)
    batch = pd.factorize(scans["batch"])[0].astype(np.int64)  # sorted by batch: codes as in `pours.batches`
    first = np.flatnonzero(np.diff(batch, prepend=-1))
    # cut between batches, after each stretch of so many scans
    cuts = first[np.flatnonzero(np.diff(first // SCANS_AT_A_TIME, prepend=0))]
    means, odd_names = np.empty((len(pours.batches), pours.wavelength_nm.size)), []
    for rows in np.split(np.arange(len(scans)), cuts):
        part = scans.iloc[rows]
        checked = _checked(spectra.iloc[place[rows]])
        each = average(match_wavelengths(checked, pours.wavelength_nm), part["pour"])
        bridged = bridge_missing(each.reflectance, pours.wavelength_nm)
        refuse_wide_gaps(bridged, pours.wavelength_nm, each.names)
        names, values = each.names, bridged.reflectance
        of_scan = (pd.factorize(part["sample"])[0], batch[rows])
        sample, of_batch = (parent_codes(each.codes, codes) for codes in of_scan)
        if pours.depth is not None:
            none = np.full(len(pours.batches), np.nan)
            factor = depth_factors(part, pours.depth, each.codes)
            one = bring_pours(values, factor, of_batch, none, pours.wavelength_nm, pours.path_law)
            names, values = names[one.kept], one.reflectance[one.kept]
            sample, of_batch = sample[one.kept], of_batch[one.kept]
        levels = Levels.of_pours(sample, of_batch)
        odd, _ = odd_among_mates(faults, values, levels.sample)
        odd_names += [str(name) for name in names[odd]]
        # at least two mates stay of each sample, so that none falls out
        means[batch[rows[0]] : batch[rows[-1]] + 1] = levels.part(~odd).mean(values[~odd], to="batch")
    return means, odd_names


def _spread(group: Ints, wanted: Ints) -> Mask:
    """Keep so many members of each group, evenly spaced."""
    n, k, rank = np.bincount(group)[group], wanted[group], place_within(group)
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
    session: Ints  # (K,): code of the session of each batch; a batch of none that is known, or of several, has its own
    scans: pd.DataFrame  # the rows of the scans table, all of them, sorted by batch
    some_of_many: bool  # whether the set has more pours than these, which were spread over its batches
    depth: SetDepth | None = None  # depth, path_law: at which all pours stand, and by which law they were brought there
    path_law: PathLaw | None = None
    values: LabValues | None = None  # who measured the lab colours and how well; None where nothing is stated

    def shared_noise(self) -> SharedNoise | None:
        """Return what batches of one session share and the scatter of these beers lacks, or None."""
        return shared_noise(self.reflectance, self.levels, self.session, wavelength_nm=self.wavelength_nm)

    def identity(self, false_reject_rate: float, shared: SharedNoise | None) -> ClassModel:
        """Learn to tell the beers of these pours apart; `shared` as `shared_noise` returns it."""
        return fit_class_model(
            self.reflectance, self.levels, false_reject_rate=false_reject_rate, shared=shared, session=self.session
        )

    def part(self, kept: Mask) -> SetPours:
        """Return some of the pours, their levels and sessions counted anew; names and lab colours stay those of all."""
        levels, session = self.levels.part(kept), self.session[np.unique(self.levels.codes("batch")[kept])]
        return replace(self, names=self.names[kept], reflectance=self.reflectance[kept], levels=levels, session=session)


def session_of_batches(scans: pd.DataFrame, batches: tuple[str, ...]) -> Ints:
    """Return the code of the session of each batch; one of no known session, or of several, has a code of its own."""
    names = sessions_of(scans, batches)
    codes = pd.factorize(names)[0].astype(np.int64)
    alone = names == ""
    codes[alone] = len(names) + np.flatnonzero(alone)
    return np.unique(codes, return_inverse=True)[1]


def _to_learn_from(refs: ReferenceSet, without: Collection[str], module: str | None) -> pd.DataFrame:
    out = {*without, *before_recipe(refs.scans, refs.batches, refs.beers)}
    # which modules are further ones the whole set says, whatever is held out of it
    scans = scans_of_module(refs.scans, module)
    return scans[~scans["batch"].isin(out)] if out else scans


def gather_set(
    refs: ReferenceSet,
    *,
    without: Collection[str] = (),
    first_batches: tuple[str, ...] = (),
    first_beers: tuple[str, ...] = (),
    wavelength_nm: Floats | None = None,
    samples_of: Mapping[str, int] | None = None,
    module: str | None = None,
    at_depth: tuple[SetDepth | None, PathLaw | None] | None = None,
) -> SetPours:
    """Average the scans of a set to pours, those of its own module or of a further one, and bring them to its depth."""
    scans = _to_learn_from(refs, without, module)
    batches = _batches(scans, first_batches)
    place = {name: code for code, name in enumerate(batches)}
    scans = scans.rename_axis("scan_id").assign(place=scans["batch"].map(place))
    scans = scans.sort_values(["place", "sample", "pour", "scan_id"]).drop(columns="place")
    depth, law = (depth_of_set(scans), None) if at_depth is None else at_depth
    _refuse_depths(scans, depth)
    taken = pours_to_learn_from(scans, samples_of)
    part = scans if taken is None else scans[taken]
    checked = _checked(refs.spectra.loc[part.index])
    pours = average(checked.values, part["pour"])
    by_pour = part.groupby(pours.codes, sort=True)[["sample", "batch"]].first()
    sample = pd.factorize(by_pour["sample"])[0].astype(np.int64)
    batch = by_pour["batch"].map(place).to_numpy(dtype=np.int64)
    factor = depth_factors(part, depth, pours.codes)
    if wavelength_nm is None:
        _refuse_one_spectrum(pours.reflectance)
        band = band_at_one_depth(pours.reflectance, checked.wavelength_nm, refs.band_nm, sample, factor)
        reflectance, wavelength_nm = pours.reflectance[:, band], checked.wavelength_nm[band]
        refuse_few_channels(wavelength_nm)
    else:
        checked = _checked(pd.DataFrame(pours.reflectance, index=pours.names, columns=checked.wavelength_nm))
        reflectance = match_wavelengths(checked, wavelength_nm)
    bridged = bridge_missing(reflectance, wavelength_nm)
    refuse_wide_gaps(bridged, wavelength_nm, pours.names)
    of_batch = refs.batches.loc[list(batches)]
    beers = (*first_beers, *sorted(set(of_batch["beer"]) - set(first_beers)))
    beer_of_batch = np.array([beers.index(beer) for beer in of_batch["beer"]], dtype=np.int64)
    lab = of_batch["colour"].to_numpy(dtype=np.float64)
    names, values = pours.names, bridged.reflectance
    if depth is not None:
        one = bring_pours(values, factor, batch, in_ebc(lab, refs.colour_unit), wavelength_nm, law)
        law, names, values = one.law, names[one.kept], one.reflectance[one.kept]
        sample, batch = sample[one.kept], batch[one.kept]
    return SetPours(
        names=names,
        reflectance=values,
        wavelength_nm=wavelength_nm,
        levels=Levels.of_pours(sample, batch, beer_of_batch[batch]),
        batches=batches,
        beers=beers,
        lab=lab,
        session=session_of_batches(scans, batches),
        scans=scans,
        some_of_many=taken is not None,
        depth=depth,
        path_law=law,
        values=lab_values_of(of_batch),
    )


def _refuse_one_spectrum(reflectance: Floats) -> None:
    if not np.ptp(reflectance, axis=0).any():
        raise TableError(f"all {len(reflectance)} pours of the set hold one spectrum; give each scan its own")


def _batches(scans: pd.DataFrame, first: tuple[str, ...]) -> tuple[str, ...]:
    names = set(scans["batch"])
    if len(names) < FEWEST_BATCHES:
        raise TooFewBatchesError(
            f"the set holds {counted(len(names), 'batch')}; a house model needs {FEWEST_BATCHES} at the very least, "
            "and 8 or more of each beer to be worth reading"
        )
    return tuple(map(str, [*first, *sorted(names - set(first))]))


def _refuse_depths(scans: pd.DataFrame, depth: SetDepth | None) -> None:
    unfit = unfit_for_one_depth(scans, depth)
    if unfit:
        row, reason = next(iter(unfit.items()))
        raise ReferenceSetError(
            f"{counted(len(unfit), 'scan')} of the set cannot be brought to its depth, the first {scans.index[row]!r}: "
            f"{reason}; or drop these scans from the set"
        )
