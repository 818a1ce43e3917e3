"""Fit everything that a house model holds on one reference set."""

from __future__ import annotations

import logging
from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import ReferenceSetError
from specmatch.house.fitting.colour_cautions import ColourWarnings, learn_colour_warnings, learn_temperature_cost
from specmatch.house.fitting.fitted import FittedHouse, KeptPours, learn_conditions, learn_offered
from specmatch.house.fitting.pours import FEWEST_BATCHES, SetPours, batch_means_in_chunks, gather_set
from specmatch.maths.applicability import fit_domain
from specmatch.maths.classification.class_model import ClassModel, add_batches
from specmatch.maths.classification.sessions import SharedNoise
from specmatch.maths.faults.fault_model import FaultModel, calibrate_thresholds, carry_sessions, fit_fault_model
from specmatch.maths.faults.replicates import odd_among_mates
from specmatch.maths.regression.colour_model import ColourModel, fit_colour, regressions_for

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet


logger = logging.getLogger(__name__)

# beside the false rejects that the house states, spectra of its own kind are to raise next to no alarm
DOMAIN_FALSE_ALARM_RATE = 0.005


def fit_house(
    refs: ReferenceSet,
    *,
    without: Collection[str] = (),
    false_reject_rate: float = 0.05,
    grown_from: FittedHouse | None = None,
    figures_only: bool = False,
) -> FittedHouse:
    """Learn colour, identity, domain and what good scans look like from a reference set."""
    # figures_only: without what figures of held-out batches do not need: reasons, and the domain
    # grown_from: A fit on some of these batches, whose channels and identity metric are kept: then nothing is chosen
    # anew but the colour regression
    pours = gather_set(refs, without=without) if grown_from is None else _gather_grown(refs, grown_from)
    pours, faults, odd_names, shared = _learn_good_scans(pours, grown_from, figures_only=figures_only)
    refit_reasons: tuple[str, ...] = ()
    if grown_from is None:
        identity = pours.identity(false_reject_rate, shared)
    else:
        identity, refit_reasons = _grow_identity(grown_from, pours)
    batch_means = None
    if pours.some_of_many:
        batch_means, odd_of_all = batch_means_in_chunks(refs, pours, faults)
        learnt_from = set(pours.names)
        others = (name for name in odd_of_all if name not in learnt_from)
        odd_names = tuple(dict.fromkeys((*odd_names, *others)))
    colour, cautions = fit_set_colour(pours, refs.colour_unit, batch_means, shared)
    domain = None
    if not figures_only:
        domain = fit_domain(pours.reflectance, pours.levels, false_alarm_rate=DOMAIN_FALSE_ALARM_RATE)
    ends = (np.nanmin(pours.lab), np.nanmax(pours.lab)) if colour is not None else (np.nan, np.nan)
    return FittedHouse(
        wavelength_nm=pours.wavelength_nm,
        beers=pours.beers,
        batches=pours.batches,
        beer_of_batch=pours.levels.beer,
        colour_unit=refs.colour_unit,
        lowest_colour=float(ends[0]),
        highest_colour=float(ends[1]),
        set_name=refs.name,
        set_hash=refs.hash,
        colour=colour,
        cautions=cautions,
        identity=identity,
        domain=domain,
        faults=faults,
        offered=learn_offered(pours.beers, refs.beers),
        conditions=learn_conditions(pours.scans, refs.reference_kind),
        odd_pours=odd_names,
        refit_reasons=refit_reasons,
        pours=KeptPours(pours.reflectance, pours.levels, pours.lab, pours.values, pours.session),
        modules=(),
        depth=pours.depth,
        path_law=pours.path_law,
        temperature=None if colour is None else learn_temperature_cost(pours, colour),
        value_name=refs.value_name,
    )


def _learn_good_scans(
    pours: SetPours, grown_from: FittedHouse | None, *, figures_only: bool
) -> tuple[SetPours, FaultModel, tuple[str, ...], SharedNoise | None]:
    """Return pours that agree with their mates, what good scans look like, the pours left out, and sessions' effect."""
    faults, found = fit_fault_model(
        pours.reflectance, pours.levels, wavelength_nm=pours.wavelength_nm, path_law=pours.path_law
    )
    odd, _ = odd_among_mates(faults, pours.reflectance, pours.levels.sample, departures=found)
    if grown_from is not None:
        # of batches that the model knows the same pours are left out as before, whatever the new ones teach
        known = pours.levels.codes("batch") < len(grown_from.batches)
        odd[known] = pours.names[known].isin(grown_from.odd_pours)
    odd_names = tuple(str(name) for name in pours.names[odd])
    if odd.any():
        logger.info("pours left out of the fit, at odds with their mates: %s", ", ".join(odd_names))
        # at least two mates stay of each sample, so that no code falls out
        pours, optics = pours.part(~odd), faults.optics
        faults, _ = fit_fault_model(pours.reflectance, pours.levels, wavelength_nm=pours.wavelength_nm, optics=optics)
    if not figures_only:
        faults = calibrate_thresholds(faults, pours.reflectance, pours.levels)
    shared = pours.shared_noise()
    if shared is not None:
        faults = carry_sessions(faults, shared.missing, shared.sd, shared.sessions_per_beer)
    return pours, faults, odd_names, shared


def fit_set_colour(
    pours: SetPours, colour_unit: str, batch_means: Floats | None, shared: SharedNoise | None
) -> tuple[ColourModel | None, ColourWarnings | None]:
    """Learn the colour of a set and what speaks against it; nothing where lab colours are too few."""
    if np.isfinite(pours.lab).sum() < FEWEST_BATCHES:
        return None, None
    with_lab = np.isfinite(pours.lab)
    batch = pours.levels.codes("batch")
    known = with_lab[batch]
    reflectance, levels = pours.reflectance[known], pours.levels.part(known, same_beers=True)
    colour = fit_colour(
        reflectance, pours.lab[batch[known]], levels, wavelength_nm=pours.wavelength_nm,
        regressions=regressions_for(colour_unit),
        batch_means=None if batch_means is None else batch_means[with_lab],
        values=None if pours.values is None else pours.values.part(with_lab),
    )  # fmt: skip
    return colour, learn_colour_warnings(pours, colour, reflectance, levels, colour_unit, shared)


def _gather_grown(refs: ReferenceSet, old: FittedHouse) -> SetPours:
    gone = set(old.batches) - set(refs.scans["batch"])
    if gone:
        raise ReferenceSetError(
            f"batch {sorted(gone)[0]!r} of the model is not in the set; batches can be added, not taken away: fit anew"
        )
    samples_of = dict(zip(old.batches, np.bincount(old.identity.samples.batch).tolist(), strict=True))
    return gather_set(
        refs, first_batches=old.batches, first_beers=old.beers, wavelength_nm=old.wavelength_nm, samples_of=samples_of,
        at_depth=(old.depth, old.path_law),
    )  # fmt: skip


def _grow_identity(old: FittedHouse, pours: SetPours) -> tuple[ClassModel, tuple[str, ...]]:
    is_new = pours.levels.codes("batch") >= len(old.batches)
    kept = pours.levels.part(~is_new).mean(pours.reflectance[~is_new], to="sample")
    was = old.identity.samples.reflectance
    same = kept.shape == was.shape and np.array_equal(pours.levels.beer[: len(old.batches)], old.beer_of_batch)
    # rounding of sums; anything that a person or another pour did to a batch is far larger
    if not same or not np.allclose(kept, was, rtol=1e-9, atol=1e-12):
        raise ReferenceSetError("a batch of the model has changed in the set (pours, scans or beer); fit anew")
    if not is_new.any():
        return old.identity, old.refit_reasons
    new = pours.levels.part(is_new, same_beers=True)
    return add_batches(old.identity, pours.reflectance[is_new], new, pours.session)
