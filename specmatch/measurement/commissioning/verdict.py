"""Figures of a commissioning against their limits: within, near or beyond, and the certificate over them."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.errors import OptionError
from specmatch.measurement.commissioning.response import Estimate

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
    "axis_shift_nm": FigureKind(
        "wavelengths: true less stated, whole pattern, all pieces together", "nm", 0.2,
        "holmium or didymium glass, a mercury lamp or a fluorescent tube",
    ),
    "slit_nm": FigureKind("width of the slit, full width at half height", "nm", None, "the same pieces"),
    "nonlinearity": FigureKind(
        "response to counts, bright less dim end of the ladder", "share", 0.005, "integration ladder"
    ),
    "nonlinearity_dilution": FigureKind(
        "absorbance of dilutions off a straight line, cup and glare included", "share", 0.03, "dilution 1, 0.5, 0.25"
    ),
    "stray_light": FigureKind("light where a cut-off filter lets none pass", "share", 0.002, "cut-off filter 550"),
    "other_light": FigureKind("light over an opaque cup: room light, glare", "share", 0.001, "opaque cup"),
    "dark_share": FigureKind("dark counts over those of the brightest channel", "share", 0.1, "darks, references"),
    "dark_drift": FigureKind("drift of the dark an hour, of the mean light", "share/h", 0.005, "darks over an hour"),
    "dark_per_degree": FigureKind(
        "dark for each degree, of the mean light", "share/°C", 0.002, "darks at two temperatures (temperature_c)"
    ),
    "noise": FigureKind("noise of one scan in the brightest channel", "share", 0.005, "repeats of any scan"),
    "level_drift": FigureKind("drift of the light an hour", "share/h", 0.01, "steady light over an hour"),
    "tilt_drift": FigureKind("drift of blue against red an hour", "share/h", 0.01, "steady light over an hour"),
    "axis_drift_nm": FigureKind("drift of the axis an hour, on the lamp's flanks", "nm/h", 0.1, "steady light"),
    "empty_cup_spread": FigureKind("empty cup taken out and put back, sd of the level", "share", 0.005, "empty cup"),
    "water_spread": FigureKind("water poured anew, sd of the level", "share", 0.01, "refilled water"),
    "reference_level": FigureKind("refilled water over a reference said to be water", "share", 0.02, "refilled water"),
}  # fmt: skip


def limits_of(own: Mapping[str, float] | None) -> dict[str, float]:
    """Return the limit of each figure that has one, the house's own before the defaults."""
    limits = {name: kind.limit for name, kind in KINDS.items() if kind.limit is not None}
    for name, limit in (own or {}).items():
        if name not in limits:
            raise OptionError(f"limits: {name!r} is no figure with a limit; use some of {', '.join(limits)}")
        if not (np.isfinite(limit) and limit > 0):
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
