"""Figures of a commissioning against their limits: within, near or beyond, and the certificate over them."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import is_number
from specmatch.errors import OptionError
from specmatch.measurement.commissioning.response import Estimate
from specmatch.wording import rows_beside

WITHIN, NEAR, BEYOND, STATED, MISSING = "within", "near", "beyond", "stated", "not measured"
# one-sided 95 %: a figure is within, or beyond, only where chance leaves no doubt; between them it is near
SURE = 1.645
FORMAT = 1


@dataclass(frozen=True)
class FigureKind:
    """What a figure is, its unit, its default limit, and what to scan for it."""

    what: str
    unit: str
    limit: float | None
    scan: str


# The limits are defaults of this library's own, no standard's: chosen so that each alone moves a colour by no more than
# about 1 %. A house sets its own.
KINDS = {
    name: FigureKind(what, unit, float(limit) if limit else None, scan)
    for name, what, unit, limit, scan in rows_beside(__file__, "figure_kinds.csv")
}


def limits_of(own: Mapping[str, float] | None) -> dict[str, float]:
    """Return the limit of each figure that has one, the house's own before the defaults."""
    limits = {name: kind.limit for name, kind in KINDS.items() if kind.limit is not None}
    if own is not None and not isinstance(own, Mapping):
        raise OptionError(f"limits is {own!r}; expected figure -> limit, such as {{'noise': {limits['noise']:g}}}")
    for name, limit in (own or {}).items():
        if name not in limits:
            raise OptionError(f"limits: {name!r} is no figure with a limit; use some of {', '.join(limits)}")
        if not (is_number(limit) and 0 < limit < np.inf):
            raise OptionError(f"limits: {name} is {limit!r}; expected a number above 0, such as {limits[name]:g}")
        limits[name] = float(limit)
    return limits


def judge(found: Mapping[str, tuple[Estimate, str]], limits: Mapping[str, float]) -> pd.DataFrame:
    """Lay out every figure with its uncertainty, its limit and where it stands."""
    # found: name -> (estimate, what it was found from)
    rows = []
    for name, kind in KINDS.items():
        estimate, source = found.get(name, (Estimate(np.nan, np.nan), f"scan {kind.scan}"))
        limit = limits.get(name, np.nan)
        rows.append((name, kind.what, estimate.value, estimate.sd, kind.unit, limit, _state(estimate, limit), source))
    columns = ["figure", "what", "value", "uncertainty", "unit", "limit", "state", "source"]
    return pd.DataFrame(rows, columns=columns).set_index("figure")


def _state(estimate: Estimate, limit: float) -> str:
    if not np.isfinite(estimate.value):
        return MISSING
    if not np.isfinite(limit):
        return STATED
    doubt = SURE * estimate.sd if np.isfinite(estimate.sd) else 0.0
    if abs(estimate.value) - doubt > limit:
        return BEYOND
    return WITHIN if abs(estimate.value) + doubt <= limit else NEAR


def certificate_of(content: Mapping[str, object]) -> str:
    """Return the SHA-256 over what a certificate says."""
    text = json.dumps({"format": FORMAT, **content}, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()
