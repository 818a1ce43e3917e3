"""The colour of samples: the regression with its interval, and all that speaks against taking it at its word."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.colour.double_pass import routes_disagree
from specmatch.house.fitting.colour_cautions import ColourWarnings
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.regression.conformal import Interval

POURS, FILL_TOLERANCE, TRANSFER = "spread of pours", "fill tolerance added", "transfer added"


@dataclass(frozen=True)
class ColourReadings:
    """Colours of samples."""

    colour: Floats  # colour, low, high: (n,)
    low: Floats
    high: Floats
    # `"jackknife+"` or `"normal"`, and where the spread of pouring in it comes from: `"spread of pours"` of the set, or
    # `"fill tolerance added"`; and `"transfer added"` on a module that the set was carried to
    method: str
    normal_errors_assumed: bool
    codes: dict[int, list[str]]  # row -> warning codes


def read_colours(
    fit: ColourModel,
    cautions: ColourWarnings,
    reflectance: Floats,
    n_pours: Ints,
    coverage: float,
    *,
    nearest: Ints,
    known: Mask,
) -> ColourReadings:
    """Read colours, and say what speaks against them."""
    # reflectance (n, p), n_pours (n,), nearest (n,), known (n,)
    # known: whether the sample may be a beer of the set; the others promise nothing that a route could deny
    found = fit.interval(reflectance, n_pours, coverage)
    low, high = found.low, found.high
    method = f"{found.method}, {POURS if cautions.pours_shown else FILL_TOLERANCE}"
    more = np.hypot(0.0 if cautions.pours_shown else cautions.path_sd, cautions.transfer_sd)
    if cautions.transfer_sd:
        method = f"{method}, {TRANSFER}"
    if more:
        # in logarithms, where path and colour add; the parts of the interval add as independent errors
        extra = float(ndtri(0.5 + coverage / 2.0)) * more
        low = found.colour * np.exp(-np.hypot(np.log(found.colour / low), extra))
        high = found.colour * np.exp(np.hypot(np.log(high / found.colour), extra))
    codes: dict[int, list[str]] = {}
    if cautions.optics is not None:
        widened = Interval(found.colour, low, high, method, found.normal_errors_assumed)
        differ = routes_disagree(widened, cautions.optics.read(reflectance, coverage))
        # beyond its reach the optical route has no say
        for row in np.flatnonzero(differ & cautions.optics.trusts(found.colour) & known):
            codes.setdefault(int(row), []).append("routes_disagree")
    for row in np.flatnonzero(cautions.unfit[nearest] & known):
        codes.setdefault(int(row), []).append("colour_not_fit")
    return ColourReadings(found.colour, low, high, method, found.normal_errors_assumed, codes)
