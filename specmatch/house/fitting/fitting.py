"""Fit everything that a house model holds on one reference set."""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.batches import VALUE_NAME
from specmatch.errors import ReferenceSetError
from specmatch.house.fitting.colour_cautions import ColourWarnings, learn_colour_warnings
from specmatch.house.fitting.conditions import Conditions, Validity, learn_conditions, learn_offered
from specmatch.house.fitting.set_pours import FEWEST_BATCHES, SetPours, batch_means_in_chunks, gather_set
from specmatch.house.fitting.temperature import TemperatureCost, learn_temperature_cost
from specmatch.maths.classification.class_model import ClassModel, add_batches, fit_class_model
from specmatch.maths.domain.applicability import ApplicabilityDomain, fit_domain
from specmatch.maths.faults.fault_model import FaultModel, calibrate_thresholds, carry_sessions, fit_fault_model
from specmatch.maths.faults.replicates import odd_among_mates
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.regression.colour_model import ColourModel, fit_colour, regressions_for
from specmatch.maths.regression.lab_effects import LabValues
from specmatch.maths.statistics.levels import Levels
from specmatch.measurement.reflectance.path_length import SetDepth

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet


logger = logging.getLogger(__name__)

# beside the false rejects that the house states, spectra of its own kind are to raise next to no alarm
DOMAIN_FALSE_ALARM_RATE = 0.005


@dataclass(frozen=True)
class KeptPours:
    """The pours that a model was fitted on."""

    reflectance: Floats  # (n, p)
    levels: Levels
    lab: Floats  # (K,): lab colour of each batch, NaN where there is none
    values: LabValues | None  # who measured them and how well; None where nothing is stated
    session: Ints  # (K,): code of the session of each batch


@dataclass(frozen=True)
class SharedPours:
    """Pours of batches of the set on the second module, on the model's wavelengths."""

    reflectance: Floats  # (n, p)
    sample: Ints  # sample, batch: (n,): codes; batches as the model counts them
    batch: Ints


@dataclass(frozen=True)
class SecondModule:
    """Another module, or another lamp, cup or base under the set's own, and what batches measured on both say of it."""

    instrument: str  # instrument, lamp, cup, base: its names; "" for any
    lamp: str
    cup: str
    base: str
    shared: tuple[str, ...]  # batches measured on both
    route: str  # of `specmatch.maths.transfer.routes.ROUTES`
    # of shared batches left out, root mean square: relative, and in units of the scatter within a beer; the noise of
    # measuring twice is in both
    colour_error: float
    identity_error: float
    colour_excess: float  # colour_excess, identity_excess: the same beyond that noise
    identity_excess: float
    # how much more, as a share of a dark beer's light, its base returns more than once
    returns: float
    fitted: FittedHouse  # the set as this module would see it, learnt anew
    pours: SharedPours | None  # what taught it, for when the set grows; None in a model of an older format

    @property
    def said(self) -> str:
        """Its names in one text."""
        parts = (f"{name} {value}" for name in ("lamp", "cup", "base") if (value := getattr(self, name)))
        return ", ".join([self.instrument, *parts])


@dataclass(frozen=True)
class FittedHouse:
    """All that a fitted model knows: arrays, numbers and text only, so that a file can hold it without code."""

    wavelength_nm: Floats  # (p,): the usable band, ascending
    beers: tuple[str, ...]
    batches: tuple[str, ...]
    beer_of_batch: Ints  # (K,): place of each batch's beer in `beers`
    colour_unit: str  # of the value, where it is no colour
    lowest_colour: float  # lowest_colour, highest_colour: of the lab colours, in that unit; NaN where there are too few
    highest_colour: float
    set_name: str  # set_name, set_hash: of the reference set
    set_hash: str
    colour: ColourModel | None  # none where the set holds too few lab colours
    identity: ClassModel
    domain: ApplicabilityDomain
    faults: FaultModel  # what good scans look like, and which faults may stand behind a departure
    conditions: Conditions  # instruments, cups, volumes and temperatures of the set
    offered: Validity  # when each beer was on offer
    cautions: ColourWarnings | None  # what speaks against a colour; None where there is no colour
    odd_pours: tuple[str, ...]  # pours that depart from mates which agree, and were not learnt from
    refit_reasons: tuple[str, ...]  # why a model that batches were added to should be fitted anew
    pours: KeptPours | None  # what a transfer starts from; None in a model of an older format
    modules: tuple[SecondModule, ...]  # further modules, or lamps, cups and bases, that batches of the set have taught
    depth: SetDepth | None  # depth, path_law: at which all of this stands, and how scans are brought there; None where
    path_law: PathLaw | None  # no filling is stated
    temperature: TemperatureCost | None  # what temperature costs, where the set holds more than one
    value_name: str = VALUE_NAME  # what the lab measures of each batch


def fit_house(
    refs: ReferenceSet,
    *,
    without: Collection[str] = (),
    false_reject_rate: float = 0.05,
    grown_from: FittedHouse | None = None,
    name_faults: bool = True,
) -> FittedHouse:
    """Learn colour, identity, domain and what good scans look like from a reference set."""
    # name_faults: whether samples are to be given reasons; figures of held-out batches need none
    # grown_from: A fit on some of these batches, whose channels and identity metric are kept: then nothing is chosen
    # anew but the colour regression
    pours = gather_set(refs, without=without) if grown_from is None else _gather_grown(refs, grown_from)
    pours, faults, odd_names = _learn_good_scans(pours, grown_from, name_faults=name_faults)
    shared = pours.shared_noise()
    refit_reasons: tuple[str, ...] = ()
    if grown_from is None:
        identity = fit_class_model(pours.reflectance, pours.levels, false_reject_rate=false_reject_rate, shared=shared)
    else:
        identity, refit_reasons = _grow_identity(grown_from, pours)
    batch_means = None
    if pours.some_of_many:
        whole = batch_means_in_chunks(refs, pours, faults)
        learnt_from = set(pours.names)
        others = (name for name in whole.odd_pours if name not in learnt_from)
        batch_means, odd_names = whole.means, tuple(dict.fromkeys((*odd_names, *others)))
    colour, cautions = fit_set_colour(pours, refs.colour_unit, batch_means)
    return FittedHouse(
        wavelength_nm=pours.wavelength_nm,
        beers=pours.beers,
        batches=pours.batches,
        beer_of_batch=pours.levels.beer,
        colour_unit=refs.colour_unit,
        lowest_colour=float(np.nanmin(pours.lab)) if colour is not None else float("nan"),
        highest_colour=float(np.nanmax(pours.lab)) if colour is not None else float("nan"),
        set_name=refs.name,
        set_hash=refs.hash,
        colour=colour,
        cautions=cautions,
        identity=identity,
        domain=fit_domain(pours.reflectance, pours.levels, false_alarm_rate=DOMAIN_FALSE_ALARM_RATE),
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
    pours: SetPours, grown_from: FittedHouse | None, *, name_faults: bool
) -> tuple[SetPours, FaultModel, tuple[str, ...]]:
    """Return the pours that agree with their mates, what good scans look like, and the pours left out."""
    faults = fit_fault_model(pours.reflectance, pours.levels, wavelength_nm=pours.wavelength_nm)
    odd, _ = odd_among_mates(faults, pours.reflectance, pours.levels.sample)
    if grown_from is not None:
        # of batches that the model knows the same pours are left out as before, whatever the new ones teach
        known = pours.levels.codes("batch") < len(grown_from.batches)
        odd[known] = pours.names[known].isin(grown_from.odd_pours)
    odd_names = tuple(str(name) for name in pours.names[odd])
    if odd.any():
        logger.info("pours left out of the fit, at odds with their mates: %s", ", ".join(odd_names))
        # at least two mates stay of each sample, so that no code falls out
        pours = pours.without(odd)
        faults = fit_fault_model(pours.reflectance, pours.levels, wavelength_nm=pours.wavelength_nm)
    if name_faults:
        faults = calibrate_thresholds(faults, pours.reflectance, pours.levels)
    shared = pours.shared_noise()
    if shared is not None:
        faults = carry_sessions(faults, shared.missing, shared.sd, shared.sessions_per_beer)
    return pours, faults, odd_names


def fit_set_colour(
    pours: SetPours, colour_unit: str, batch_means: Floats | None
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
    cautions = learn_colour_warnings(
        colour, reflectance, levels, len(pours.beers),
        wavelength_nm=pours.wavelength_nm, colour_unit=colour_unit, scans=pours.scans,
    )  # fmt: skip
    return colour, cautions


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
    same = kept.shape == old.identity.samples.reflectance.shape and np.array_equal(
        pours.levels.beer[: len(old.batches)], old.beer_of_batch
    )
    # rounding of sums; anything that a person or another pour did to a batch is far larger
    if not same or not np.allclose(kept, old.identity.samples.reflectance, rtol=1e-9, atol=1e-12):
        raise ReferenceSetError("a batch of the model has changed in the set (pours, scans or beer); fit anew")
    if not is_new.any():
        return old.identity, old.refit_reasons
    grown = add_batches(old.identity, pours.reflectance[is_new], pours.levels.part(is_new, same_beers=True))
    return grown.fit, grown.refit_reasons


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold the numerical libraries to one thread; a context, or a decorator.

    Matrices of a house are small: threads wait for one another longer than they work (a fit of 120 batches on two busy
    cores took twenty times as long with them), and the last digits of a product depend on how many there are.
    """
    from threadpoolctl import threadpool_limits  # scikit-learn brings it; here, because a reading need not wait for it

    with threadpool_limits(limits=1):
        yield
