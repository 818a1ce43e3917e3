"""The colour of samples: the regression with its interval, and all that speaks against taking it at its word."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.batches import by_sample
from specmatch.colour.double_pass import rows_that_disagree
from specmatch.errors import OptionError, TableError
from specmatch.house.fitting.colour_cautions import ColourWarnings
from specmatch.maths.regression.colour_model import ColourModel
from specmatch.maths.regression.conformal import Interval, widen_limits

POURS, FILL_TOLERANCE, TRANSFER, SESSIONS = (
    "spread of pours", "fill tolerance added", "transfer added", "few sessions added"
)  # fmt: skip


@dataclass(frozen=True)
class ColourReadings:
    """Colours of samples."""

    colour: Floats  # colour, low, high: (n,)
    low: Floats
    high: Floats
    # `"jackknife+"` or `"normal"`, and where the spread of pouring in it comes from: `"spread of pours"` of the set, or
    # `"fill tolerance added"`; `"transfer added"` on a module that the set was carried to, `"few sessions added"` where
    # beers were measured in sessions of their own
    method: str
    normal_errors_assumed: bool
    codes: dict[int, list[str]]  # row -> warning codes


def asked_labs(lab: Any) -> Any:
    """Return the lab that is asked for: one for all, or by the names of samples."""
    if lab is None or isinstance(lab, str):
        return lab
    if not isinstance(lab, Mapping | pd.Series):
        raise OptionError(f"lab is {lab!r:.60}; expected the name of a lab, or a Series or mapping sample -> lab")
    return by_sample(lab)


def refuse_unread(labs: Any, samples: pd.Index) -> None:
    """Refuse a lab that is asked for a sample which was not read."""
    strange = set(labs).difference(samples) if isinstance(labs, Mapping) else ()
    if strange:
        raise TableError(f"a lab is named for sample {min(strange)!r}, which has no scan; samples match as text")


def as_lab_reports(
    fit: ColourModel, names: pd.Index, lab: str | Mapping[str, str] | None, table: dict[str, Any], coverage: float
) -> dict[str, Any]:
    """Return the colours of a table of readings as a lab would report them: by default the reference lab of the set."""
    # lab: one for all, or sample -> lab; samples without one are given as the reference lab reports them
    labs = fit.labs
    if labs is None or not labs.labs:
        if lab is not None:
            raise OptionError(
                f"lab is {lab!r:.60}, but the set tells no labs apart; it needs two of three batches or more"
            )
        return table
    cells = [lab] * len(names) if isinstance(lab, str) else [(lab or {}).get(str(name)) for name in names]
    asked = [labs.place(cell) if cell else 0 for cell in cells]
    times, reach = np.exp(labs.effect[asked]), float(ndtri(0.5 + coverage / 2.0)) * labs.sd[asked]
    colour = table["colour"]
    low, high = widen_limits(colour, table["colour_low"], table["colour_high"], reach)
    changed = {"colour": colour * times, "colour_low": low * times, "colour_high": high * times}
    method = np.array([f"{table['interval_method']}, as {labs.labs[place]} reports" for place in asked], dtype=object)
    without = table["colour_without_fault"] * times
    return {**table, **changed, "interval_method": method, "colour_without_fault": without}


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
    if cautions.session_sd is not None:
        more, method = np.hypot(more, cautions.session_sd[nearest]), f"{method}, {SESSIONS}"
    if np.any(more):
        # in logarithms, where path and colour add; the parts of the interval add as independent errors
        extra = np.full(found.colour.shape, float(ndtri(0.5 + coverage / 2.0)) * more)
        low, high = widen_limits(found.colour, low, high, extra)
    codes: dict[int, list[str]] = {}
    if cautions.optics is not None:
        # beyond its reach the optical route has no say
        asked = np.flatnonzero(cautions.optics.trusts(found.colour) & known)
        widened = Interval(found.colour[asked], low[asked], high[asked], method, found.normal_errors_assumed)
        for row in rows_that_disagree(cautions.optics, widened, reflectance, asked, coverage).tolist():
            codes.setdefault(row, []).append("routes_disagree")
    for row in np.flatnonzero(cautions.unfit[nearest] & known):
        codes.setdefault(int(row), []).append("colour_not_fit")
    return ColourReadings(found.colour, low, high, method, found.normal_errors_assumed, codes)
