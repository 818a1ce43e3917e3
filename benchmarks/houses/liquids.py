"""Invented beers: an absorption law of broad bands and an Urbach tail, mixed from the malts of the house.

The tail is that of F. Urbach, Phys. Rev. 92:1324 (1953): absorption grows as exp(E / E_U) in photon energy E. All
figures here are invented; none is taken from a published beer spectrum.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EV_NM = 1239.84
AT_430 = EV_NM / 430.0
EBC_PER_ABSORBANCE = 25.0
DAYS = 365.0


@dataclass(frozen=True)
class LiquidSpec:
    """What a house brews: how many beers, over which colours, from how many malts, and how batches differ."""

    beers: int = 12
    low_ebc: float = 5.0
    high_ebc: float = 60.0
    malts: int = 5
    twins: int = 0
    colour_sd: float = 0.04
    mix_sd: float = 0.08
    tail_df: float = np.inf
    haze_per_cm: float = 0.01
    haze_sd: float = 0.5
    season: float = 0.0


@dataclass(frozen=True)
class Recipes:
    """Beers of a house: names, mean colour in EBC (beers,), shares of the malts (beers, malts), haze 1/cm (beers,)."""

    names: tuple[str, ...]
    colour: Floats
    shares: Floats
    haze: Floats


@dataclass(frozen=True)
class Brews:
    """Batches as brewed: true colour in EBC (n,), shares of the malts (n, malts), haze 1/cm and its slope (n,)."""

    colour: Floats
    shares: Floats
    haze: Floats
    haze_slope: Floats


def malt_palette(malts: int, nm: Floats, rng: np.random.Generator) -> Floats:
    """Return the decadic absorbance of each malt, shape (malts, p), 1 at 430 nm: a tail and three broad bands."""
    energy = EV_NM / np.append(nm, 430.0)
    decay = np.linspace(0.27, 0.47, malts) * rng.uniform(0.95, 1.05, malts)
    law = np.exp((energy - AT_430) / decay[:, None])
    for _ in range(3):
        centre, width = rng.uniform(2.0, 3.3, malts), rng.uniform(0.22, 0.5, malts)
        height = rng.uniform(0.0, 0.45, malts) * np.exp(-np.maximum(AT_430 - centre, 0.0) / 0.35)
        law = law + height[:, None] * np.exp(-(((energy - centre[:, None]) / width[:, None]) ** 2) / 2.0)
    return law[:, :-1] / law[:, -1:]


def house_recipes(spec: LiquidSpec, rng: np.random.Generator) -> Recipes:
    """Return the beers of a house, spaced unevenly over its colours; twins are a few per cent off their neighbour."""
    n = spec.beers
    steps = np.cumsum(rng.uniform(0.5, 1.5, n))
    at = (steps - steps[0]) / max(steps[-1] - steps[0], 1e-9)
    colour = np.exp(np.log(spec.low_ebc) + at * np.log(spec.high_ebc / spec.low_ebc))
    shares = rng.dirichlet(np.full(spec.malts, 0.8), n)
    for twin in rng.permutation(np.arange(1, n))[: spec.twins]:
        colour[twin] = colour[twin - 1] * rng.uniform(1.0, 1.06)
        shares[twin] = 0.6 * shares[twin - 1] + 0.4 * shares[twin]
    names = tuple(f"Beer {i + 1:02d}" for i in range(n))
    return Recipes(names, colour, shares, spec.haze_per_cm * rng.lognormal(0.0, 0.7, n))


def foreign_recipes(spec: LiquidSpec, own: Recipes, n: int, rng: np.random.Generator, *, over_colours: bool) -> Recipes:
    """Return beers that the house does not brew, at its own beers' colours or anywhere from half to twice its range."""
    if over_colours:
        colour = rng.choice(own.colour, n) * rng.lognormal(0.0, spec.colour_sd, n)
    else:
        colour = np.exp(rng.uniform(np.log(spec.low_ebc / 2.0), np.log(spec.high_ebc * 2.0), n))
    names = tuple(f"Foreign {i + 1:03d}" for i in range(n))
    shares = rng.dirichlet(np.full(spec.malts, 0.8), n)
    return Recipes(names, colour, shares, spec.haze_per_cm * rng.lognormal(0.0, 0.7, n))


def standard_t(df: float, shape: int | tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Return draws of variance 1 (df over 2), normal for infinite `df`, heavy-tailed for a small one."""
    if np.isinf(df):
        return rng.standard_normal(shape)
    return rng.standard_t(df, shape) * np.sqrt((df - 2.0) / df)


def brew(spec: LiquidSpec, recipes: Recipes, beer: Ints, day: Floats, rng: np.random.Generator) -> Brews:
    """Return batches of the beers of codes `beer` brewed on `day` of the year: the season moves colour and mix."""
    n = beer.size
    wave = spec.season * np.sin(2.0 * np.pi * day / DAYS)
    colour = recipes.colour[beer] * np.exp(spec.colour_sd * standard_t(spec.tail_df, n, rng) + wave)
    spread = spec.mix_sd * standard_t(spec.tail_df, (n, spec.malts), rng)
    spread[:, 0] += 2.0 * wave
    shares = recipes.shares[beer] * np.exp(spread)
    haze = recipes.haze[beer] * rng.lognormal(0.0, spec.haze_sd, n)
    return Brews(colour, shares / shares.sum(axis=1, keepdims=True), haze, rng.uniform(1.0, 3.0, n))


def absorption_per_cm(brews: Brews, palette: Floats) -> Floats:
    """Return the Napierian absorption of each batch, 1/cm, shape (n, p)."""
    return np.log(10.0) * (brews.colour / EBC_PER_ABSORBANCE)[:, None] * (brews.shares @ palette)
