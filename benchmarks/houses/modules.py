"""Invented spectrometer modules: lamp, slit, pixels, stray light and the noise of counting."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.houses.cups import CupSpec

Floats = NDArray[np.float64]

FINE_NM = np.arange(350.0, 861.0, 2.0)
DARK_COUNTS, FULL_SCALE = 1000.0, 65535.0


@dataclass(frozen=True)
class ModuleSpec:
    """A module: pixels (`uneven`: last step over first, less 1), slit, lamp, axis, stray light, light and noise.

    `axis_nm` is the error of the stated axis, `wander_nm` its spread between sessions, `jitter_nm` between scans;
    `drift` and `tilt` spread of the lamp's level and slope between a session's reference and its scans.
    """

    channels: int = 288
    low_nm: float = 380.0
    high_nm: float = 780.0
    uneven: float = 0.1
    slit_nm: float = 12.0
    lamp: str = "phosphor_cool"
    axis_nm: float = 0.0
    wander_nm: float = 0.1
    jitter_nm: float = 0.006
    stray: float = 0.002
    counts: float = 48000.0
    electrons_per_count: float = 4.0
    averages: int = 8
    read_counts: float = 6.0
    drift: float = 0.002
    tilt: float = 0.001


def _bump(nm: Floats, centre: float, width: float) -> Floats:
    return np.exp(-(((nm - centre) / width) ** 2) / 2.0)


def lamp_light(name: str, nm: Floats) -> Floats:
    """Return a lamp's light as the detector sees it: two phosphor mixes, violet-pumped, or an old warm filament."""
    detector = _bump(nm, 560.0, 190.0)
    if name == "phosphor_cool":
        light = 1.1 * _bump(nm, 452.0, 9.5) + _bump(nm, 545.0, 38.0) + 0.5 * _bump(nm, 605.0, 45.0)
    elif name == "phosphor_neutral":
        light = 0.6 * _bump(nm, 447.0, 11.0) + 0.6 * _bump(nm, 530.0, 32.0) + _bump(nm, 612.0, 48.0)
    elif name == "violet_pumped":
        light = 0.9 * _bump(nm, 408.0, 8.0) + 0.55 * _bump(nm, 462.0, 26.0) + 0.7 * _bump(nm, 525.0, 36.0)
        light = light + 0.9 * _bump(nm, 625.0, 46.0)
    elif name == "old_warm":
        kelvin = 2450.0  # a black body by Planck's law
        light = (nm / 560.0) ** -5 / np.expm1(1.4388e7 / (nm * kelvin)) * np.expm1(1.4388e7 / (560.0 * kelvin))
    else:
        raise ValueError(f"lamp: got {name!r}, expected phosphor_cool, phosphor_neutral, violet_pumped or old_warm")
    return detector * (light + 0.002)


def second_module(name: str, cup: CupSpec, module: ModuleSpec) -> tuple[CupSpec, ModuleSpec]:
    """Return cup and module of another bench of the house: `mild_second`, `harsh_second` or `harsher_second`."""
    if name == "mild_second":
        return (
            replace(cup, base=cup.base * 0.98, glare=cup.glare + 0.001),
            replace(module, axis_nm=module.axis_nm + 0.3),
        )
    if name not in ("harsh_second", "harsher_second"):
        raise ValueError(f"module: got {name!r}, expected mild_second, harsh_second or harsher_second")
    lamp = module.lamp
    if name == "harsher_second":
        lamp = "violet_pumped" if lamp == "phosphor_neutral" else "phosphor_neutral"
    return (
        replace(cup, base=0.45, glare=cup.glare * 1.5),
        replace(module, axis_nm=module.axis_nm + 1.0, stray=module.stray + 0.006, slit_nm=15.0, lamp=lamp),
    )


class Module:
    """One unit: its stated axis `nm`, and what it counts of the light that it is shown."""

    def __init__(self, spec: ModuleSpec, rng: np.random.Generator) -> None:
        self.spec = spec
        at = np.linspace(0.0, 1.0, spec.channels)
        axis = at + 0.5 * spec.uneven * at**2
        self.nm = np.round(spec.low_nm + (spec.high_nm - spec.low_nm) * axis / axis[-1], 3)
        self.lamp = lamp_light(spec.lamp, FINE_NM)
        # the slit, and its first and second derivative by the axis, so that each scan has an axis of its own
        sigma = spec.slit_nm / 2.3548
        off = (FINE_NM - (self.nm + spec.axis_nm)[:, None]) / sigma
        slit = np.exp(-(off**2) / 2.0) * rng.normal(1.0, 0.01, spec.channels)[:, None]
        self._slit = (slit, slit * off / sigma, slit * (off**2 - 1.0) / sigma**2)
        self._dark = rng.normal(DARK_COUNTS, 15.0, spec.channels)

    def light(self, back: Floats, shift_nm: Floats) -> Floats:
        """Return what falls on each pixel, (n, channels), of light (n, fine) through an axis off by `shift_nm`."""
        level, slope, bend = (back @ kernel.T for kernel in self._slit)
        off = shift_nm[:, None]
        seen = level + off * slope + off**2 / 2.0 * bend
        return (1.0 - self.spec.stray) * seen + self.spec.stray * seen.mean(axis=1, keepdims=True)

    def counts(self, light: Floats, rng: np.random.Generator) -> Floats:
        """Return noisy counts, dark included, of light stated in counts: shot and read noise, averaged, clipped."""
        spec = self.spec
        variance = np.maximum(light, 0.0) / spec.electrons_per_count + spec.read_counts**2
        noise = rng.standard_normal(light.shape) * np.sqrt(variance / spec.averages)
        return np.minimum(np.round(self._dark + light + noise, 1), FULL_SCALE)
