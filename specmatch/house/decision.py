"""From a reading and a claim to a decision, with one sentence of reason and one of what to do next.

Never "released": the check screens, people release.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import TableError, UnknownBeerError
from specmatch.house.colour_verdict import CANNOT_TELL, ColourVerdict, judge_colour
from specmatch.house.specification import Specification
from specmatch.maths.sequential import CONSISTENT as CONSISTENT
from specmatch.maths.sequential import HOLD as HOLD
from specmatch.warning_codes import RESCAN, WARNING_CODES

DECISIONS = (CONSISTENT, HOLD, RESCAN)


@dataclass(frozen=True)
class Decision:
    """What is decided of a claim.

    Attributes
    ----------
    decision : str
        One of `DECISIONS`.
    reason, advice : str
        Why, and what to do next.
    """

    decision: str
    reason: str
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
    """Judge a claim.

    Parameters
    ----------
    claimed : str
        The beer, or the package label, that the line says it is.
    claimed_p_value : float
        How typical the sample is of the claimed beer (the best of `beers`), in [0, 1]; NaN where it is not offered.
    false_reject_rate : float
        Share of rightly claimed samples that may be held, in (0, 1).
    nearest_beer : str
    plausible_beers : sequence of str
        Every beer that is not rejected at `false_reject_rate`.
    warnings : sequence of str
        Codes of `specmatch.warning_codes.WARNING_CODES`.
    beers : collection of str, optional
        Beers that the claim stands for; by default the claim itself.
    colour : ColourVerdict, optional
        The reading against the beer's colour limits, where the house has laid some down.

    Returns
    -------
    Decision

    Examples
    --------
    >>> decide("Pale", claimed_p_value=0.4, false_reject_rate=0.05, nearest_beer="Pale",
    ...        plausible_beers=("Pale",), warnings=()).decision
    'consistent'
    """
    faults = [code for code in warnings if WARNING_CODES[code].effect == RESCAN]
    if faults:
        sentence = WARNING_CODES[faults[0]].sentence
        return Decision(RESCAN, f"the scan is not fit to be judged: {sentence}", "mend the cause and measure again")
    meant = (claimed,) if beers is None else beers
    others = [beer for beer in plausible_beers if beer not in meant]
    if any(beer in meant for beer in plausible_beers):
        typical = f"typical of {claimed} (p = {claimed_p_value:.2f})"
        if colour is not None and not colour.passes:
            advice = "keep the packages, measure the colour by transmission"
            if colour.verdict == CANNOT_TELL:
                advice = "keep the packages; measure again or by transmission, which says it more closely"
            return Decision(HOLD, f"{typical}; {colour.sentence}", advice)
        if colour is not None:
            typical = f"{typical}; {colour.sentence}"
        if others:
            return Decision(
                CONSISTENT,
                f"{typical}, and as well of {', '.join(others)}"
                if colour is None
                else f"{typical}; as typical of {', '.join(others)}",
                f"this check cannot tell {claimed} from {', '.join(others)}: confirm by another route where it matters",
            )
        return Decision(CONSISTENT, typical, "go on")
    if np.isnan(claimed_p_value):
        return Decision(
            HOLD,
            f"{claimed} is not offered on the day this sample was measured (valid_from, valid_to of the beers table)",
            "keep the packages; correct the claim, or the table of beers",
        )
    rate = f"under the stated {false_reject_rate:.3g}"
    unlikely = f"p < 0.001, {rate}" if claimed_p_value < 0.001 else f"p = {claimed_p_value:.3f}, {rate}"
    if others:
        return Decision(
            HOLD,
            f"not typical of {claimed} ({unlikely}); typical of {', '.join(others)}",
            f"keep the packages, check which beer is on the line, pour again; {others[0]} is the first to think of",
        )
    return Decision(
        HOLD,
        f"not typical of {claimed} ({unlikely}) nor of any beer of the set; the nearest is {nearest_beer}",
        "keep the packages, pour again; if it stands, measure by transmission and find out what it is",
    )


def decide_all(
    claims: Sequence[str | None],
    readings: pd.DataFrame,
    p_values: Floats,
    beers: Sequence[str],
    false_reject_rate: float,
    *,
    specification: Specification | None = None,
    on: date | None = None,
    coverage: float = 0.90,
) -> pd.DataFrame:
    """Judge the claim of each reading.

    Parameters
    ----------
    claims : sequence of str or None, length n
    readings : DataFrame, n rows
    p_values : ndarray, shape (n, n_beers)
        How typical each sample is of each beer.
    beers : sequence of str, length n_beers
    false_reject_rate : float
    specification : Specification, optional
        What labels stand for and how the colour of each beer is limited.
    on : date, optional
        Day for which limits and labels are looked up.
    coverage : float, default 0.90
        Of the readings' colour intervals.

    Returns
    -------
    DataFrame
        `claimed`, `decision`, `reason`, `advice`; claim and decision are None where no claim was made.

    Examples
    --------
    >>> claims = ["Night Porter", "Amber Lane", None]
    >>> p_values = house.p_values(session).to_numpy()
    >>> decide_all(claims, house.read(session), p_values, house.beers_, 0.05)["decision"].tolist()
    ['consistent', 'hold', None]
    """
    rows: list[tuple[str | None, str | None, str, str]] = []
    laid_down, places = specification or Specification(), {beer: place for place, beer in enumerate(beers)}
    for claim, p, reading in zip(claims, p_values, readings.itertuples(index=False), strict=True):
        if claim is None:
            rows.append((None, None, "no claim was made: a reading only", "name the beer to have the claim judged"))
            continue
        meant = laid_down.beers_of(claim, on)
        best = max(meant, key=lambda beer: np.nan_to_num(p[places[beer]], nan=-1.0))
        limits = laid_down.limits_of(best, on)
        colour = None
        if limits is not None:
            interval = (reading.colour, reading.colour_low, reading.colour_high)
            colour = judge_colour(limits, *interval, unit=reading.colour_unit, coverage=coverage)
        got = decide(
            claim,
            claimed_p_value=float(p[places[best]]),
            false_reject_rate=false_reject_rate,
            nearest_beer=reading.nearest_beer,
            plausible_beers=reading.plausible_beers,
            warnings=reading.warnings,
            beers=meant,
            colour=colour,
        )
        rows.append((claim, got.decision, got.reason, got.advice))
    return pd.DataFrame(rows, index=readings.index, columns=["claimed", "decision", "reason", "advice"], dtype=object)


def check_claims(
    claimed: Any, samples: pd.Index, beers: Sequence[str], *, labels: Collection[str] = ()
) -> list[str | None]:
    """Return the claim of each sample, None where there is none.

    Parameters
    ----------
    claimed : str, Series or mapping
        One beer for all samples, or sample -> beer; blank means no claim.
    samples : Index of str
    beers : sequence of str
        The beers of the set.
    labels : collection of str
        Package labels that may be claimed as well.

    Returns
    -------
    list of str or None

    Raises
    ------
    UnknownBeerError
        If a claim names a beer that the set does not hold.
    TableError
        If there is no claim at all, or one for a sample that has no scan.

    Examples
    --------
    >>> check_claims({"s1": "Pale"}, pd.Index(["s1", "s2"]), ["Pale"])
    ['Pale', None]
    """
    if claimed is None:
        raise TableError(
            "verify needs a claim: fill the column beer of scans.csv, say --claim BEER, or in Python "
            "claimed='BEER' or a Series sample -> beer"
        )
    if isinstance(claimed, str):
        claims: list[str | None] = [claimed] * len(samples)
    else:
        table = {str(sample).strip(): beer for sample, beer in dict(claimed).items()}
        unused = set(table) - set(samples)
        if unused:
            raise TableError(
                f"a claim is made for sample {sorted(unused)[0]!r}, which has no scan; samples match as text"
            )
        claims = [None if _blank(table.get(name)) else str(table[name]).strip() for name in samples]
    for name, claim in zip(samples, claims, strict=True):
        if claim is not None and claim not in beers and claim not in labels:
            known = f"; the labels are {', '.join(sorted(labels))}" if labels else ""
            meant = _nearest_name(claim, [*beers, *labels])
            raise UnknownBeerError(
                f"sample {name!r} is claimed to be {claim!r}, which is no beer of the set{meant}; it holds "
                f"{', '.join(beers)}{known}"
            )
    return claims


def _nearest_name(claim: str, names: Sequence[str]) -> str:
    folded = {name.casefold(): name for name in names}
    near = get_close_matches(claim.casefold(), folded, n=1)
    return f" (is {folded[near[0]]!r} meant?)" if near else ""


def _blank(value: object) -> bool:
    return value is None or (isinstance(value, float) and np.isnan(value)) or str(value).strip() == ""
