"""Members that nobody has looked at: a house drawn anywhere within the ranges that the members of the family span."""

import re

import numpy as np

from benchmarks.houses.cellar import CellarSpec
from benchmarks.houses.cups import CupSpec
from benchmarks.houses.house import HouseSpec
from benchmarks.houses.liquids import LiquidSpec
from benchmarks.houses.members import members
from benchmarks.houses.modules import ModuleSpec

LAMPS = ("phosphor_cool", "phosphor_neutral", "violet_pumped", "old_warm")
TAILS = (np.inf, np.inf, 6.0, 3.0)  # half of the houses have normal errors


def drawn_house(seed: int) -> HouseSpec:
    """Return the house `drawn_<seed>`, each of its traits drawn by itself.

    Thresholds are set on seeds below 100, figures are shown on those from 100 on; one that was looked at is spent.
    """
    rng = np.random.default_rng([seed, 20])

    def spread(low: float, high: float) -> float:
        return round(float(np.exp(rng.uniform(np.log(low), np.log(high)))), 4)

    def often(share: float, value: float) -> float:
        return value if rng.random() < share else 0.0

    beers, low = round(spread(4, 24)), spread(3.0, 45.0)
    tail = float(rng.choice(TAILS))
    liquid = LiquidSpec(
        beers=beers, low_ebc=low, high_ebc=round(min(140.0, low * spread(3.0, 25.0)), 1), malts=int(rng.integers(4, 7)),
        twins=int(rng.integers(0, beers // 5 + 1)), colour_sd=spread(0.04, 0.06), mix_sd=spread(0.08, 0.12),
        tail_df=tail, haze_per_cm=spread(0.01, 0.12), haze_sd=spread(0.5, 0.6), season=often(0.4, spread(0.02, 0.07)),
    )  # fmt: skip
    gloss = float(rng.choice([1.0, 1.0, round(rng.uniform(0.0, 0.5), 2)]))
    cup = CupSpec(
        cup_mm=spread(32.0, 60.0), fill_ml=spread(6.0, 12.0), base=round(rng.uniform(0.45, 0.9), 2), gloss=gloss,
        base_tilt=round(rng.uniform(-0.03, 0.03), 3), glare=spread(0.006, 0.015),
        foam_level=round(rng.uniform(0.55, 0.6), 2), foam_mean=spread(0.002, 0.008), path_sd=spread(0.012, 0.03),
        tail_df=tail,
    )  # fmt: skip
    module = ModuleSpec(
        channels=int(rng.choice([256, 288, 512, 767])), uneven=round(rng.uniform(0.1, 0.4), 2),
        slit_nm=spread(8.0, 15.0), lamp=str(rng.choice(LAMPS)), wander_nm=spread(0.1, 0.6),
        jitter_nm=spread(0.006, 0.03), stray=spread(0.002, 0.008), counts=spread(30000.0, 48000.0),
        electrons_per_count=spread(1.0, 4.0), averages=int(rng.choice([2, 4, 8])), read_counts=spread(6.0, 15.0),
        drift=spread(0.002, 0.006), tilt=spread(0.001, 0.004),
    )  # fmt: skip
    fewest, pours = int(rng.integers(4, 9)), int(rng.integers(1, 4))
    second = often(0.4, round(float(rng.choice([-1.0, 1.0])) * spread(0.03, 0.08), 3))
    cellar = CellarSpec(
        batches=(fewest, fewest + int(rng.integers(0, 9))), pours=(pours, pours + int(rng.integers(0, 3))),
        session_batches=int(rng.integers(3, 13)), own_sessions=bool(rng.random() < 0.15),
        labs=(("lab A", 0.0),) + ((("lab B", second),) if second else ()), lab_relative=spread(0.015, 0.025),
        lab_ebc=spread(0.1, 0.25), lab_tail_df=tail,
    )  # fmt: skip
    return HouseSpec(f"drawn_{seed}", "drawn at random within what the members span", liquid, cup, module, cellar)


def spec_of(name: str) -> HouseSpec:
    """Return a member by its name, or `drawn_house(n)` for `drawn_n`."""
    drawn = re.fullmatch(r"drawn_(\d+)", name)
    if drawn:
        return drawn_house(int(drawn[1]))
    if name not in members():
        raise ValueError(f"house: got {name!r}, expected drawn_<number> or one of {', '.join(members())}")
    return members()[name]
