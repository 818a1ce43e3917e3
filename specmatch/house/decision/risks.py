"""What a decision rule on colour comes to: lots of the house's own kind that it holds or passes wrongly.

JCGM 106:2012, 9.5: lots scatter as the lab colours of the set's own batches do, and as their readings when each was
held out. That a lot conforms means that its lab colour lies within the limits.
"""

import hashlib
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from specmatch.array_types import Floats, Ints
from specmatch.batches import in_colour_unit
from specmatch.errors import OptionError
from specmatch.house.decision.specification import GUARDED, LENIENT, SIMPLE, ColourLimits, Specification
from specmatch.house.fitting.fitting import FittedHouse
from specmatch.house.reading.colour import read_colours
from specmatch.maths.classification.covariance import shrink_variances
from specmatch.maths.statistics.conformance import Risks, acceptance_limits, global_risks

# of the interval that the uncertainty of a reading is taken from, as decisions take it
COVERAGE = 0.90
# a correlation is between these, that no rounding of few batches makes readings of no use, or perfect
LEAST_SHARED, LARGEST_SHARED = 0.1, 0.99
# a share of lots too small to be a condition
NEXT_TO_NONE = 1e-9
COLUMNS = (
    "unit", "low", "high", "rule", "risk", "accepted_low", "accepted_high", "conform", "producer_risk",
    "consumer_risk", "held_of_conforming", "passed_of_others", "cannot_tell", "n_batches",
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


def limits_by_risk(fitted: FittedHouse, specification: Specification, producer_risk: float) -> Specification:
    """Return limits whose rule holds so many of the lots that conform, each beer with guard bands of its own."""
    if not 0.0 < producer_risk < 0.5:
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
    uncertainty: float  # of a reading, as a decision takes it from the interval
    n_batches: int

    def risks(self, limits: ColourLimits, accepted: tuple[float, float]) -> Risks:
        """Return the risks of letting readings between two limits pass."""
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
    lab, seen = fitted.colour.lab_colour, fitted.colour.held_out_colour
    beer = fitted.beer_of_batch[np.isfinite(fitted.pours.lab)][fitted.colour.batch_code]
    count = np.bincount(beer, minlength=n_beers).astype(float)
    if not (count > 1.0).any():
        return [None] * len(limits)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, seen_mean = (np.bincount(beer, values, minlength=n_beers) / count for values in (lab, seen))
        lab_sd, seen_sd, apart = (
            _sd_of_new(values, beer, count)
            for values in (lab / mean[beer], seen / mean[beer], (seen - lab) / mean[beer])
        )
    found: list[_Lots | None] = []
    for row in limits:
        k = fitted.beers.index(row.beer)
        # what readings and lab colours share: Var(lab - reading) = Var(lab) + Var(reading) - 2 shared
        most = LARGEST_SHARED * lab_sd[k] * seen_sd[k]
        shared = np.clip((lab_sd[k] ** 2 + seen_sd[k] ** 2 - apart[k] ** 2) / 2.0, LEAST_SHARED * most, most)
        unsure = np.median(half[of_sample == k])
        if not np.isfinite([mean[k], shared, unsure]).all() or lab_sd[k] == 0.0:
            found.append(None)
            continue
        unit = float(in_colour_unit(np.ones(1), fitted.colour_unit, row.unit)[0])
        centre = unit * float(mean[k])
        found.append(
            _Lots(
                centre, unit * float(seen_mean[k]), centre * float(lab_sd[k]), float(shared / lab_sd[k] ** 2),
                centre * float(np.sqrt(seen_sd[k] ** 2 - shared**2 / lab_sd[k] ** 2)), centre * float(unsure),
                int(count[k]),
            )
        )  # fmt: skip
    return found


def _sd_of_new(values: Floats, beer: Ints, count: Floats) -> Floats:
    """Return the sd of a new batch about the mean of its beer, each beer's drawn towards that of all."""
    mean, dof = np.bincount(beer, values, minlength=count.size) / count, np.maximum(count - 1.0, 0.0)
    squares = np.bincount(beer, (values - mean[beer]) ** 2, minlength=count.size)
    own = shrink_variances(np.where(dof > 0, squares / np.maximum(dof, 1.0), 0.0), dof)[0]
    return np.asarray(np.sqrt(own * (1.0 + 1.0 / count)), float)


def _accepted(limits: ColourLimits, uncertainty: float) -> tuple[float, float]:
    """Return the readings between which the rule lets a lot pass."""
    if limits.rule == SIMPLE:
        return limits.low, limits.high
    risk = limits.risk if limits.rule == GUARDED else 1.0 - limits.risk
    return acceptance_limits(uncertainty, risk, lower=limits.low, upper=limits.high)


def _risks(limits: ColourLimits, lots: _Lots) -> tuple[object, ...]:
    accepted = _accepted(limits, lots.uncertainty)
    risks = lots.risks(limits, accepted)
    others = 1.0 - risks.in_tolerance
    mild, strict = (
        lots.between(_accepted(replace(limits, rule=rule), lots.uncertainty)) for rule in (LENIENT, GUARDED)
    )
    return (
        limits.unit, limits.low, limits.high, limits.rule, limits.risk, *accepted, risks.in_tolerance, risks.producer,
        risks.consumer, risks.producer / risks.in_tolerance if risks.in_tolerance > NEXT_TO_NONE else np.nan,
        risks.consumer / others if others > NEXT_TO_NONE else np.nan, mild - strict, lots.n_batches,
    )  # fmt: skip


def _by_risk(limits: ColourLimits, lots: _Lots, wanted: float) -> ColourLimits:
    from scipy.optimize import brentq  # here: it takes longer to import than a reading does

    def too_many(risk: float) -> float:
        accepted = acceptance_limits(lots.uncertainty, risk, lower=limits.low, upper=limits.high)
        found = lots.risks(limits, accepted)
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
