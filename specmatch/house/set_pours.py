"""The pours of a reference set as arrays: in one order, on one band, with codes for sample, batch and beer."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TooFewBatchesError
from specmatch.house.averaging import average, bridge_missing, refuse_wide_gaps
from specmatch.house.large_sets import pours_to_learn_from
from specmatch.maths.band import usable_band
from specmatch.maths.typicality import TypicalityFit, fit_typicality
from specmatch.spectra import check_spectra, match_wavelengths
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

FEWEST_BATCHES = 3


@dataclass(frozen=True)
class SetPours:
    """Pours of a set.

    Attributes
    ----------
    names : Index of str, length n
    reflectance : ndarray, shape (n, p)
        Means over the scans of each pour, without missing values.
    wavelength_nm : ndarray, shape (p,)
    sample, batch : ndarray of int, shape (n,)
        Codes from 0 upwards, none left out.
    batches, beers : tuple of str
        Names behind the codes.
    beer_of_batch : ndarray of int
        Code of each batch's beer.
    lab : ndarray of float
        Lab colour of each batch, NaN where there is none.
    scans : DataFrame
        The rows of the scans table, all of them, sorted by batch.
    some_of_many : bool
        Whether the set has more pours than these, which were spread over its batches.
    """

    names: pd.Index
    reflectance: Floats
    wavelength_nm: Floats
    sample: Ints
    batch: Ints
    batches: tuple[str, ...]
    beers: tuple[str, ...]
    beer_of_batch: Ints
    lab: Floats
    scans: pd.DataFrame
    some_of_many: bool

    @property
    def beer(self) -> Ints:
        """Code of each pour's beer, shape (n,)."""
        return self.beer_of_batch[self.batch]

    def fit_identity(self, false_reject_rate: float, kept: Mask | None = None) -> TypicalityFit:
        """Fit how typical samples are of these beers, on the pours kept alone; its beers are those that are left."""
        rows = np.arange(self.batch.size) if kept is None else np.flatnonzero(kept)
        codes = [np.unique(labels[rows], return_inverse=True)[1] for labels in (self.beer, self.batch, self.sample)]
        return fit_typicality(
            self.reflectance[rows], *codes, wavelength_nm=self.wavelength_nm, false_reject_rate=false_reject_rate
        )


def gather_set(
    refs: ReferenceSet,
    *,
    without: Collection[str] = (),
    first_batches: tuple[str, ...] = (),
    first_beers: tuple[str, ...] = (),
    wavelength_nm: Floats | None = None,
    samples_of: Mapping[str, int] | None = None,
) -> SetPours:
    """Average the scans of a set to pours.

    Parameters
    ----------
    refs : ReferenceSet
    without : collection of str, optional
        Batches to leave out, all their scans with them.
    first_batches, first_beers : tuple of str, optional
        Names that take the first codes, in this order; the others follow sorted.
    wavelength_nm : ndarray, optional
        Channels to use; by default the usable ones of the set's band.
    samples_of : mapping of str to int, optional
        Batch -> samples that an earlier gathering took of it.

    Returns
    -------
    SetPours
        In one order whatever the order of rows, so that equal sets give equal models to the last digit. Of a very large
        set a part, as `specmatch.house.large_sets` chooses it.

    Raises
    ------
    TooFewBatchesError
        If fewer than three batches are left.

    Examples
    --------
    >>> pours = gather_set(refs)
    >>> pours.reflectance.shape[0], len(pours.batches), pours.beers
    (54, 18, ('Amber Lane', 'Meadow Pils', 'Night Porter'))
    """
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
        band = _band(pours.reflectance, checked.wavelength_nm, refs.band_nm, sample)
        reflectance, wavelength_nm = pours.reflectance[:, band], checked.wavelength_nm[band]
    else:
        checked = check_spectra(pd.DataFrame(pours.reflectance, index=pours.names, columns=checked.wavelength_nm))
        reflectance = match_wavelengths(checked, wavelength_nm)
    bridged = bridge_missing(reflectance, wavelength_nm)
    refuse_wide_gaps(bridged, wavelength_nm, pours.names)
    of_batch = refs.batches.loc[list(batches)]
    beers = (*first_beers, *sorted(set(of_batch["beer"]) - set(first_beers)))
    return SetPours(
        names=pours.names,
        reflectance=bridged.reflectance,
        wavelength_nm=wavelength_nm,
        sample=sample,
        batch=batch,
        batches=batches,
        beers=beers,
        beer_of_batch=np.array([beers.index(beer) for beer in of_batch["beer"]], dtype=np.int64),
        lab=of_batch["colour"].to_numpy(dtype=np.float64),
        scans=scans,
        some_of_many=taken is not None,
    )


def _band(
    reflectance: Floats,
    all_nm: Floats,
    band_nm: tuple[float, float] | None,
    sample: Ints,
) -> Ints:
    inside = np.ones(all_nm.size, dtype=bool)
    if band_nm is not None:
        inside = (all_nm >= band_nm[0]) & (all_nm <= band_nm[1])
    # a recorded band says where the light was; dead channels inside it are still found from the pours
    return np.flatnonzero(inside)[usable_band(reflectance[:, inside], sample)]
