"""What each known fault does to a reflectance spectrum, by how much of it there is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats

# White foam reflects about 0.65, chromium under beer 0.44-0.65 by source and about 0.55 here: over a reference with
# water that is 1.2. A house with another base sees the same faults with the size of foam off by the ratio.
FOAM_REFLECTANCE = 1.2
# Light that haze sends back never reaches the base, which returns about half of what is sent down.
LOST_TO_HAZE = 0.5
HAZE_NM, HAZE_POWER = 550.0, 2.0
# the surface mirrors 2.1 % at normal incidence for n = 1.34, of which a part is seen, over a base of about a half
LARGEST_GLARE = 0.02
_DARKEST = 1e-5


@dataclass(frozen=True)
class Optics:
    """What the shapes of faults rest on.

    Attributes
    ----------
    wavelength_nm : ndarray, shape (p,)
    light : ndarray, shape (p,)
        Light of the reference over its peak.
    glare : float
        Reflectance of a cup so dark that nothing comes back from the base.
    """

    wavelength_nm: Floats
    light: Floats
    glare: float


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes
    ----------
    name : str
        Of `specmatch.warning_codes.FAULT_WORDS`, which holds what is said of it.
    least : float
        Smallest size worth naming: below it good scans differ as much, or nothing would be done about it.
    sizes : tuple of float
        Sizes tried, ascending, in the unit of the sentence; between them sizes are interpolated.
    """

    name: str
    least: float
    sizes: tuple[float, ...]


_SHARES = (0.03, 0.06, 0.10, 0.15, 0.20, 0.30, 0.45, 0.60)
_SMALL = (0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.30)
_LIGHT = (0.02, 0.05, 0.10, 0.20, 0.35)
_SHIFTS = (0.5, 1.0, 2.0, 3.0, 5.0)

FAULTS = (
    Fault("path_long", 0.03, _SHARES),
    Fault("path_short", 0.03, _SHARES),
    Fault("foam", 0.008, _SMALL),
    Fault("haze", 0.006, _SMALL),
    Fault("lamp_brighter", 0.015, _LIGHT),
    Fault("lamp_dimmer", 0.015, _LIGHT),
    Fault("ambient_light", 0.002, (0.0025, 0.005, 0.01, 0.02, 0.05, 0.10)),
    Fault("shift_to_blue", 0.3, _SHIFTS),
    Fault("shift_to_red", 0.3, _SHIFTS),
    Fault("axis_to_blue", 0.3, _SHIFTS),
    Fault("axis_to_red", 0.3, _SHIFTS),
    Fault("stray_light", 0.003, (0.003, 0.01, 0.02, 0.05)),
    Fault("clipped", 0.01, (0.03, 0.06, 0.10, 0.15, 0.22, 0.30, 0.40)),
)
FAULT_NAMES = tuple(fault.name for fault in FAULTS)


def with_fault(name: str, size: ArrayLike, reflectance: Floats, optics: Optics) -> Floats:
    """Return a spectrum as it would read with a fault.

    Parameters
    ----------
    name : str
        One of `FAULT_NAMES`.
    size : float or array_like, shape (k,)
        `path_*`: change of depth as a share; `foam`: share of the surface; `haze`: light sent back at 550 nm over the
        reference; `lamp_*`: change of light as a share; `ambient_light`: over the peak of the reference;
        `shift_*` (this scan alone) and `axis_*` (its reference too): nm; `stray_light`: share of the mean light;
        `clipped`: share cut off the highest counts.
    reflectance : ndarray, shape (p,)
        Of a good scan.
    optics : Optics

    Returns
    -------
    ndarray, shape (p,) or (k, p)

    Raises
    ------
    ValueError
        For another name.

    Examples
    --------
    >>> optics = Optics(np.array([500.0, 600.0]), np.ones(2), 0.0)
    >>> with_fault("path_long", 1.0, np.array([0.5, 0.9]), optics).round(3).tolist()
    [0.25, 0.81]
    """
    R, nm, light = reflectance, optics.wavelength_nm, optics.light
    t = np.asarray(size, np.float64)[..., None]
    if name in ("path_long", "path_short"):
        return scale_path(R, 1.0 + t if name == "path_long" else 1.0 - t, optics.glare)
    if name == "foam":
        return R + t * (FOAM_REFLECTANCE - R)
    if name == "haze":
        return R + t * haze_return(1.0, nm) * (1.0 - LOST_TO_HAZE * R)
    if name in ("lamp_brighter", "lamp_dimmer"):
        return R * (1.0 + t if name == "lamp_brighter" else 1.0 - t)
    if name == "ambient_light":
        return R + t / light
    if name.startswith(("shift_", "axis_")):
        moved = t if name.endswith("blue") else -t
        seen = np.log(np.maximum(R, _DARKEST))
        if name.startswith("axis_"):
            return np.exp(moved_along(seen, nm, moved))
        return np.exp(moved_along(seen + np.log(light), nm, moved)) / light
    if name == "stray_light":
        return (R * light + t * np.mean(R * light)) / (light + t * light.mean())
    if name == "clipped":
        return np.minimum(R, (1.0 - t) * np.max(R * light) / light)
    raise ValueError(f"fault {name!r}; expected one of {', '.join(FAULT_NAMES)}")


def scale_path(reflectance: Floats, factor: Floats | float, glare: float) -> Floats:
    """Return a spectrum with the depth of beer, or its strength, times a factor; glare does not pass the beer.

    Parameters
    ----------
    reflectance : ndarray, shape (..., p)
    factor : float or ndarray, shape (..., 1)
        Above 0.
    glare : float
        Reflectance that does not pass the beer.

    Returns
    -------
    ndarray, shape (..., p)

    Examples
    --------
    >>> scale_path(np.array([0.5]), 2.0, 0.0).tolist()
    [0.25]
    """
    through = np.maximum((reflectance - glare) / (1.0 - glare), _DARKEST)
    return glare + (1.0 - glare) * through**factor


def haze_return(size: float, wavelength_nm: Floats) -> Floats:
    """Return the light that haze sends back, falling with wavelength.

    Parameters
    ----------
    size : float
        At 550 nm, over the reference.
    wavelength_nm : ndarray, shape (p,)

    Returns
    -------
    ndarray, shape (p,)
        Over the reference.

    Examples
    --------
    >>> haze_return(0.01, np.array([550.0])).tolist()
    [0.01]
    """
    return size * (HAZE_NM / wavelength_nm) ** HAZE_POWER


def moved_along(values: Floats, wavelength_nm: Floats, moved_nm: ArrayLike) -> Floats:
    """Return the values that stand `moved_nm` further up the axis, continued straight beyond its ends.

    Parameters
    ----------
    values, wavelength_nm : ndarray, shape (p,)
    moved_nm : float, or array_like of shape (k, 1)

    Returns
    -------
    ndarray, shape (p,) or (k, p)

    Examples
    --------
    >>> moved_along(np.array([1.0, 2.0, 3.0]), np.array([500.0, 510.0, 520.0]), 5.0).tolist()
    [1.5, 2.5, 3.5]
    """
    nm, moved = wavelength_nm, np.asarray(moved_nm, np.float64)
    far = float(np.abs(moved).max(initial=0.0)) + 1.0
    below = values[0] - far * (values[1] - values[0]) / (nm[1] - nm[0])
    above = values[-1] + far * (values[-1] - values[-2]) / (nm[-1] - nm[-2])
    grid = np.concatenate([[nm[0] - far], nm, [nm[-1] + far]])
    return np.interp(nm + moved, grid, np.concatenate([[below], values, [above]]))


def strength_slope(reflectance: Floats, glare: float) -> Floats:
    """Return the change of reflectance per relative change of strength or depth.

    Parameters
    ----------
    reflectance : ndarray of any shape
    glare : float
        Reflectance that does not pass the beer.

    Returns
    -------
    ndarray, shape of `reflectance`
        0 or less.

    Examples
    --------
    >>> strength_slope(np.array([0.5]), 0.0).round(3).tolist()
    [-0.347]
    """
    through = np.clip((reflectance - glare) / (1.0 - glare), _DARKEST, 1.0)
    return (1.0 - glare) * through * np.log(through)


def glare_of(reflectance: Floats) -> float:
    """Return the glare that a set shows: what its darkest channel leaves, within what a surface can give.

    Parameters
    ----------
    reflectance : ndarray, shape (n, p)

    Returns
    -------
    float
        In reflectance.

    Examples
    --------
    >>> glare_of(np.array([[0.015, 0.4]])), glare_of(np.array([[0.3, 0.9]]))
    (0.0135, 0.02)
    """
    # the darkest channel still holds a little light from the base, hence nine tenths of it
    return float(np.clip(0.9 * reflectance.min(), 0.0, LARGEST_GLARE))
