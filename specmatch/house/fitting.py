"""Fit everything that a house model holds on one reference set."""

from __future__ import annotations

import logging
from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.errors import TooFewBatchesError
from specmatch.house.averaging import average, bridge_missing
from specmatch.house.colour_reading import ColourCautions, learn_cautions
from specmatch.house.conditions import Conditions, learn_conditions
from specmatch.house.offered import Offered, learn_offered
from specmatch.maths.band import usable_band
from specmatch.maths.colour_fit import ColourFit, fit_colour
from specmatch.maths.faults import FaultFit, fit_faults
from specmatch.maths.limits import DomainFit, fit_domain
from specmatch.maths.pour_mates import find_odd_pours
from specmatch.maths.typicality import TypicalityFit, fit_typicality
from specmatch.spectra import check_spectra

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

Floats = NDArray[np.float64]

logger = logging.getLogger(__name__)

FEWEST_BATCHES = 3
# beside the false rejects that the house states, spectra of its own kind are to raise next to no alarm
DOMAIN_FALSE_ALARM_RATE = 0.005


@dataclass(frozen=True)
class FittedHouse:
    """All that a fitted model knows: arrays, numbers and text only, so that a file can hold it without code."""

    wavelength_nm: Floats
    beers: tuple[str, ...]
    batches: tuple[str, ...]
    beer_of_batch: NDArray[np.int64]
    colour_unit: str
    lowest_colour: float
    highest_colour: float
    set_name: str
    set_hash: str
    colour: ColourFit | None
    identity: TypicalityFit
    domain: DomainFit
    faults: FaultFit
    conditions: Conditions
    offered: Offered
    cautions: ColourCautions | None
    odd_pours: tuple[str, ...]  # pours that depart from mates which agree, and were not learnt from


def fit_house(refs: ReferenceSet, *, without: Collection[str] = ()) -> FittedHouse:
    """Learn colour, identity, domain and what good scans look like from a reference set.

    Parameters
    ----------
    refs : ReferenceSet
        Batches without a lab colour serve identity only.
    without : collection of str, optional
        Batches to leave out, all their scans with them.

    Returns
    -------
    FittedHouse

    Raises
    ------
    TooFewBatchesError
        If the set holds fewer than three batches.

    Examples
    --------
    >>> fit_house(refs)  # doctest: +SKIP
    """
    scans = refs.scans[~refs.scans["batch"].isin(list(without))] if without else refs.scans
    # one order whatever the order of rows, so that equal sets give equal models to the last digit
    scans = scans.rename_axis("scan_id").sort_values(["batch", "sample", "pour", "scan_id"])
    n_batches = scans["batch"].nunique()
    if n_batches < FEWEST_BATCHES:
        raise TooFewBatchesError(
            f"the set holds {n_batches} batches; a house model needs {FEWEST_BATCHES} at the very least, "
            "and 8 or more of each beer to be worth reading"
        )
    checked = check_spectra(refs.spectra.loc[scans.index])
    all_nm = checked.wavelength_nm
    pours = average(checked.values, scans["pour"])
    by_pour = scans.groupby(scans["pour"].to_numpy(), sort=False)[["sample", "batch"]].first()
    sample = pd.factorize(by_pour["sample"])[0].astype(np.int64)
    batch, batches = pd.factorize(by_pour["batch"])
    batch = batch.astype(np.int64)
    inside = np.ones(all_nm.size, dtype=bool)
    if refs.band_nm is not None:
        inside = (all_nm >= refs.band_nm[0]) & (all_nm <= refs.band_nm[1])
    # a recorded band says where the light was; dead channels inside it are still found from the pours
    band = np.flatnonzero(inside)[usable_band(pours.reflectance[:, inside], sample)]
    wavelength_nm = all_nm[band]
    reflectance, _ = bridge_missing(pours.reflectance[:, band], wavelength_nm, pours.names)
    beer_of_batch = refs.batches.loc[batches, "beer"]
    beers = tuple(sorted(set(beer_of_batch)))
    beer_codes = np.array([beers.index(beer) for beer in beer_of_batch], dtype=np.int64)
    faults = fit_faults(reflectance, beer_codes[batch], batch, sample, wavelength_nm=wavelength_nm)
    odd = find_odd_pours(faults, reflectance, sample).odd
    if odd.any():
        logger.info("pours left out of the fit, at odds with their mates: %s", ", ".join(map(str, pours.names[odd])))
        # at least two mates stay of each sample, so that no code falls out
        reflectance, sample, batch = reflectance[~odd], sample[~odd], batch[~odd]
        faults = fit_faults(reflectance, beer_codes[batch], batch, sample, wavelength_nm=wavelength_nm)
    lab = refs.batches.loc[batches, "colour"].to_numpy(dtype=np.float64)
    known = np.isfinite(lab)[batch]
    colour, cautions = None, None
    if np.isfinite(lab).sum() >= FEWEST_BATCHES:
        known_batches, batch_known = np.unique(batch[known], return_inverse=True)
        _, sample_known = np.unique(sample[known], return_inverse=True)
        colour = fit_colour(
            reflectance[known], lab[batch[known]], batch_known, sample_known, wavelength_nm=wavelength_nm
        )
        cautions = learn_cautions(
            colour, reflectance[known], batch_known, beer_codes[known_batches], len(beers),
            wavelength_nm=wavelength_nm, colour_unit=refs.colour_unit, scans=scans,
        )  # fmt: skip
    return FittedHouse(
        wavelength_nm=wavelength_nm,
        beers=beers,
        batches=tuple(str(name) for name in batches),
        beer_of_batch=beer_codes,
        colour_unit=refs.colour_unit,
        lowest_colour=float(np.nanmin(lab)) if colour is not None else float("nan"),
        highest_colour=float(np.nanmax(lab)) if colour is not None else float("nan"),
        set_name=refs.name,
        set_hash=refs.hash,
        colour=colour,
        cautions=cautions,
        identity=fit_typicality(reflectance, beer_codes[batch], batch, sample, wavelength_nm=wavelength_nm),
        domain=fit_domain(
            reflectance, batch, sample, wavelength_nm=wavelength_nm, false_alarm_rate=DOMAIN_FALSE_ALARM_RATE
        ),
        faults=faults,
        offered=learn_offered(beers, refs.beers),
        conditions=learn_conditions(scans, refs.reference_kind),
        odd_pours=tuple(str(name) for name in pours.names[odd]),
    )
