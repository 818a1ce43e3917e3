"""What a decision rule on colour comes to (JCGM 106:2012, 9.5): lots of the house that it holds or passes wrongly."""

# lots scatter as the set's lab colours and held-out readings do; one conforms whose lab colour lies within the limits

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import gammaln, ndtri, stdtr

from specmatch.array_types import Floats, Ints, is_number
from specmatch.batches import in_colour_unit
from specmatch.errors import OptionError, UnknownBeerError
from specmatch.house.decision.specification import (
    GUARDED,
    LENIENT,
    SIMPLE,
    ColourLimits,
    Specification,
    acceptance_limits,
)
from specmatch.house.fitting.fitted import FittedHouse
from specmatch.house.reading.colour import read_colours
from specmatch.maths.classification.beer_scatter import shrink_covariances

# of the interval that the uncertainty of a reading is taken from, as decisions take it
COVERAGE = 0.90
# readings follow the lab by so much at least, and not without any scatter: rounding of few batches makes neither
LEAST_SLOPE, LEAST_SCATTER = 0.1, 1e-4
# what is left of a scatter without one batch: of two batches nothing would be
LEAST_LEFT = 0.05
# houses that the set's batches may come from, drawn for the bounds, and the part of them that the bounds leave out
HOUSES, OUTSIDE = 200, 0.05
# colours that are looked at on each side of the limits and between them, and how many of the intervals of a beer
NODES, WIDTHS = 100, np.array([0.1, 0.3, 0.5, 0.7, 0.9])
# degrees of freedom of the tails that lots may have, the first all but normal; rounds in which scatter settles for each
TAILS, ROUNDS = (1e4, 20.0, 10.0, 6.0, 4.0, 3.0), 4
# logarithm of the odds, twenty to one, from which on a tail is believed of many batches (statistics); few show more by
# chance, so that twice as much is asked of so many degrees of freedom (tuning: normal draws of 1 to 12 beers)
EVIDENCE, FEW_DOF = 3.0, 40.0
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
    of_row = zip(specification.limits, _lots(fitted, specification.limits), strict=True)
    told = [(limits.beer, _risks(limits, lots)) for limits, lots in of_row if lots is not None]
    names = pd.Index([beer for beer, _ in told], name="beer", dtype=object)
    return pd.DataFrame([row for _, row in told], columns=list(COLUMNS), index=names)


def risks_of_claims(
    risks: pd.DataFrame, specification: Specification, verified: pd.DataFrame, days: Mapping[str, date | None]
) -> pd.DataFrame:
    """Return the risks, with their bounds, of the limits that were in force for each claim; NaN where none were."""
    if risks.empty:
        return verified[[]]  # no limits are loaded
    # risks: of `limit_risks`; verified: as `HouseModel.verify` returns it; days: on which samples were measured
    told = risks[[name for name in risks if name.split("_")[0] in ("producer", "consumer", "cannot")]]
    place = {key: row for row, key in enumerate(zip(risks.index, risks["valid_from"], strict=True))}
    none = pd.Series(np.nan, told.columns)
    rows = []
    for sample, claim, nearest, plausible in verified[["claimed", "nearest_beer", "plausible_beers"]].itertuples():
        try:
            beers = specification.beers_of(claim, days.get(sample))
        except UnknownBeerError:  # a label that was not valid on that day
            beers = ()
        # of a label that may hold several beers of which it is typical nobody can say which it is: the largest risks
        meant = [beer for beer in beers if beer in (plausible or ())]
        meant = meant or [beer for beer in beers if beer == nearest or len(beers) == 1]
        limits = {beer: specification.limits_of(beer, days.get(sample)) for beer in meant}
        found = [place[key] for beer, own in limits.items() if own and (key := (beer, own.valid_from)) in place]
        rows.append(told.iloc[found].max() if found else none)
    return pd.DataFrame(rows, index=verified.index, columns=told.columns)


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


class Risks(NamedTuple):
    """Shares of lots."""

    in_tolerance: float  # conform, whatever the reading says
    producer: float  # conform and are held
    consumer: float  # do not conform and pass
    cannot_tell: float


@dataclass(frozen=True)
class _Lots:
    """New lots of one beer, in the unit of its limits: lab colours and readings scatter, and not as one."""

    mean: float  # mean, seen: of lab colours and of readings
    seen: float
    lab_sd: float  # lab_sd, noise: of Student's t with `tail` degrees of freedom, about a mean that is known
    slope: float  # of readings on lab colours: the lab's own error moves no reading
    noise: float  # of readings about that line
    uncertainties: Floats  # of readings, as a decision takes each from its own interval; see `WIDTHS`
    n_batches: int
    n_sessions: int  # that the batches were measured in: those of one session share its noise
    dof: float  # degrees of freedom behind the scatter
    tail: float = TAILS[0]

    def times(self, unit: float) -> "_Lots":
        """Return the same lots in a unit of which one of today's makes so many."""
        return replace(
            self, mean=unit * self.mean, seen=unit * self.seen, lab_sd=unit * self.lab_sd, noise=unit * self.noise,
            uncertainties=unit * self.uncertainties,
        )  # fmt: skip

    @property
    def doubt(self) -> float:
        """Variance of the mean over that of one lot: of so heavy a tail as much as it tells."""
        return (self.tail + 3.0) / (self.tail + 1.0) / self.n_batches

    def risks(self, limits: ColourLimits) -> Risks:
        """Return the risks of a rule for lots about a mean that so few batches leave open."""
        none, root = np.zeros(1), np.sqrt(1.0 + self.doubt)
        sd, noise, slope = (np.array([one]) for one in (root * self.lab_sd, root * self.noise, self.slope))
        inside = np.interp((np.array([limits.low, limits.high]) - self.mean) / sd, *_student(self.tail))
        return Risks(float(inside[1] - inside[0]), *self.shares(limits, none, none, sd, noise, slope)[0].tolist())

    def drawn(self, limits: ColourLimits, rng: np.random.Generator) -> Floats:
        """Return both risks and what cannot be told, (`HOUSES`, 3), of houses as so few batches leave them open."""
        lab_sd, noise = (sd * np.sqrt(self.dof / rng.chisquare(self.dof, HOUSES)) for sd in (self.lab_sd, self.noise))
        slope = self.slope + noise / lab_sd * rng.standard_normal(HOUSES) / np.sqrt(self.dof)
        off = lab_sd * rng.standard_normal(HOUSES) * np.sqrt(self.doubt)
        shared = max(self.doubt, 1.0 / self.n_sessions)
        seen_off = slope * off + noise * rng.standard_normal(HOUSES) * np.sqrt(shared)
        return self.shares(limits, off, seen_off, lab_sd, noise, slope)

    def shares(
        self, limits: ColourLimits, off: Floats, seen_off: Floats, lab_sd: Floats, noise: Floats, slope: Floats
    ) -> Floats:
        """Return producer's risk, consumer's risk and what cannot be told, (h, 3), of houses that lie so far off."""
        # off, seen_off (h,): of lab colours and readings; lab_sd, noise, slope (h,): as fields of their names
        at, below = _student(self.tail)
        low, high = (np.interp((end - self.mean - off) / lab_sd, at, below) for end in (limits.low, limits.high))
        # under the limits, between them, over them: Gauss-Legendre in the share of lots
        ends = np.stack([np.zeros(low.size), low, high, np.ones(low.size)], axis=1)
        x, w = np.polynomial.legendre.leggauss(NODES)
        part = np.diff(ends, axis=1)
        shares = ends[:, :-1, None] + part[:, :, None] * (x + 1.0) / 2.0
        lab = lab_sd[:, None, None] * np.interp(shares, below, at)
        reading = self.seen + seen_off[:, None, None] + slope[:, None, None] * lab

        def passes(rule: ColourLimits) -> Floats:
            out = np.zeros_like(lab)
            for one in self.uncertainties.tolist():
                ends = _accepted(rule, one)
                if ends[0] < ends[1]:
                    first, last = (np.interp((end - reading) / noise[:, None, None], at, below) for end in ends)
                    out += last - first
            return part * (out / len(self.uncertainties) @ w) / 2.0

        own = passes(limits)
        between = passes(replace(limits, rule=LENIENT)) - passes(replace(limits, rule=GUARDED))
        return np.stack([part[:, 1] - own[:, 1], own[:, 0] + own[:, 2], between.sum(axis=1)], axis=1)


@lru_cache(maxsize=len(TAILS))
def _student(tail: float) -> tuple[Floats, Floats]:
    """Return values of Student's t, closer where it falls, and the share below each."""
    at = np.sinh(np.linspace(-7.0, 7.0, 2801))
    return at, stdtr(tail, at)


def _lots(fitted: FittedHouse, limits: tuple[ColourLimits, ...]) -> list[_Lots | None]:
    """Return the lots that each row of limits is for, None where the set does not tell."""
    if fitted.colour is None or fitted.cautions is None or fitted.pours is None or not limits:
        return [None] * len(limits)
    samples, n_beers, fit = fitted.identity.samples, len(fitted.beers), fitted.colour
    of_sample = samples.beer[samples.batch]
    read = read_colours(
        fit, fitted.cautions, samples.reflectance, samples.n_pours, COVERAGE, nearest=of_sample,
        known=np.ones(of_sample.size, bool),
    )  # fmt: skip
    half = (read.high - read.low) / 2.0 / float(ndtri((1.0 + COVERAGE) / 2.0)) / read.colour
    # the set knows its own batches better than it will know new ones
    batch = np.flatnonzero(np.isfinite(fitted.pours.lab))[fit.batch_code]
    place = np.full(samples.beer.size, -1)
    place[batch] = np.arange(batch.size)
    taught = np.flatnonzero(place[samples.batch] >= 0)
    half[taught] *= fit.held_out_widening(samples.reflectance[taught], place[samples.batch][taught])
    beer, session = fitted.beer_of_batch[batch], fitted.pours.session[batch]
    if np.bincount(beer).max() < 2:
        return [None] * len(limits)
    own = [half[of_sample == k] for k in range(n_beers)]
    unsure = [np.quantile(one, WIDTHS) if one.size else np.array([np.nan]) for one in own]
    # a batch pulls its own reading to its lab colour; held out, it moves the model away: half-way it does neither
    at = place[samples.batch][taught]
    seen = np.bincount(at, read.colour[taught], minlength=beer.size) / np.bincount(at, minlength=beer.size)
    seen = (seen + fit.held_out_colour) / 2.0
    lots = _lots_like(fit.lab_colour, seen, beer, session, unsure)
    found: list[_Lots | None] = []
    for row in limits:
        one = lots[fitted.beers.index(row.beer)]
        found.append(one and one.times(float(in_colour_unit(np.ones(1), fitted.colour_unit, row.unit)[0])))
    return found


def _lots_like(lab: Floats, seen: Floats, beer: Ints, session: Ints, unsure: list[Floats]) -> list[_Lots | None]:
    # lab, seen, beer, session (n,): of batches; unsure: of readings of each beer, relative to its colour
    known = np.isfinite(lab) & np.isfinite(seen)
    lab, seen, beer, session = lab[known], seen[known], beer[known], session[known]
    count = np.bincount(beer, minlength=len(unsure)).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(beer, lab, minlength=count.size) / count
    values = np.stack([lab, seen], axis=1) / mean[beer, None]
    if np.allclose(values[:, 0], 1.0, rtol=0.0, atol=1e-12):
        return [None] * count.size
    dof = float(np.maximum(count - 2.0, 0.0).sum())  # two batches of a beer show no tail
    normal = one = settled = _scatter(values, beer, count, TAILS[0], np.ones(beer.size))
    for tail in TAILS[1:]:
        settled = _scatter(values, beer, count, tail, settled.weight)
        if settled.log > max(one.log, normal.log + EVIDENCE * (1.0 + FEW_DOF / max(dof, 1.0))):
            one = settled
    found: list[_Lots | None] = []
    for k, scale in enumerate(mean.tolist()):
        if not np.isfinite([scale, *unsure[k]]).all():
            found.append(None)
            continue
        (lab_square, shared), (_, square) = one.covariance[k]
        slope = max(float(shared / lab_square), LEAST_SLOPE)
        noise = float(np.sqrt(max(square - 2.0 * slope * shared + slope**2 * lab_square, LEAST_SCATTER * square)))
        centre = scale * one.centre[k]
        found.append(
            _Lots(
                float(centre[0]), float(centre[1]), scale * float(np.sqrt(lab_square)), slope, scale * noise,
                scale * unsure[k], int(count[k]), np.unique(session[beer == k]).size, float(one.dof[k]), one.tail,
            )
        )  # fmt: skip
    return found


class _Scatter(NamedTuple):
    centre: Floats  # (b, 2)
    covariance: Floats  # (b, 2, 2): of lab colours and readings of one batch
    dof: Floats  # (b,)
    weight: Floats  # (n,): of each batch
    tail: float
    log: float  # likelihood of each batch by the others, in its logarithm


def _scatter(values: Floats, beer: Ints, count: Floats, tail: float, weight: Floats) -> _Scatter:
    """Return how lab colours and readings of beers scatter as a bivariate t: far batches count less, not nothing."""
    # K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Stat. Assoc. 84:881-896, 1989 (from memory), by EM;
    # covariances drawn to the common one by as much as beers are alike
    # values (n, 2), beer (n,), count (b,); weight (n,): to begin with
    dof, b = np.maximum(count - 1.0, 0.0), count.size
    few = (count / np.maximum(count - 1.0, 1.0))[beer]
    for _ in range(ROUNDS):
        with np.errstate(invalid="ignore", divide="ignore"):
            sums = [np.bincount(beer, weight * of, minlength=b) for of in (*values.T, np.ones(beer.size))]
            centre = np.asarray(np.stack(sums[:2], axis=1) / sums[2][:, None], float)
        away = values - centre[beer]
        products = np.zeros((b, 2, 2))
        # both scatters and what they share at once: one by one they leave slopes of 0.4 and of 1.8
        np.add.at(products, beer, weight[:, None, None] * away[:, :, None] * away[:, None, :])
        products += LEAST_SCATTER * dof[:, None, None] * products[:, :1, :1].sum(axis=0) / dof.sum() * np.eye(2)
        covariance, prior = shrink_covariances(products, dof)
        behind = np.maximum(dof.sum() * np.ones(b) if np.isinf(prior) else dof + prior, 2.0)[beer]
        part = few * np.einsum("ni,nij,nj->n", away, np.linalg.inv(covariance)[beer], away) / behind
        weight_was, weight = weight, (tail + 2.0) / (tail + behind * part)
    # of each batch by the others: beers with a scatter each would fit far batches better than any tail does
    left = np.maximum(1.0 - weight_was * part, LEAST_LEFT)
    squared = (behind - 1.0) * part / left
    log = gammaln(tail / 2.0 + 1.0) - gammaln(tail / 2.0) - np.log(tail * np.pi)
    size = np.linalg.slogdet(covariance)[1][beer] + np.log(left) + 2.0 * np.log(behind / (behind - 1.0))
    log = log - size / 2.0 - (tail / 2.0 + 1.0) * np.log1p(squared / tail)
    # a scatter with such tails is known as so much less (information of a scale: tail / (tail + 3))
    known = np.minimum(dof + prior, dof.sum()) * tail / (tail + 3.0)
    return _Scatter(centre, covariance, known, weight, tail, float(log.sum()))


@lru_cache(maxsize=256)  # the bounds of a risk ask for the same limits again
def _accepted(limits: ColourLimits, uncertainty: float) -> tuple[float, float]:
    if limits.rule == SIMPLE:
        return limits.low, limits.high
    risk = limits.risk if limits.rule == GUARDED else 1.0 - limits.risk
    return acceptance_limits(uncertainty, risk, lower=limits.low, upper=limits.high)


def _risks(limits: ColourLimits, lots: _Lots) -> tuple[object, ...]:
    accepted = _accepted(limits, float(np.median(lots.uncertainties)))
    risks = lots.risks(limits)
    ends = np.quantile(lots.drawn(limits, np.random.default_rng(0)), [OUTSIDE / 2.0, 1.0 - OUTSIDE / 2.0], axis=0)
    others = 1.0 - risks.in_tolerance
    return (
        limits.unit, limits.low, limits.high, limits.rule, limits.risk, limits.valid_from, limits.valid_to, *accepted,
        risks.in_tolerance, risks.producer, risks.consumer,
        risks.producer / risks.in_tolerance if risks.in_tolerance > NEXT_TO_NONE else np.nan,
        risks.consumer / others if others > NEXT_TO_NONE else np.nan, risks.cannot_tell, lots.n_batches,
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
