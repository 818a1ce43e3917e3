"""Learn a set anew as a second module would see it, from batches of the set that both have measured."""

from __future__ import annotations

import logging
from collections.abc import Collection
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import ReferenceSetError, SpecmatchError, TableError, TooFewBatchesError
from specmatch.house.fitting.fitted import Conditions, FittedHouse, KeptPours, SecondModule, SharedPours
from specmatch.house.fitting.fitting import DOMAIN_FALSE_ALARM_RATE, fit_house, fit_set_colour
from specmatch.house.fitting.pours import SetPours, gather_set
from specmatch.maths.applicability import fit_domain
from specmatch.maths.faults.fault_model import calibrate_thresholds, fit_fault_model
from specmatch.maths.spectra.channels import usable_band
from specmatch.maths.spectra.noise import fit_light_noise
from specmatch.maths.statistics.levels import Levels, mean_by
from specmatch.maths.transfer import Bench, Transfer, carry, carry_each, exchanged, fit_transfer, pair, wider_by
from specmatch.reference.tables.edits import before_recipe
from specmatch.reference.tables.pours import FEWEST_SHARED, scans_of_module, second_modules
from specmatch.wording import counted

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet

logger = logging.getLogger(__name__)

# of a set without replicate pours, whose scatter of pouring is not known: 1-2 % of a graduated cylinder (ASTM E1272)
POUR_SD = 0.015
# A transfer that leaves more than this on batches left out (error of a colour over the set's own, scatter within a
# beer), or that had to bend for a base which returns light otherwise, is worse than a set of its own (tuned on invented
# houses).
MOST_COLOUR, MOST_IDENTITY, MOST_RETURNS = 1.0, 1.0, 0.1


# batches that only the second module has measured, which need no carrying over: names and pours, beers as the model
# counts them
OwnBatches = tuple[tuple[str, ...], KeptPours]


def fit_set(
    refs: ReferenceSet,
    *,
    without: Collection[str] = (),
    false_reject_rate: float = 0.05,
    grown_from: FittedHouse | None = None,
    figures_only: bool = False,
) -> FittedHouse:
    """Fit a set on its main module, and teach the model each further module that shares batches with it."""
    older = before_recipe(refs.scans, refs.batches, refs.beers)
    if older - set(without):
        logger.warning("older than the recipe of its beer (valid_from), not learnt from: %s", ", ".join(sorted(older)))
    without = {*without, *older}
    fitted = fit_house(
        refs, without=without, false_reject_rate=false_reject_rate, grown_from=grown_from, figures_only=figures_only
    )
    for name in second_modules(refs.scans):
        shared = set(scans_of_module(refs.scans, name)["batch"]).intersection(fitted.batches)
        if len(shared) < FEWEST_SHARED:
            continue  # some are held out
        at_depth = (fitted.depth, fitted.path_law)
        pours = gather_set(refs, without=without, wavelength_nm=fitted.wavelength_nm, module=name, at_depth=at_depth)
        known = np.isin(pours.batches, fitted.batches)
        names = {"instrument": name, "lamp": "", "cup": "", "base": ""}
        fitted = teach_module(
            fitted, _shared(fitted, pours, known), names,
            false_reject_rate=false_reject_rate, more=_own_batches(fitted, pours, known, name),
        )  # fmt: skip
    for one in () if grown_from is None else grown_from.modules:
        if one.said in {other.said for other in fitted.modules}:
            continue
        if one.pours is None:
            reason = f"transfer {one.said} again: taught by a version that kept no pours of it, and not carried over"
            fitted = replace(fitted, refit_reasons=(*fitted.refit_reasons, reason))
            continue
        names = {part: getattr(one, part) for part in ("instrument", "lamp", "cup", "base")}
        fitted = teach_module(fitted, one.pours, names, false_reject_rate=false_reject_rate)
    return fitted


def _shared(fitted: FittedHouse, pours: SetPours, known: Mask) -> SharedPours:
    code = pd.Index(fitted.batches).get_indexer(pours.batches)
    batch = pours.levels.codes("batch")
    mine = known[batch]
    sample = np.unique(pours.levels.sample[mine], return_inverse=True)[1]
    return SharedPours(pours.reflectance[mine], sample, code[batch[mine]])


def _own_batches(fitted: FittedHouse, pours: SetPours, known: Mask, module: str) -> OwnBatches | None:
    beers = [pours.beers[code] for code in pours.levels.beer]
    of_known = np.isin(beers, fitted.beers)
    if not of_known.all():
        left = ", ".join(name for name, kept in zip(pours.batches, of_known, strict=True) if not kept)
        logger.warning("%s: batches of beers that only it has measured teach nothing: %s", module, left)
    rows = ~known & of_known
    if not rows.any():
        return None
    batch = pours.levels.codes("batch")
    mine = rows[batch]
    beer = pd.Index(fitted.beers).get_indexer(beers)
    levels = Levels.of_pours(pours.levels.sample[mine], batch[mine], beer[batch[mine]])
    values = None if pours.values is None else pours.values.part(rows)
    kept = KeptPours(pours.reflectance[mine], levels, pours.lab[rows], values, pours.session[rows])
    return tuple(np.array(pours.batches, dtype=object)[rows]), kept


def own_set_advised(module: SecondModule) -> bool:
    """Return whether batches left out say that this module is better served by a set of its own."""
    fit, cautions = module.fitted.colour, module.fitted.cautions
    colour = 0.0 if fit is None or cautions is None else cautions.transfer_sd / max(fit.usual_error, 1e-9)
    identity = wider_by(len(module.shared)) * module.identity_excess
    return bool(colour > MOST_COLOUR or identity > MOST_IDENTITY or abs(module.returns) > MOST_RETURNS)


def teach_module(
    own: FittedHouse, shared: SharedPours, names: dict[str, str], *, false_reject_rate: float,
    more: OwnBatches | None = None,
) -> FittedHouse:  # fmt: skip
    """Learn the map from shared batches, carry the set over, fit it anew, and return the model with that module."""
    kept = own.pours
    if kept is None:
        raise SpecmatchError(
            "this model was saved by a version that kept no pours, from which a transfer starts: fit it again"
        )
    codes = np.unique(shared.batch)
    _check_batches(own, codes)
    if own.colour is not None:
        own.colour.check_relative("a transfer to a second module")
    channels = np.flatnonzero(usable_band(shared.reflectance, shared.sample))
    bench = _bench(own, kept, shared, channels)
    batch = kept.levels.codes("batch")
    position = np.searchsorted(codes, shared.batch)
    second, second_pours = mean_by(shared.reflectance[:, channels], position)
    mine = np.isin(batch, codes)
    first, own_pours = mean_by(kept.reflectance[mine][:, channels], np.searchsorted(codes, batch[mine]))
    if np.allclose(first, second, rtol=0.0, atol=1e-9):
        raise TableError("these scans are those of the set itself: measure the batches again, on the second module")
    pairs = pair(first, second, own_pours.astype(float), second_pours.astype(float), bench)
    judge = partial(_judged, own, channels=channels)
    swapped = exchanged(pairs, bench, judge, own.beer_of_batch[codes])
    if swapped is not None:
        a, b = (int(codes[k]) for k in swapped)
        raise TableError(
            f"batches {own.batches[a]!r} ({own.beers[own.beer_of_batch[a]]}) and {own.batches[b]!r} "
            f"({own.beers[own.beer_of_batch[b]]}) fit far better the other way round: their labels look swapped; "
            "correct the sheet of the second module, or leave both out"
        )
    transfer = fit_transfer(pairs, bench, judge)
    fitted = _fit_carried(own, kept, transfer, bench, channels, false_reject_rate, more)
    fitted = replace(fitted, conditions=_conditions(own, names))
    n_axes = own.identity.beer_means.shape[1]
    error, excess = transfer.error, transfer.excess
    unit = 1.0 if own.colour is None else own.colour.usual_error

    def parted(size: Floats) -> tuple[float, float]:
        colour = float("nan") if own.colour is None else float(np.sqrt(np.mean(size[:, n_axes]))) * unit
        return colour, float(np.sqrt(np.mean(size[:, :n_axes].sum(axis=1))))

    (colour_error, identity_error), (colour_excess, identity_excess) = parted(error), parted(excess)
    module = SecondModule(
        **names, shared=tuple(own.batches[k] for k in codes), route=transfer.route,
        colour_error=colour_error, identity_error=identity_error, colour_excess=colour_excess,
        identity_excess=identity_excess, returns=transfer.amount_of("returns"), fitted=fitted, pours=shared,
    )  # fmt: skip
    # it takes the place of an earlier one of these names
    others = tuple(one for one in own.modules if one.said.casefold() != module.said.casefold())
    return replace(own, modules=(*others, module))


def _check_batches(own: FittedHouse, codes: Ints) -> None:
    if codes.size < FEWEST_SHARED:
        raise TooFewBatchesError(
            f"{counted(codes.size, 'batch')} of the set on the second module; a transfer needs {FEWEST_SHARED} at the "
            "least, 6 to serve well: choose_batches(refs, transfer=6) says which"
        )
    beers = np.unique(own.beer_of_batch[codes])
    if beers.size == 1 and len(own.beers) > 1:
        raise ReferenceSetError(
            f"all {codes.size} batches are of one beer, {own.beers[beers[0]]}; what a module does to the other beers "
            "cannot be learnt from it: measure batches over the colours, choose_batches(refs, transfer=6) says which"
        )


def _bench(own: FittedHouse, kept: KeptPours, shared: SharedPours, channels: Ints) -> Bench:
    scale = own.identity.choice.scale
    rows = scale.apply(kept.reflectance[:, channels])
    dof = len(rows) - int(kept.levels.sample.max() + 1)
    apart = np.full(rows.shape, POUR_SD) if dof == 0 else kept.levels.about_sample(rows) * np.sqrt(len(rows) / dof)
    nm = own.wavelength_nm[channels]
    # how much its pours jitter tells how much light a module's lamp gives in each channel
    first = fit_light_noise(kept.reflectance[:, channels], kept.levels.sample, wavelength_nm=nm)
    second = first
    if np.bincount(shared.sample).max() > 1:
        second = fit_light_noise(shared.reflectance[:, channels], shared.sample, wavelength_nm=nm)
    return Bench(nm, scale, rows, apart, dof, (first, second))


def _judged(own: FittedHouse, reflectance: Floats, channels: Ints) -> Floats:
    """Return spectra in units in which an error of one matters: axes of identity, and the log of colour."""
    nm = own.wavelength_nm
    whole = reflectance
    if channels.size < nm.size:
        whole = np.array([np.interp(nm, nm[channels], row) for row in reflectance])
    scores = own.identity.metric.scores(whole)
    parts = [scores / np.sqrt(scores.shape[1])]
    if own.colour is not None:
        parts.append(np.log(own.colour.predict(whole))[:, None] / own.colour.usual_error)
    return np.hstack(parts)


def _conditions(own: FittedHouse, names: dict[str, str]) -> Conditions:
    held, cup = own.conditions, names["cup"]
    return replace(
        held,
        instrument=(names["instrument"],),
        lamp=(names["lamp"],) if names["lamp"] else held.lamp,
        base=(names["base"],) if names["base"] else held.base,
        cup=(cup,) if cup else held.cup,
        cup_mm=() if cup else held.cup_mm,
        fill_ml=() if cup else held.fill_ml,
    )


def _fit_carried(
    own: FittedHouse,
    kept: KeptPours,
    transfer: Transfer,
    bench: Bench,
    channels: Ints,
    false_reject_rate: float,
    more: OwnBatches | None,
) -> FittedHouse:
    levels, nm = kept.levels, own.wavelength_nm[channels]
    lab, values, session, batches = kept.lab, kept.values, kept.session, own.batches
    rows = kept.reflectance[:, channels]
    batch = levels.codes("batch")
    plain = bench.noisier(carry(transfer, rows), batch)
    # each batch by another map as likely as the best: the scatter of batches bears what the transfer may miss
    drawn = bench.noisier(carry_each(transfer, bench, rows, batch), batch)
    if more is not None:
        names, seen = more
        plain, drawn = (np.vstack([one, seen.reflectance[:, channels]]) for one in (plain, drawn))
        levels = Levels.of_pours(*(
            np.concatenate([levels.codes(level), seen.levels.codes(level) + first])
            for level, first in (("sample", len(levels.batch)), ("batch", len(levels.beer)), ("beer", 0))
        ))  # fmt: skip
        values = None if values is None or seen.values is None else values.and_of(seen.values)
        lab, session = np.append(lab, seen.lab), np.append(session, seen.session + session.max() + 1)
        batches = (*batches, *names)
    law = None if own.path_law is None else own.path_law.at(channels)
    faults, _ = fit_fault_model(drawn, levels, wavelength_nm=nm, path_law=law)
    faults = calibrate_thresholds(faults, drawn, levels)
    pours = SetPours(
        names=pd.RangeIndex(len(plain)), reflectance=plain, wavelength_nm=nm, levels=levels, batches=batches,
        beers=own.beers, lab=lab, scans=pd.DataFrame(), some_of_many=False, values=values, session=session,
    )  # fmt: skip
    carried = replace(pours, reflectance=drawn)
    shared = carried.shared_noise()
    colour, cautions = fit_set_colour(pours, own.colour_unit, None, shared)
    if colour is not None and cautions is not None and own.cautions is not None:
        # a colour fitted on one map bears one error all over: it joins the interval
        apart = np.log(colour.predict(drawn) / colour.predict(plain))
        sd = float(np.sqrt(np.mean(apart**2)))
        cautions = replace(cautions, path_sd=own.cautions.path_sd, transfer_sd=max(sd, 1e-6))
    return replace(
        own,
        wavelength_nm=nm,
        batches=batches,
        beer_of_batch=levels.beer,
        colour=colour,
        cautions=cautions,
        identity=carried.identity(false_reject_rate, shared),
        domain=fit_domain(drawn, levels, false_alarm_rate=DOMAIN_FALSE_ALARM_RATE),
        faults=faults,
        pours=None,
        path_law=law,
        modules=(),
    )
