"""What each known fault does to a reflectance spectrum, by how much of it there is.

The shape of an average beer's absorption, relative to 430 nm.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats


def relative_absorbance(wavelength_nm: ArrayLike) -> Floats:
    """Return the absorbance of an average beer over its absorbance at 430 nm.

    A. J. deLange, in *Brewing Materials and Processes*, Elsevier 2016, pp. 199-249. Real beers deviate from it in a few
    smooth shapes.
    """
    # wavelength_nm: in nm, within about 380 to 780
    beyond = np.asarray(wavelength_nm, float) - 430.0
    return 0.02465 * np.exp(-beyond / 17.591) + 0.97535 * np.exp(-beyond / 82.122)


# White foam reflects about 0.65, chromium under beer 0.44-0.65 by source and about 0.55 here: over a reference with
# water that is 1.2. A house with another base sees the same faults with the size of foam off by the ratio.
FOAM_REFLECTANCE = 1.2

# Light that haze sends back never reaches the base, which returns about half of what is sent down. Inside the beer more
# is scattered out of the beam than comes back, and absorbed on the way: over bases of 0.5 to 0.9 some four times as
# much of the base's light is missing as is sent back (common practice, no source).
LOST_TO_HAZE, LOST_INSIDE = 0.5, 4.0
HAZE_NM, HAZE_POWER = 550.0, 2.0

# the surface mirrors 2.1 % at normal incidence for n = 1.34, of which a part is seen, over a base of about a half
LARGEST_GLARE = 0.02
_DARKEST = 1e-5


@dataclass(frozen=True)
class Optics:
    """What the shapes of faults rest on."""

    wavelength_nm: Floats  # (p,)
    light: Floats  # (p,): light of the reference over its peak
    glare: float  # reflectance of a cup so dark that nothing comes back from the base
    foam: float = FOAM_REFLECTANCE  # what foam reads over the reference, which the base decides
    returned: float = 0.0  # share of light that a matt base sends round again
    stray: float = 0.0  # share of the mean light that every channel sees

    def through(self, reflectance: Floats) -> Floats:
        """Return the share of light that one crossing of the beer leaves."""
        # reflectance (..., p)
        mean = (reflectance * self.light).mean(axis=-1, keepdims=True)
        beam = (reflectance * self.light - self.stray * mean) / (self.light - self.stray * self.light.mean())
        return one_crossing(np.maximum((beam - self.glare) / (1.0 - self.glare), _DARKEST), self.returned)

    def measured(self, passed: Floats) -> Floats:
        """Return changes of reflectance, of changes of what comes back of light through the beer."""
        beam = (1.0 - self.glare) * (1.0 - self.stray * self.light.mean() / self.light) * passed
        return beam + self.stray / (1.0 - self.stray) * (beam * self.light).mean(axis=-1, keepdims=True) / self.light


def after_rounds(crossing: Floats, returned: float) -> Floats:
    """Sum the round trips of light of which one crossing leaves a share."""
    return crossing * (1.0 - returned) / (1.0 - returned * crossing**2)


def one_crossing(through: Floats, returned: float) -> Floats:
    """Return the share that one crossing leaves, from what comes back after all rounds."""
    root = np.sqrt((1.0 - returned) ** 2 + 4.0 * returned * through**2)
    return np.asarray(2.0 * through / (1.0 - returned + root), float)


@dataclass(frozen=True)
class Fault:
    """One kind of fault."""

    name: str  # of `specmatch.warning_codes.FAULT_WORDS`, which holds what is said of it
    least: float  # smallest size worth naming: below it good scans differ as much, or nothing would be done about it
    usual: float  # size that it has where it happens (common practice, no source)
    rare: float  # twice the log of how much rarer it is than beer misfilled or under foam (common practice, no source)
    # sizes tried, ascending, in the unit of the sentence; between them, and from none to the first, sizes are
    # interpolated: a fault that grows in proportion needs no more than the largest
    sizes: tuple[float, ...]


_SHARES = (0.03, 0.06, 0.10, 0.15, 0.20, 0.30, 0.45, 0.60)
_SHIFTS = (0.5, 1.0, 2.0, 3.0, 5.0)
FAULTS = (
    Fault("path_long", 0.03, 0.3, 0.0, _SHARES),
    Fault("path_short", 0.03, 0.3, 0.0, _SHARES),
    Fault("foam", 0.008, 0.1, 0.0, (0.30,)),
    Fault("haze", 0.006, 0.05, 2.0, (0.30,)),
    Fault("lamp_brighter", 0.015, 0.15, 2.0, (0.35,)),
    Fault("lamp_dimmer", 0.015, 0.15, 2.0, (0.35,)),
    Fault("ambient_light", 0.002, 0.05, 4.0, (0.10,)),
    Fault("shift_to_blue", 0.3, 3.0, 4.0, _SHIFTS),
    Fault("shift_to_red", 0.3, 3.0, 4.0, _SHIFTS),
    Fault("axis_to_blue", 0.3, 3.0, 5.0, _SHIFTS),
    Fault("axis_to_red", 0.3, 3.0, 5.0, _SHIFTS),
    Fault("stray_light", 0.003, 0.03, 4.0, (0.003, 0.01, 0.02, 0.05)),
    Fault("clipped", 0.01, 0.3, 4.0, (0.03, 0.06, 0.10, 0.15, 0.22, 0.30, 0.40)),
    Fault("haze_inside", 0.004, 0.05, 2.0, (0.12,)),
    Fault("ambient_warm", 0.002, 0.05, 4.0, (0.10,)),
)
FAULT_NAMES = tuple(fault.name for fault in FAULTS)


def with_fault(name: str, size: ArrayLike, reflectance: Floats, optics: Optics) -> Floats:
    """Return spectra as they would read with a fault, each at every size."""
    # size (k,), reflectance (..., p) -> (..., k, p); a size alone adds no axis
    # size: `path_*`: change of depth as a share; `foam`: share of the surface; `haze`: light sent back at 550 nm over
    # the reference; `lamp_*`: change of light as a share; `ambient_light`: over the peak of the reference; `shift_*`
    # (this scan alone) and `axis_*` (its reference too): nm; `stray_light`: share of the mean light; `clipped`: share
    # cut off the highest counts
    nm, light, t = optics.wavelength_nm, optics.light, np.asarray(size, np.float64)[..., None]
    R = reflectance[..., None, :] if t.ndim > 1 else reflectance
    if name in ("path_long", "path_short"):
        return scale_path(R, 1.0 + t if name == "path_long" else 1.0 - t, optics)
    if name == "foam":
        return R + t * (optics.foam - R)
    if name == "haze":
        return R + t * haze_return(1.0, nm) * (1.0 - LOST_TO_HAZE * R)
    if name == "haze_inside":
        return R + t * inside_haze(R, optics)
    if name in ("lamp_brighter", "lamp_dimmer"):
        return R * (1.0 + t if name == "lamp_brighter" else 1.0 - t)
    if name == "ambient_light":
        return R + t / light
    if name == "ambient_warm":
        return R + t * incandescent(nm) / light
    if name.startswith(("shift_", "axis_")):
        moved = t if name.endswith("blue") else -t
        seen = np.log(np.maximum(reflectance, _DARKEST))
        if name.startswith("axis_"):
            return np.exp(moved_along(seen, nm, moved))
        return np.exp(moved_along(seen + np.log(light), nm, moved)) / light
    if name == "stray_light":
        return (R * light + t * np.mean(R * light, axis=-1, keepdims=True)) / (light + t * light.mean())
    if name == "clipped":
        return np.minimum(R, (1.0 - t) * np.max(R * light, axis=-1, keepdims=True) / light)
    raise ValueError(f"fault {name!r}; expected one of {', '.join(FAULT_NAMES)}")


def incandescent(wavelength_nm: Floats) -> Floats:
    """Return the light of a lamp with a hot filament over its mean: illuminant A of ISO/CIE 11664-2 (from memory)."""
    light = wavelength_nm**-5.0 / np.expm1(1.435e7 / (2848.0 * wavelength_nm))
    return np.asarray(light / light.mean())


def scale_path(reflectance: Floats, factor: Floats | float, optics: Optics) -> Floats:
    """Return a spectrum with the depth of beer, or its strength, times a factor; glare does not pass the beer."""
    # reflectance (..., p), factor (..., 1) -> (..., p)
    left, m = optics.through(reflectance), optics.returned
    return reflectance + optics.measured(after_rounds(left**factor, m) - after_rounds(left, m))


def haze_return(size: float, wavelength_nm: Floats) -> Floats:
    """Return the light that haze sends back, falling with wavelength."""
    # wavelength_nm (p,) -> (p,)
    # size: at 550 nm, over the reference
    return size * (HAZE_NM / wavelength_nm) ** HAZE_POWER


def inside_haze(reflectance: Floats, optics: Optics) -> Floats:
    """Return what haze spread through the beer adds: light sent back from all depths, less what is lost on the way."""
    # -> (p,)
    through = np.clip((reflectance - optics.glare) / (1.0 - optics.glare), _DARKEST, 1.0 - 1e-9)
    # light from a depth passes the beer above it twice: the mean over all depths
    seen = (through - 1.0) / np.log(through)
    return haze_return(1.0, optics.wavelength_nm) * (seen - LOST_INSIDE * through)


def moved_along(values: Floats, wavelength_nm: Floats, moved_nm: ArrayLike) -> Floats:
    """Return the values that stand `moved_nm` further up the axis, continued straight beyond its ends."""
    # values (..., p), wavelength_nm (p,), moved_nm (k, 1) -> (..., k, p)
    nm, moved = wavelength_nm, np.asarray(moved_nm, np.float64)
    far = float(np.abs(moved).max(initial=0.0)) + 1.0
    below = values[..., :1] - far * (values[..., 1:2] - values[..., :1]) / (nm[1] - nm[0])
    above = values[..., -1:] + far * (values[..., -1:] - values[..., -2:-1]) / (nm[-1] - nm[-2])
    grid, all_values = np.concatenate([[nm[0] - far], nm, [nm[-1] + far]]), np.concatenate([below, values, above], -1)
    # as `np.interp`, of which there is none for many rows
    at = nm + moved
    place = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, grid.size - 2)
    slope = np.diff(all_values) / np.diff(grid)
    return np.asarray(slope[..., place] * (at - grid[place]) + all_values[..., place])


def shift_slope(reflectance: Floats, optics: Optics) -> Floats:
    """Return the change of reflectance per nm by which the axis moved to the blue since the reference, (..., p)."""
    if optics.wavelength_nm.size < 2:
        return np.zeros_like(reflectance)
    seen = np.log(np.maximum(reflectance, _DARKEST)) + np.log(optics.light)
    return reflectance * np.gradient(seen, optics.wavelength_nm, axis=-1)


def axis_slope(reflectance: Floats, optics: Optics) -> Floats:
    """Return the change of reflectance per nm by which the axis stands to the blue, reference included."""
    if optics.wavelength_nm.size < 2:
        return np.zeros_like(reflectance)
    return np.asarray(np.gradient(reflectance, optics.wavelength_nm, axis=-1))


def strength_slope(reflectance: Floats, optics: Optics) -> Floats:
    """Return the change of reflectance per relative change of strength or depth."""
    # reflectance (..., p)
    left, m = np.minimum(optics.through(reflectance), 1.0), optics.returned
    rounds = (1.0 - m) * (1.0 + m * left**2) / (1.0 - m * left**2) ** 2
    return optics.measured(rounds * left * np.log(left))


def glare_of(reflectance: Floats) -> float:
    """Return the glare that a set shows: what its darkest channel leaves, within what a surface can give."""
    # reflectance (n, p)
    # the darkest channel still holds a little light from the base, hence nine tenths of it
    return float(np.clip(0.9 * reflectance.min(), 0.0, LARGEST_GLARE))
