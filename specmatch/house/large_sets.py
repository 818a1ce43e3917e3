"""Sets of more pours than scatter needs to be learnt from: which pours teach it, and a walk past all the others.

How pours and batches scatter is known to a per cent or so from some ten thousand pours, spread over all batches; more
of them would only take time. What a batch looks like, its own mean, is taken from all of its pours.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.house.averaging import average, bridge_missing, refuse_wide_gaps
from specmatch.maths.faults import FaultFit
from specmatch.maths.pour_mates import odd_among_mates
from specmatch.maths.statistics import mean_by, parent_codes
from specmatch.spectra import check_spectra, match_wavelengths

if TYPE_CHECKING:
    from specmatch.house.set_pours import SetPours
    from specmatch.reference.reference_set import ReferenceSet


# pours that scatter is learnt from: ten thousand independent ones tell a standard deviation to 0.7 %
MOST_POURS = 20_000
# a sample with more pours than this is learnt from as one of so many
MOST_POURS_A_SAMPLE = 8
# scans that are held in memory at a time
SCANS_AT_A_TIME = 1 << 14


@dataclass(frozen=True)
class WholeBatches:
    """What all pours of a set say.

    Attributes
    ----------
    means : ndarray, shape (K, p)
        Mean reflectance of each batch, samples weighing alike, odd pours left out.
    odd_pours : tuple of str
        Pours that depart from mates which agree.
    """

    means: Floats
    odd_pours: tuple[str, ...]


def pours_to_learn_from(scans: pd.DataFrame, samples_of: Mapping[str, int] | None = None) -> Mask | None:
    """Choose pours of a large set, whole samples spread evenly over each batch.

    Parameters
    ----------
    scans : DataFrame
        Sorted by batch, sample and pour.
    samples_of : mapping of str to int, optional
        Batch -> samples that an earlier choice took of it, and that are to be taken again.

    Returns
    -------
    ndarray of bool, shape (n_scans,), or None
        None where all pours are to be learnt from: there are at most `MOST_POURS`.

    Examples
    --------
    >>> pours_to_learn_from(pd.DataFrame({"batch": ["b"], "sample": ["s"], "pour": ["p"]})) is None
    True
    """
    if scans["pour"].nunique() <= MOST_POURS:
        return None
    pour, sample, batch = (pd.factorize(scans[level])[0].astype(np.int64) for level in ("pour", "sample", "batch"))
    sample_of_pour, batch_of_sample = parent_codes(pour, sample), parent_codes(sample, batch)
    pours, samples = np.bincount(sample_of_pour), np.bincount(batch_of_sample)
    kept_pours = np.minimum(pours, MOST_POURS_A_SAMPLE)
    # as many samples of each batch as fill the number, batches that have fewer giving all they have
    room = MOST_POURS / kept_pours.mean()
    share = max(1, bisect_right(range(1, samples.max() + 1), room, key=lambda n: np.minimum(samples, n).sum()))
    wanted = np.minimum(samples, share)
    for code, name in enumerate(scans["batch"].drop_duplicates()):
        wanted[code] = (samples_of or {}).get(name, wanted[code])
    sample_kept = _spread(batch_of_sample, wanted)
    pour_kept = _spread(sample_of_pour, kept_pours) & sample_kept[sample_of_pour]
    return None if pour_kept.all() else pour_kept[pour]


def walk_past_all(refs: ReferenceSet, pours: SetPours, faults: FaultFit) -> WholeBatches:
    """Take the mean of each batch over all of its pours, some batches at a time, and find the odd ones among them.

    Parameters
    ----------
    refs : ReferenceSet
    pours : SetPours
        Those that `faults` was learnt from; its scans are those of the whole set, batch by batch.
    faults : FaultFit

    Returns
    -------
    WholeBatches

    Raises
    ------
    WavelengthMismatchError
        If a scan has a gap that cannot be bridged.

    Examples
    --------
    >>> from specmatch.house.set_pours import gather_set
    >>> pours = gather_set(refs)
    >>> whole = walk_past_all(refs, pours, house.fitted.faults)
    >>> whole.means.shape == (len(pours.batches), pours.wavelength_nm.size), whole.odd_pours
    (True, ())
    """
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
        sample = parent_codes(each.codes, pd.factorize(part["sample"])[0].astype(np.int64))
        odd, _ = odd_among_mates(faults, bridged.reflectance, sample)
        odd_names += [str(name) for name in each.names[odd]]
        # at least two mates stay of each sample, so that none falls out
        of_sample, _ = mean_by(bridged.reflectance[~odd], sample[~odd])
        low = batch[rows[0]]
        sample_batch = parent_codes(sample, parent_codes(each.codes, batch[rows]) - low)
        means[low : batch[rows[-1]] + 1] = mean_by(of_sample, sample_batch)[0]
    return WholeBatches(means, tuple(odd_names))


def _spread(group: Ints, wanted: Ints) -> Mask:
    """Keep so many members of each group, evenly spaced; members of a group stand together."""
    sizes = np.bincount(group)
    rank = np.arange(group.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    n, k = sizes[group], wanted[group]
    return (rank + 1) * k // n > rank * k // n
