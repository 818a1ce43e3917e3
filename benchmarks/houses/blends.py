"""Two liquids in one cup, mixed before they are poured: what a changeover leaves in the packages after it."""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchmarks.houses.bench import Bench
from benchmarks.houses.cellar import Plan
from benchmarks.houses.house import Draw, House
from benchmarks.houses.liquids import DAYS, Brews, absorption_per_cm, brew
from benchmarks.houses.modules import Module

Floats = NDArray[np.float64]
WATER = "water"


def draw_blends(
    house: House, *, before: str, after: str, fractions: Floats, draw: int, pours: int, purpose: str = "blends"
) -> Draw:
    """Draw pairs of new batches and blend each pair; `fractions` (pairs, k) is the part of `before` by volume.

    Absorption and haze of a blend are the volume's mean of those of its parts, as absorbances of solutions add. The
    samples of a pair share a session. `truth` has the column `fraction` and the index of `scans`.
    """
    spec, n, k = house.spec, *fractions.shape
    rng = house._rng(f"{purpose}/{before}/{after}", draw)
    place = {name: i for i, name in enumerate(house.beers)}
    day = rng.uniform(0.0, DAYS, n)
    new, old = (brew(spec.liquid, house.recipes, np.full(n, place.get(name, 0)), day, rng) for name in (after, before))
    clear = 0.0 if before == WATER else 1.0
    f, of = fractions.ravel(), np.repeat(np.arange(n), k)
    absorption = absorption_per_cm(new, house.palette)[of] * (1.0 - f)[:, None]
    absorption = absorption + clear * absorption_per_cm(old, house.palette)[of] * f[:, None]
    haze = new.haze[of] * (1.0 - f) + clear * old.haze[of] * f
    blends = Brews(new.colour[of], new.shares[of], haze, new.haze_slope[of])
    samples = np.arange(n * k)
    pour_batch = np.repeat(samples, pours)
    plan = Plan(
        np.full(n * k, place[after]), day[of], of, np.zeros(n * k, int), pour_batch,
        np.tile(np.arange(pours), n * k),
    )  # fmt: skip
    bench = Bench(spec.cup, Module(spec.module, house._rng("unit-own")))
    rngs = [house._rng(f"{purpose}/{before}/{after}/{part}", draw) for part in Bench.RANDOM]
    exposures = bench.expose(plan, absorption, blends, (), rngs)
    names = np.array([f"S{draw}-{i:04d}" for i in samples])[pour_batch]
    scans = pd.DataFrame(
        {
            "pour": [f"{name}-P{p + 1}" for name, p in zip(names, plan.pour_number, strict=True)],
            "sample": names,
            "fill_ml": spec.cup.fill_ml,
            "cup": f"C{spec.cup.cup_mm:.0f}",
            "cup_mm": spec.cup.cup_mm,
            "instrument": "unit-own",
            "session": [f"X{draw}-{s}" for s in of[pour_batch]],
            "reference_kind": "water",
        },
        index=pd.Index([f"{before}-{after}-{i}" for i in range(pour_batch.size)], name="scan_id"),
    )
    truth = pd.DataFrame({"fraction": f[pour_batch], "pair": of[pour_batch]}, index=scans.index)
    spectra = pd.DataFrame(exposures.reflectance, index=scans.index, columns=pd.Index(bench.module.nm, name="nm"))
    return Draw(spectra, scans, pd.DataFrame(), truth, exposures.band_nm, replace(exposures, started=()))
