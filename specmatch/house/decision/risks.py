"""What a decision rule on colour comes to: lots of the house's own kind that it holds or passes wrongly.

JCGM 106:2012, 9.5: lots scatter as the lab colours of the set's own batches do, and as their readings when each was
held out. That a lot conforms means that its lab colour lies within the limits.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from specmatch.array_types import Floats, Ints, is_number
from specmatch.batches import in_colour_unit
from specmatch.errors import OptionError, UnknownBeerError
from specmatch.house.decision.specification import GUARDED, LENIENT, SIMPLE, ColourLimits, Specification
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.colour import read_colours
from specmatch.maths.classification.covariance import shrink_covariances
from specmatch.maths.statistics.beer_effects import scatter_within
from specmatch.maths.statistics.conformance import Risks, acceptance_limits, global_risks

# of the interval that the uncertainty of a reading is taken from, as decisions take it
COVERAGE = 0.90
# readings follow the lab by so much at least, and not without any scatter: rounding of few batches makes neither
LEAST_SLOPE, LEAST_SCATTER = 0.1, 1e-4
# houses that the set's batches may come from, drawn for the bounds, and the part of them that the bounds leave out
HOUSES, OUTSIDE = 200, 0.05
# standard deviations of lab colours that are looked at for them, and how many of the intervals of a beer
GRID, WIDTHS = np.linspace(-4.5, 4.5, 181), np.array([0.1, 0.3, 0.5, 0.7, 0.9])
# a share of lots too small to be a condition
NEXT_TO_NONE = 1e-9
COLUMNS = (
    "unit", "low", "high", "rule", "risk", "valid_from", "valid_to", "accepted_low", "accepted_high", "conform",
    "producer_risk", "consumer_risk", "held_of_conforming", "passed_of_others", "cannot_tell", "n_batches",
    "producer_risk_low", "producer_risk_high", "consumer_risk_low", "consumer_risk_high", "cannot_tell_low",
    "cannot_tell_high",
)  # fmt: skip


def limit_risks(fitted: FittedHouse, specification: Specification) -> pd.DataFrame:
    """State the risks of every row of limits, a row each, index `beer`."""
    told = [
        (limits, lots)
        for limits, lots in zip(specification.limits, _lots(fitted, specification.limits), strict=True)
        if lots is not None
    ]
    names = pd.Index([limits.beer for limits, _ in told], name="beer", dtype=object)
    return pd.DataFrame([_risks(*pair) for pair in told], columns=list(COLUMNS), index=names)


def risks_of_claims(
    risks: pd.DataFrame, specification: Specification, verified: pd.DataFrame, days: Mapping[str, date | None]
) -> pd.DataFrame:
    """Return the risks, with their bounds, of the limits that were in force for each decision; NaN where none were."""
    # risks: of `limit_risks`; verified: as `HouseModel.verify` returns it; days: on which samples were measured
    told = risks[[name for name in risks if name.split("_")[0] in ("producer", "consumer", "cannot")]]
    place = {key: row for row, key in enumerate(zip(risks.index, risks["valid_from"], strict=True))}
    rows = []
    for sample, claim, nearest in verified[["claimed", "nearest_beer"]].itertuples():
        try:
            beers = specification.beers_of(claim, days.get(sample))
        except UnknownBeerError:  # a label that was not valid on that day
            beers = ()
        beer = nearest if nearest in beers else beers[0] if len(beers) == 1 else ""
        limits = specification.limits_of(beer, days.get(sample))
        rows.append(-1 if limits is None else place.get((beer, limits.valid_from), -1))
    return told.reset_index(drop=True).reindex(rows).set_axis(verified.index)


def limits_by_risk(fitted: FittedHouse, specification: Specification, producer_risk: float) -> Specification:
    """Return limits whose rule holds so many of the lots that conform, each beer with guard bands of its own."""
    if not (is_number(producer_risk) and 0.0 < producer_risk < 0.5):
        raise OptionError(f"producer_risk is {producer_risk!r}; expected a share between 0 and 0.5, such as 0.02")
    limits = []
    for row, lots in zip(specification.limits, _lots(fitted, specification.limits), strict=True):
        if lots is None:
            raise OptionError(f"{row.beer!r} has too few lab colours in the set to choose a rule by its risk")
        limits.append(_by_risk(row, lots, producer_risk))
    text = f"{specification.text}\nrule by producer risk {producer_risk:g}"
    named = hashlib.sha256(f"{specification.hash} producer risk {producer_risk:g}".encode()).hexdigest()
    return replace(specification, limits=tuple(limits), text=text, hash=named)


@dataclass(frozen=True)
class _Lots:
    """New lots of one beer, in the unit of its limits: lab colours and readings scatter, and not as one."""

    mean: float  # mean, seen: of lab colours and of readings
    seen: float
    lab_sd: float
    slope: float  # of readings on lab colours: the lab's own error moves no reading
    noise: float  # standard deviation of readings about that line
    uncertainties: Floats  # of readings, as a decision takes each from its own interval; see `WIDTHS`
    n_batches: int
    n_sessions: int  # that the batches were measured in: those of one session share its noise
    dof: tuple[float, float]  # degrees of freedom behind the scatter of lab colours, and behind the noise

    def times(self, unit: float) -> "_Lots":
        """Return the same lots in a unit of which one of today's makes so many."""
        return replace(
            self, mean=unit * self.mean, seen=unit * self.seen, lab_sd=unit * self.lab_sd, noise=unit * self.noise,
            uncertainties=unit * self.uncertainties,
        )  # fmt: skip

    def risks(self, limits: ColourLimits) -> Risks:
        """Return the risks of a rule, over the intervals that readings have."""
        each = [self._risks_between(limits, _accepted(limits, one)) for one in self.uncertainties.tolist()]
        return Risks(
            *(float(np.mean([getattr(one, name) for one in each])) for name in ("in_tolerance", "consumer", "producer"))
        )

    def drawn(self, limits: ColourLimits, rng: np.random.Generator) -> Floats:
        """Return producer's risk, consumer's risk and what cannot be told, (`HOUSES`, 3), of houses like the set's.

        Mean and scatter are drawn anew as so many batches leave them open.
        """
        root = np.sqrt(1.0 + 1.0 / self.n_batches)
        # drawn a second time they would count the doubt of the mean twice
        lab_sd, noise = (
            sd / root * np.sqrt(dof / rng.chisquare(dof, HOUSES))
            for sd, dof in zip((self.lab_sd, self.noise), self.dof, strict=True)
        )
        slope = self.slope + noise / lab_sd * rng.standard_normal(HOUSES) / np.sqrt(self.dof[1])
        off = lab_sd * rng.standard_normal(HOUSES) / np.sqrt(self.n_batches)
        seen_off = slope * off + noise * rng.standard_normal(HOUSES) / np.sqrt(self.n_sessions)
        return self.shares(limits, GRID, off, seen_off, lab_sd, noise, slope)

    def shares(
        self,
        limits: ColourLimits,
        grid: Floats,
        off: Floats,
        seen_off: Floats,
        lab_sd: Floats,
        noise: Floats,
        slope: Floats,
    ) -> Floats:
        """Return producer's risk, consumer's risk and what cannot be told, (h, 3), of houses that lie so far off."""
        # grid (g,): standard deviations of lab colours that are looked at; the others (h,): as fields of their names
        lab = self.mean + off[:, None] + lab_sd[:, None] * grid
        reading = self.seen + seen_off[:, None] + (slope * lab_sd)[:, None] * grid
        share = np.exp(-(grid**2) / 2.0) / np.exp(-(grid**2) / 2.0).sum()
        conforms = (lab >= limits.low) & (lab <= limits.high)

        def passes(rule: ColourLimits) -> Floats:
            out = np.zeros_like(lab)
            for one in self.uncertainties.tolist():
                low, high = _accepted(rule, one)
                if low < high:
                    out += ndtr((high - reading) / noise[:, None]) - ndtr((low - reading) / noise[:, None])
            return out / len(self.uncertainties)

        own = passes(limits)
        between = passes(replace(limits, rule=LENIENT)) - passes(replace(limits, rule=GUARDED))
        parts = (np.where(conforms, 1.0 - own, 0.0), np.where(conforms, 0.0, own), between)
        return np.stack([part @ share for part in parts], axis=1)

    @property
    def uncertainty(self) -> float:
        """The middle one."""
        return float(np.median(self.uncertainties))

    def _risks_between(self, limits: ColourLimits, accepted: tuple[float, float]) -> Risks:
        if not accepted[0] < accepted[1]:
            inside = ndtr((np.array([limits.low, limits.high]) - self.mean) / self.lab_sd)
            return Risks(float(inside[1] - inside[0]), 0.0, float(inside[1] - inside[0]))
        # readings are put on the scale of lab colours, for which the formulas are written
        low, high = (self.mean + (end - self.seen) / self.slope for end in accepted)
        return global_risks(
            self.mean, self.lab_sd, self.noise / self.slope, tolerance=(limits.low, limits.high),
            acceptance=(low, high),
        )  # fmt: skip

    def between(self, accepted: tuple[float, float]) -> float:
        """Return the share of readings between two limits."""
        sd = float(np.hypot(self.slope * self.lab_sd, self.noise))
        ends = ndtr((np.array(accepted) - self.seen) / sd)
        return max(0.0, float(ends[1] - ends[0])) if accepted[0] < accepted[1] else 0.0


def _lots(fitted: FittedHouse, limits: tuple[ColourLimits, ...]) -> list[_Lots | None]:
    """Return the lots that each row of limits is for, None where the set does not tell."""
    if fitted.colour is None or fitted.cautions is None or fitted.pours is None or not limits:
        return [None] * len(limits)
    samples, n_beers = fitted.identity.samples, len(fitted.beers)
    of_sample = samples.beer[samples.batch]
    read = read_colours(
        fitted.colour, fitted.cautions, samples.reflectance, samples.n_pours, COVERAGE, nearest=of_sample,
        known=np.ones(of_sample.size, bool),
    )  # fmt: skip
    half = (read.high - read.low) / 2.0 / float(ndtri((1.0 + COVERAGE) / 2.0)) / read.colour
    # the set knows its own batches better than it will know new ones
    place = np.full(samples.beer.size, -1)
    place[np.flatnonzero(np.isfinite(fitted.pours.lab))[fitted.colour.batch_code]] = np.arange(
        fitted.colour.batch_code.size
    )
    taught = np.flatnonzero(place[samples.batch] >= 0)
    half[taught] *= fitted.colour.held_out_widening(samples.reflectance[taught], place[samples.batch][taught])
    beer, session = (
        of[np.isfinite(fitted.pours.lab)][fitted.colour.batch_code]
        for of in (fitted.beer_of_batch, fitted.pours.session)
    )
    if np.bincount(beer).max() < 2:
        return [None] * len(limits)
    own = [half[of_sample == k] for k in range(n_beers)]
    unsure = [np.quantile(one, WIDTHS) if one.size else np.array([np.nan]) for one in own]
    lots = _lots_like(fitted.colour.lab_colour, fitted.colour.held_out_colour, beer, session, unsure)
    found: list[_Lots | None] = []
    for row in limits:
        one = lots[fitted.beers.index(row.beer)]
        unit = float(in_colour_unit(np.ones(1), fitted.colour_unit, row.unit)[0])
        found.append(one and one.times(unit))
    return found


def _lots_like(lab: Floats, seen: Floats, beer: Ints, session: Ints, unsure: list[Floats]) -> list[_Lots | None]:
    """Return new lots of each beer by lab colours and held-out readings of batches; None where there are too few."""
    # lab, seen, beer, session (n,): of batches; unsure: of readings of each beer, relative to its colour
    known = np.isfinite(lab) & np.isfinite(seen)
    lab, seen, beer, session = lab[known], seen[known], beer[known], session[known]
    count = np.bincount(beer, minlength=len(unsure)).astype(float)
    dof = np.maximum(count - 1.0, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, seen_mean = (np.bincount(beer, values, minlength=count.size) / count for values in (lab, seen))
    away = np.stack([lab / mean[beer] - 1.0, (seen - seen_mean[beer]) / mean[beer]], axis=1)
    if not (away[:, 0] != 0.0).any():
        return [None] * count.size
    # both scatters and what they share at once: one by one they leave slopes of 0.4 and of 1.8
    products = np.zeros((count.size, 2, 2))
    np.add.at(products, beer, away[:, :, None] * away[:, None, :])
    products += LEAST_SCATTER * dof[:, None, None] * products[:, :1, :1].sum(axis=0) / dof.sum() * np.eye(2)
    covariance, prior = shrink_covariances(products, dof)
    # where single batches lie far out, so many of them tell less of a scatter
    tails = [
        scatter_within((values / np.sqrt(covariance[beer, k, k]))[:, None], beer) for k, values in enumerate(away.T)
    ]
    lots_dof = [np.minimum(dof + prior, dof.sum()) * one.effective_df / one.df for one in tails]
    found: list[_Lots | None] = []
    for k, centre in enumerate(mean.tolist()):
        if not np.isfinite([centre, *unsure[k]]).all():
            found.append(None)
            continue
        # of a new batch about the mean of so many
        (lab_square, shared), (_, square) = covariance[k] * (1.0 + 1.0 / count[k])
        slope = max(float(shared / lab_square), LEAST_SLOPE)
        noise = float(np.sqrt(max(square - 2.0 * slope * shared + slope**2 * lab_square, LEAST_SCATTER * square)))
        found.append(
            _Lots(
                centre, float(seen_mean[k]), centre * float(np.sqrt(lab_square)), slope, centre * noise,
                centre * unsure[k], int(count[k]), np.unique(session[beer == k]).size,
                (float(lots_dof[0][k]), float(lots_dof[1][k])),
            )
        )  # fmt: skip
    return found


@lru_cache(maxsize=256)  # the bounds of a risk ask for the same limits again
def _accepted(limits: ColourLimits, uncertainty: float) -> tuple[float, float]:
    """Return the readings between which the rule lets a lot pass."""
    if limits.rule == SIMPLE:
        return limits.low, limits.high
    risk = limits.risk if limits.rule == GUARDED else 1.0 - limits.risk
    return acceptance_limits(uncertainty, risk, lower=limits.low, upper=limits.high)


def _risks(limits: ColourLimits, lots: _Lots) -> tuple[object, ...]:
    accepted = _accepted(limits, lots.uncertainty)
    risks = lots.risks(limits)
    ends = np.quantile(lots.drawn(limits, np.random.default_rng(0)), [OUTSIDE / 2.0, 1.0 - OUTSIDE / 2.0], axis=0)
    others = 1.0 - risks.in_tolerance
    mild, strict = (
        np.mean([lots.between(_accepted(replace(limits, rule=rule), one)) for one in lots.uncertainties.tolist()])
        for rule in (LENIENT, GUARDED)
    )
    return (
        limits.unit, limits.low, limits.high, limits.rule, limits.risk, limits.valid_from, limits.valid_to, *accepted,
        risks.in_tolerance, risks.producer, risks.consumer,
        risks.producer / risks.in_tolerance if risks.in_tolerance > NEXT_TO_NONE else np.nan,
        risks.consumer / others if others > NEXT_TO_NONE else np.nan, float(mild - strict), lots.n_batches,
        *ends.T.ravel().tolist(),
    )  # fmt: skip


def _by_risk(limits: ColourLimits, lots: _Lots, wanted: float) -> ColourLimits:
    from scipy.optimize import brentq  # here: it takes longer to import than a reading does

    def too_many(risk: float) -> float:
        rule = GUARDED if risk < 0.5 else LENIENT
        found = lots.risks(replace(limits, rule=rule, risk=risk if risk < 0.5 else 1.0 - risk))
        # where next to no lot conforms nothing can be chosen by what becomes of them
        return found.producer / found.in_tolerance - wanted if found.in_tolerance > NEXT_TO_NONE else 1.0

    strict, mild = 1e-4, 1.0 - 1e-4
    if too_many(strict) <= 0.0:
        return replace(limits, rule=GUARDED, risk=strict)
    if too_many(mild) > 0.0:
        raise OptionError(
            f"{limits.beer}: no guard band holds as few as {wanted:.3g} of the lots that conform; its limits "
            f"{limits.low:.3g} to {limits.high:.3g} {limits.unit} lie too close or off the beer for this reading"
        )
    risk = float(brentq(too_many, strict, mild, xtol=1e-6))
    # to pass where the lot conforms with at least 1 - risk: beyond a half that is guarded rejection
    return replace(limits, rule=GUARDED, risk=risk) if risk < 0.5 else replace(limits, rule=LENIENT, risk=1.0 - risk)
