"""Invented cups: light through a layer of beer over a mirror, a matt base or one between, with haze, foam and glare."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SURFACE = 0.021  # of light at the free surface, normal incidence, n = 1.34 (Fresnel)
INSIDE = 0.5  # of diffuse light from below, most of it beyond the angle of total reflection (invented, near n = 1.34)
SEEN, DIFFUSE = 1.15, 2.0  # mean path over depth: of the light that leaves towards the eye, of isotropic light
BACKWARD, WIDE = 0.12, 0.35  # share of scattered light that comes back, and that leaves the beam (invented)


@dataclass(frozen=True)
class CupSpec:
    """A cup and how it is poured: base level and gloss (1 = mirror), glare, foam, spread of the path between pours."""

    cup_mm: float = 40.0
    fill_ml: float = 10.0
    base: float = 0.6
    gloss: float = 1.0
    base_tilt: float = 0.0
    glare: float = 0.006
    foam_level: float = 0.55
    foam_mean: float = 0.002
    path_sd: float = 0.012
    tail_df: float = np.inf


def depth_cm(cup_mm: float, fill_ml: float) -> float:
    """Return the depth of `fill_ml` in a straight cup of inner diameter `cup_mm`, cm."""
    return fill_ml / (np.pi * (cup_mm / 20.0) ** 2)


def seen(cup: CupSpec, nm: Floats, absorption: Floats, haze: Floats, depth: Floats) -> Floats:
    """Return the light that comes back of 1 that falls in: absorption and haze 1/cm (n, p), depth cm (n,)."""
    base = cup.base * (1.0 + cup.base_tilt * (nm - 550.0) / 100.0)
    # light scattered out of the beam is lost to it; what stays forward goes on
    lost = (absorption + WIDE * haze) * depth[:, None]
    down = np.exp(-lost)
    mirror = cup.gloss * base * down**2 / (1.0 - SURFACE * cup.gloss * base * down**2)
    again = INSIDE * (1.0 - cup.gloss) * base * np.exp(-2.0 * DIFFUSE * lost)
    matt = (1.0 - cup.gloss) * base * down * np.exp(-SEEN * lost) * (1.0 - INSIDE) / (1.0 - again)
    # a drop at depth z sends light back through all that lies above it: haze in a dark beer is seen near the top only
    way = (1.0 + SEEN) * (absorption + WIDE * haze) * depth[:, None]
    back = BACKWARD * haze * depth[:, None] * -np.expm1(-way) / np.maximum(way, 1e-12)
    return cup.glare + (1.0 - SURFACE) ** 2 * (mirror + matt + back)


def water(cup: CupSpec, nm: Floats) -> Floats:
    """Return the light that comes back over water, shape (1, p)."""
    clear = np.zeros((1, nm.size))
    return seen(cup, nm, clear, clear, np.ones(1))
