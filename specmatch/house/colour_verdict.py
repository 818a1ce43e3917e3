"""A reading's colour against the limits of its beer: within, out, or not to be told from this reading."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from specmatch.batches import in_colour_unit
from specmatch.house.specification import GUARDED, SIMPLE, ColourLimits
from specmatch.maths.conformity import conformance_probability

WITHIN, OUT, CANNOT_TELL = "within", "out", "cannot tell"


@dataclass(frozen=True)
class ColourVerdict:
    """What limits and reading come to.

    Attributes
    ----------
    verdict : str
        `within`, `out` or `cannot tell`.
    passes : bool
        Whether the beer's decision rule lets it pass.
    probability : float
        That the lab colour lies within the limits; NaN where the interval has no end.
    sentence : str
    """

    verdict: str
    passes: bool
    probability: float
    sentence: str


def judge_colour(
    limits: ColourLimits, colour: float, low: float, high: float, *, unit: str, coverage: float
) -> ColourVerdict:
    """Hold a reading against colour limits.

    Parameters
    ----------
    limits : ColourLimits
    colour, low, high : float
        The reading and its interval.
    unit : {"EBC", "SRM"}
        Of the reading.
    coverage : float
        Of the interval, in (0, 1).

    Returns
    -------
    ColourVerdict

    Notes
    -----
    The standard uncertainty is half the interval over the normal quantile of its coverage; the probability is that of
    JCGM 106:2012, 7.1. It speaks of the colour that the lab would find, errors of the lab included. `simple_acceptance`
    asks only whether the reading lies within (8.2), `guarded_acceptance` that it conforms with at least `1 - risk`
    (8.3.2), `guarded_rejection` that it fails with less than `1 - risk` (8.3.3).

    Examples
    --------
    >>> limits = ColourLimits("Pale", 8.0, 7.0, 9.0, "EBC", "guarded_acceptance", 0.05, None, None)
    >>> [judge_colour(limits, x, x - 0.4, x + 0.4, unit="EBC", coverage=0.9).verdict for x in (8.0, 8.9, 9.8)]
    ['within', 'cannot tell', 'out']
    """
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
    said = {
        WITHIN: "colour within specification",
        OUT: "colour out of specification",
        CANNOT_TELL: "cannot tell whether the colour is within specification",
    }[verdict]
    return ColourVerdict(
        verdict, passes, p, f"{said} ({colour:.3g} {limits.unit}, {shown}, probability within {p:.2f})"
    )
