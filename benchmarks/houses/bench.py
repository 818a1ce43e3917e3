"""A bench at work: pours are made, references and darks taken, and faults happen; all of it as counts."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.houses.cellar import Plan
from benchmarks.houses.cups import CupSpec, depth_cm, seen, water
from benchmarks.houses.faults import Fault
from benchmarks.houses.liquids import Brews, standard_t
from benchmarks.houses.modules import FINE_NM, Module, lamp_light

Floats = NDArray[np.float64]

HAZE_NM = 550.0
BAND_SHARE, BAND_NOISE = 0.04, 0.01  # of the brightest channel; of the channel's own light, one scan


@dataclass(frozen=True)
class Exposures:
    """Counts of scans (n, channels) and of each session's reference and dark (sessions, channels), and what is true."""

    scans: Floats
    references: Floats
    darks: Floats
    reflectance: Floats
    band_nm: tuple[float, float]
    fault: NDArray[np.object_]
    fault_size: Floats
    depth_mm: Floats
    foam: Floats
    haze: Floats
    started: tuple[str, ...] = ()


class _Pours:
    """What each pour is before anything goes wrong, arrays over pours, and what a fault makes of it."""

    def __init__(self, n: int, cup: CupSpec, haze: Floats, rng: np.random.Generator) -> None:
        self.path = np.exp(cup.path_sd * standard_t(cup.tail_df, n, rng))
        self.foam = cup.foam_mean * rng.gamma(1.0, 1.0, n)
        self.haze = haze * rng.lognormal(0.0, 0.1, n)
        self.lamp, self.shift, self.ambient, self.stray = np.ones(n), np.zeros(n), np.zeros(n), np.zeros(n)
        self.fault, self.fault_size = np.full(n, "", object), np.zeros(n)

    def plant(self, fault: Fault, rows: NDArray[np.bool_]) -> None:
        factor = {"path": self.path, "lamp": self.lamp}
        summand = {"foam": self.foam, "haze": self.haze, "shift": self.shift, "ambient": self.ambient}
        summand["stray"] = self.stray
        if fault.kind in factor:
            factor[fault.kind][rows] *= 1.0 + fault.size
        else:
            summand[fault.kind][rows] += fault.size
        self.fault[rows], self.fault_size[rows] = fault.kind, fault.size


class Bench:
    """A cup under a module."""

    RANDOM = ("pours", "sessions", "noise")  # what `expose` needs random numbers for, one stream each

    def __init__(self, cup: CupSpec, module: Module) -> None:
        self.cup, self.module = cup, module
        # light to counts: over water the brightest pixel is filled as far as the module says
        self._lamp = module.lamp / module.light(module.lamp * water(cup, FINE_NM), np.zeros(1)).max()
        self._lamp = self._lamp * module.spec.counts

    def expose(
        self, plan: Plan, absorption: Floats, brews: Brews, faults: tuple[Fault, ...], rngs: list[np.random.Generator]
    ) -> Exposures:
        """Return the counts of all pours of a plan; absorption is that of the batches, 1/cm, on the fine axis."""
        of, module, spec = plan.pour_batch, self.module, self.module.spec
        pouring, sessions, noise = rngs
        pours = _Pours(of.size, self.cup, brews.haze[of], pouring)
        for k, fault in enumerate(faults):
            last = np.append(of[1:] != of[:-1], True)
            pours.plant(fault, (of % len(faults) == k) & (last | (fault.pours == "all")))
        session = plan.session[of]
        axis = spec.wander_nm * sessions.standard_normal(plan.sessions)
        level = 1.0 + spec.drift * sessions.standard_normal(of.size)
        tilt = 1.0 + spec.tilt * sessions.standard_normal((of.size, 1)) * (FINE_NM - 560.0) / 100.0
        jitter = spec.jitter_nm * sessions.standard_normal(of.size)

        depth = depth_cm(self.cup.cup_mm, self.cup.fill_ml) * pours.path
        haze = pours.haze[:, None] * (FINE_NM / HAZE_NM) ** -brews.haze_slope[of, None]
        back = seen(self.cup, FINE_NM, absorption[of], haze, depth)
        back = back + pours.foam[:, None] * (self.cup.foam_level - back)
        shift = axis[session] + jitter + pours.shift
        light = module.light(self._lamp * back * tilt, shift) * (level * pours.lamp)[:, None]

        over_water = module.light(self._lamp * water(self.cup, FINE_NM), axis)
        room = module.light(lamp_light("old_warm", FINE_NM)[None], np.zeros(1))
        light += pours.ambient[:, None] * over_water.mean() * room / room.mean()
        light += pours.stray[:, None] * (light.mean(axis=1, keepdims=True) - light)

        darks = module.counts(np.zeros_like(over_water), noise)
        references = module.counts(over_water, noise)
        scans = module.counts(light, noise)
        reflectance = (scans - darks[session]) / np.maximum(references - darks, 1.0)[session]
        band = self._band(over_water[0])
        return Exposures(
            scans,
            references,
            darks,
            reflectance,
            band,
            pours.fault,
            pours.fault_size,
            10.0 * depth,
            pours.foam,
            pours.haze,
        )

    def _band(self, over_water: Floats) -> tuple[float, float]:
        """The longest stretch of pixels in which the reference carries light enough, nm."""
        spec = self.module.spec
        noise = np.sqrt((over_water / spec.electrons_per_count + spec.read_counts**2) / spec.averages)
        bright = (over_water >= BAND_SHARE * over_water.max()) & (noise <= BAND_NOISE * over_water)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], bright, [False])).astype(int)))
        longest = np.argmax(edges[1::2] - edges[::2])
        return float(self.module.nm[edges[2 * longest]]), float(self.module.nm[edges[2 * longest + 1] - 1])
