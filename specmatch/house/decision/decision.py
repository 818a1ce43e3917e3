"""From a reading and a claim to a decision, its reason and what to do next; and a colour against its limits."""

# never "released": the check screens, people release

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from specmatch.array_types import Floats, is_number
from specmatch.batches import by_sample, in_colour_unit
from specmatch.errors import TableError, UnknownBeerError
from specmatch.house.decision.specification import GUARDED, SIMPLE, ColourLimits, Specification, conformance_probability
from specmatch.spectra import tidy_name
from specmatch.warning_codes import CONSISTENT, HOLD, RESCAN, WARNING_CODES
from specmatch.wording import nearest_name, p_in_words

WITHIN, OUT, CANNOT_TELL = "within", "out", "cannot tell"
_SAID = {
    WITHIN: "colour within specification", OUT: "colour out of specification",
    CANNOT_TELL: "cannot tell whether the colour is within specification",
}  # fmt: skip
CLAIM_ADVICE = "keep the packages; correct the claim in the sheet and verify again"


@dataclass(frozen=True)
class ColourVerdict:
    """What limits and reading come to."""

    verdict: str  # `within`, `out` or `cannot tell`
    passes: bool  # whether the beer's decision rule lets it pass
    probability: float  # that the lab colour lies within the limits; NaN where the interval has no end
    sentence: str


def judge_colour(
    limits: ColourLimits, colour: float, low: float, high: float, *, unit: str, coverage: float
) -> ColourVerdict:
    """Hold a reading against colour limits, by what the lab would find, its own errors included."""
    # JCGM 106:2012: the probability is that of 7.1; simple acceptance asks only whether the reading lies within (8.2),
    # guarded acceptance that it conforms with 1 - risk (8.3.2), guarded rejection that it fails with less (8.3.3)
    colour, low, high = (float(x) for x in in_colour_unit(np.array([colour, low, high]), unit, limits.unit))
    shown = f"limits {limits.low:.3g} to {limits.high:.3g} {limits.unit}"
    uncertainty = (high - low) / 2.0 / float(ndtri((1.0 + coverage) / 2.0))
    if not np.isfinite(uncertainty) or not np.isfinite(colour):
        sentence = f"the colour interval has no end, so it cannot be held against the {shown}"
        return ColourVerdict(CANNOT_TELL, limits.rule != GUARDED, float("nan"), sentence)
    p = float(conformance_probability(colour, uncertainty, lower=limits.low, upper=limits.high))
    verdict = WITHIN if p >= 1.0 - limits.risk else OUT if p <= limits.risk else CANNOT_TELL
    if limits.rule == SIMPLE:
        passes = limits.low <= colour <= limits.high
    else:
        passes = verdict == WITHIN or (verdict == CANNOT_TELL and limits.rule != GUARDED)
    said = f"{_SAID[verdict]} ({colour:.3g} {limits.unit}, {shown}, probability within {p:.2f})"
    return ColourVerdict(verdict, passes, p, said)


DECISIONS = (CONSISTENT, HOLD, RESCAN)


@dataclass(frozen=True)
class Decision:
    """What is decided of a claim."""

    decision: str  # one of `DECISIONS`
    reason: str  # reason, advice: why, and what to do next
    advice: str


def decide(
    claimed: str,
    *,
    claimed_p_value: float,
    false_reject_rate: float,
    nearest_beer: str,
    plausible_beers: Sequence[str],
    warnings: Sequence[str],
    beers: Collection[str] | None = None,
    colour: ColourVerdict | None = None,
) -> Decision:
    """Judge a claim."""
    # claimed_p_value: how typical the sample is of the claimed beer (the best of `beers`), in [0, 1]; NaN where it is
    # not offered
    faults = [code for code in warnings if WARNING_CODES[code].effect == RESCAN]
    if faults:
        sentence = WARNING_CODES[faults[0]].sentence
        return Decision(RESCAN, f"the scan is not fit to be judged: {sentence}", "mend the cause and measure again")
    meant = (claimed,) if beers is None else beers
    others = [beer for beer in plausible_beers if beer not in meant]
    doubts = [WARNING_CODES[code].sentence for code in warnings if WARNING_CODES[code].effect == HOLD]
    if len(others) == len(plausible_beers):
        got = _not_typical(claimed, claimed_p_value, false_reject_rate, nearest_beer, others)
        # what departs may do so by the doubt alone, and then no other pour helps
        return replace(got, reason="; and ".join([got.reason, *doubts[:1]]))
    reason, advice = f"typical of {claimed} (p = {claimed_p_value:.2f})", "go on"
    if colour is not None:
        reason = f"{reason}; {colour.sentence}"
        if not colour.passes:
            advice = "keep the packages, measure the colour by transmission"
            if colour.verdict == CANNOT_TELL:
                advice = "keep the packages; measure again or by transmission, which says it more closely"
            return Decision(HOLD, "; and ".join([reason, *doubts[:1]]), advice)
    if others:
        named = ", ".join(others)
        reason += f", and as well of {named}" if colour is None else f"; as typical of {named}"
        advice = f"this check cannot tell {claimed} from {named}: confirm by another route where it matters"
    if doubts:
        return Decision(HOLD, f"{reason}; but {doubts[0]}", "settle that, then verify again")
    return Decision(CONSISTENT, reason, advice)


def _not_typical(claimed: str, p_value: float, false_reject_rate: float, nearest: str, others: list[str]) -> Decision:
    if np.isnan(p_value):
        reason = f"{claimed} is not offered on the day this sample was measured"
        advice = "keep the packages; correct the claim, or the table of beers"
        return Decision(HOLD, f"{reason} (valid_from, valid_to of the beers table)", advice)
    reason = f"not typical of {claimed} ({p_in_words(p_value)}; held under {false_reject_rate:.3g})"
    if others:
        advice = f"check which beer is on the line, pour again; {others[0]} is the first to think of"
        return Decision(HOLD, f"{reason}; typical of {', '.join(others)}", f"keep the packages, {advice}")
    advice = "keep the packages, pour again; if it stands, measure by transmission and find out what it is"
    return Decision(HOLD, f"{reason} nor of any beer of the set; the nearest is {nearest}", advice)


def decide_all(
    claims: Sequence[str | None],
    readings: pd.DataFrame,
    p_values: Floats,
    beers: Sequence[str],
    false_reject_rate: float,
    *,
    specification: Specification | None = None,
    days: Sequence[date | None] | None = None,
    coverage: float = 0.90,
) -> pd.DataFrame:
    """Judge the claim of each reading by what is laid down for its day."""
    # p_values (n, n_beers)
    rows: list[tuple[str | None, str | None, str, str]] = []
    laid_down, places = specification or Specification(), {beer: place for place, beer in enumerate(beers)}
    days = [None] * len(claims) if days is None else days
    for claim, on, p, reading in zip(claims, days, p_values, readings.itertuples(index=False), strict=True):
        if claim is None:
            rows.append((None, None, "no claim was made: a reading only", "name the beer to have the claim judged"))
            continue
        try:
            meant = laid_down.beers_of(claim, on)
        except UnknownBeerError as error:
            rows.append((claim, HOLD, str(error), CLAIM_ADVICE))
            continue
        best = max(meant, key=lambda beer: np.nan_to_num(p[places[beer]], nan=-1.0))
        limits = laid_down.limits_of(best, on)
        colour = None
        if limits is not None:
            interval = (reading.colour, reading.colour_low, reading.colour_high)
            colour = judge_colour(limits, *interval, unit=reading.colour_unit, coverage=coverage)
        got = decide(
            claim, claimed_p_value=float(p[places[best]]), false_reject_rate=false_reject_rate, beers=meant,
            nearest_beer=reading.nearest_beer, plausible_beers=reading.plausible_beers, warnings=reading.warnings,
            colour=colour,
        )  # fmt: skip
        lapsed = limits is None and any(row.beer == best for row in laid_down.limits)
        reason = f"{got.reason}; no colour limits of {best} are valid on {on}" if lapsed else got.reason
        rows.append((claim, got.decision, reason, got.advice))
    return pd.DataFrame(rows, index=readings.index, columns=["claimed", "decision", "reason", "advice"], dtype=object)


def check_claims(
    claimed: Any, samples: pd.Index, beers: Sequence[str], *, labels: Collection[str] = ()
) -> list[str | None]:
    """Return the claim of each sample, None where there is none."""
    if claimed is None or (isinstance(claimed, str) and not claimed.strip()):
        raise TableError(
            "verify needs a claim: fill the column beer of scans.csv, say --claim BEER, or in Python "
            "claimed='BEER' or a Series sample -> beer"
        )
    if is_number(claimed, whole=True) and str(claimed) in {*beers, *labels}:
        claimed = str(claimed)
    if isinstance(claimed, str):
        claims: list[str | None] = [tidy_name(claimed)] * len(samples)
    elif not isinstance(claimed, Mapping | pd.Series):
        said = f" {claimed!r}" if np.isscalar(claimed) else ""
        raise TableError(
            f"claimed is a {type(claimed).__name__}{said}, no name; expected a beer by its name, or a Series sample -> "
            "beer"
        )
    else:
        table = by_sample(claimed)
        if unused := set(table) - set(samples):
            raise TableError(f"a claim is made for sample {min(unused)!r}, which has no scan; samples match as text")
        claims = [table.get(name) for name in samples]
    for name, claim in zip(samples, claims, strict=True):
        refuse_unknown_claim(claim, beers, labels, said=f"sample {name!r} is claimed to be")
    return claims


def refuse_unknown_claim(claim: str | None, beers: Sequence[str], labels: Collection[str], *, said: str) -> None:
    """Refuse a claim of a beer that is neither of the set nor a label; `said` begins the sentence."""
    if claim is not None and tidy_name(claim) not in {*beers, *labels}:
        known = f"; the labels are {', '.join(sorted(labels))}" if labels else ""
        meant = nearest_name(claim, [*beers, *labels])
        raise UnknownBeerError(
            f"{said} {claim!r}, which is no beer of the set{meant}; it holds {', '.join(beers)}{known}"
        )
