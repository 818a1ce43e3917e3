"""Colour for the eye: CIELAB of a transmittance spectrum, and the difference of two colours."""

# The CIE tables beside this module (`cie_tables.csv`) hold the 10 degree observer of 1964 and the illuminants C and
# D65, 380-780 nm every 5 nm, as the CIE publishes them (CIE 015:2018; CIE S 014). The numbers were copied from the
# colour-science library, which carries the same tables: Copyright 2013 Colour Developers, under the BSD 3-clause
# licence, whose conditions and disclaimer are those of LICENSE.

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.colour.transmission import HIGHEST_FRACTION
from specmatch.errors import OptionError, TableError, WavelengthMismatchError

ILLUMINANTS = ("C", "D65")

# ASTM E308 lets the ends that were not measured take the value of the last wavelength measured. Outside this range the
# observer sees less than 0.1 % of the light, so a missing end does no harm; a missing middle would.
MUST_COVER_NM = (400.0, 700.0)

_EPSILON, _KAPPA = 216.0 / 24389.0, 24389.0 / 27.0  # ISO/CIE 11664-4
_LARGEST = 1e3  # of L*, a*, b*: far beyond any colour that there is


@dataclass(frozen=True)
class Cielab:
    """A colour in CIELAB.

    Attributes
    ----------
    lightness, a, b : ndarray, shape (n,)
        L*, a*, b*.
    """

    lightness: Floats
    a: Floats
    b: Floats


@cache
def _tables() -> dict[str, Floats]:
    text = files("specmatch.colour").joinpath("cie_tables.csv").read_text(encoding="utf-8")
    names, *rows = (line.split(",") for line in text.splitlines())
    return dict(zip(names, np.array(rows, float).T, strict=True))


def white_point(illuminant: str = "C") -> Floats:
    """Return the tristimulus values of a clear liquid, Y = 100, 10 degree observer.

    Parameters
    ----------
    illuminant : {"C", "D65"}, default "C"

    Returns
    -------
    ndarray, shape (3,)

    Raises
    ------
    OptionError
        For another illuminant.

    Examples
    --------
    >>> white_point("C").round(2).tolist()
    [97.29, 100.0, 116.14]
    """
    return _weights(illuminant).sum(axis=0)


def _weights(illuminant: str) -> Floats:
    if illuminant not in ILLUMINANTS:
        raise OptionError(f"illuminant is {illuminant!r}; {' or '.join(ILLUMINANTS)} is offered")
    tables = _tables()
    light = tables[f"illuminant_{illuminant.lower()}"]
    observer = np.column_stack([tables["x10"], tables["y10"], tables["z10"]])
    return 100.0 * light[:, None] * observer / (light @ tables["y10"])


def tristimulus_values(transmittance: ArrayLike, wavelength_nm: ArrayLike, *, illuminant: str = "C") -> Floats:
    """Return X, Y, Z of transmittance spectra for the 10 degree observer.

    ASBC Beer-10C conditions: 380-780 nm every 5 nm, illuminant C, sums as in ASTM E308. Spectra on another grid are
    interpolated; ends that were not measured take the value of the last wavelength measured.

    Parameters
    ----------
    transmittance : array_like, shape (n, p)
        Fractions, of 1 cm of the liquid.
    wavelength_nm : array_like, shape (p,)
        Ascending, from 400 nm or below to 700 nm or above.
    illuminant : {"C", "D65"}, default "C"

    Returns
    -------
    ndarray, shape (n, 3)

    Raises
    ------
    TableError
        If spectra and wavelengths do not fit, or transmittance is not a fraction.
    WavelengthMismatchError
        If the spectra do not cover 400-700 nm.

    Examples
    --------
    >>> tristimulus_values([[0.5, 0.5]], [380.0, 780.0]).round(2).tolist()
    [[48.64, 50.0, 58.07]]
    """
    T, nm = np.atleast_2d(np.asarray(transmittance, np.float64)), np.asarray(wavelength_nm, np.float64)
    if T.shape[1] != nm.size or not nm.size or np.any(np.diff(nm) <= 0):
        raise TableError(f"spectra of {T.shape[1]} values on {nm.size} wavelengths; as many, ascending, are needed")
    if nm[0] > MUST_COVER_NM[0] or nm[-1] < MUST_COVER_NM[1]:
        raise WavelengthMismatchError(
            f"the spectrum covers {nm[0]:g}-{nm[-1]:g} nm; CIELAB needs 400-700 nm, better 380-780 nm"
        )
    if not np.all((T > -0.05) & (T < HIGHEST_FRACTION)):
        raise TableError(f"transmittance runs from {T.min():g} to {T.max():g}; fractions between 0 and 1 are needed")
    grid = _tables()["wavelength_nm"]
    return np.array([np.interp(grid, nm, row) for row in T]) @ _weights(illuminant)


def cielab(transmittance: ArrayLike, wavelength_nm: ArrayLike, *, illuminant: str = "C") -> Cielab:
    """Return CIELAB of transmittance spectra, the clear liquid as white (ISO/CIE 11664-4).

    Parameters
    ----------
    transmittance : array_like, shape (n, p)
    wavelength_nm : array_like, shape (p,)
    illuminant : {"C", "D65"}, default "C"
        All as in `tristimulus_values`.

    Returns
    -------
    Cielab

    Raises
    ------
    TableError, WavelengthMismatchError, OptionError
        As `tristimulus_values`.

    Examples
    --------
    >>> from specmatch.colour.transmission import average_absorbance
    >>> nm = np.arange(380.0, 781.0, 5.0)
    >>> pale = cielab(10.0 ** -average_absorbance(nm, 2.0), nm)
    >>> round(float(pale.lightness[0])), round(float(pale.b[0]))
    (96, 12)
    """
    ratio = tristimulus_values(transmittance, wavelength_nm, illuminant=illuminant) / white_point(illuminant)
    f = np.where(ratio > _EPSILON, np.cbrt(np.maximum(ratio, _EPSILON)), (_KAPPA * ratio + 16.0) / 116.0)
    return Cielab(lightness=116.0 * f[:, 1] - 16.0, a=500.0 * (f[:, 0] - f[:, 1]), b=200.0 * (f[:, 1] - f[:, 2]))


def ciede2000(one: ArrayLike, other: ArrayLike) -> Floats:
    """Return the CIEDE2000 difference of colours, unit weights (ISO/CIE 11664-6).

    Formulas as worked out by G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30:21-30, 2005.

    Parameters
    ----------
    one, other : array_like, shape (n, 3)
        L*, a*, b*.

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    TableError
        If shapes do not fit, or a value is beyond what any colour has.

    Examples
    --------
    >>> ciede2000([[50.0, 2.6772, -79.7751]], [[50.0, 0.0, -82.7485]]).round(4).tolist()
    [2.0425]
    """
    both = [np.atleast_2d(np.asarray(x, np.float64)) for x in (one, other)]
    if any(x.ndim != 2 or x.shape[1] != 3 or not np.all(np.abs(x) <= _LARGEST) for x in both):
        raise TableError(
            f"colours of shape {both[0].shape} and {both[1].shape}; rows of L*, a*, b* within {-_LARGEST:g} to "
            f"{_LARGEST:g} are needed"
        )
    (L1, a1, b1), (L2, a2, b2) = (x.T for x in both)
    chroma = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2.0
    stretch = 1.0 + 0.5 * (1.0 - np.sqrt(chroma**7 / (chroma**7 + 25.0**7)))
    a1, a2 = stretch * a1, stretch * a2
    C1, C2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360.0 for a, b in ((a1, b1), (a2, b2)))
    grey = C1 * C2 == 0.0  # a hue difference with grey is none
    turn = h2 - h1
    turn = np.where(grey, 0.0, (turn + 180.0) % 360.0 - 180.0)
    # exactly opposite hues may be read either way round; the formula takes the positive one
    turn = np.where((turn == -180.0) & (h2 > h1), 180.0, turn)
    dL, dC, dH = L2 - L1, C2 - C1, 2.0 * np.sqrt(C1 * C2) * np.sin(np.radians(turn / 2.0))
    L, C = (L1 + L2) / 2.0, (C1 + C2) / 2.0
    both, far = h1 + h2, np.abs(h1 - h2) > 180.0
    h = np.where(grey, both, np.where(far, both + np.where(both < 360.0, 360.0, -360.0), both) / 2.0)

    def cosine(times: float, offset: float) -> Floats:
        return np.cos(np.radians(times * h + offset))

    T = 1.0 - 0.17 * cosine(1, -30) + 0.24 * cosine(2, 0) + 0.32 * cosine(3, 6) - 0.20 * cosine(4, -63)
    S_L = 1.0 + 0.015 * (L - 50.0) ** 2 / np.sqrt(20.0 + (L - 50.0) ** 2)
    S_C, S_H = 1.0 + 0.045 * C, 1.0 + 0.015 * C * T
    rotation = 2.0 * np.sqrt(C**7 / (C**7 + 25.0**7)) * np.sin(np.radians(60.0 * np.exp(-(((h - 275.0) / 25.0) ** 2))))
    dL, dC, dH = dL / S_L, dC / S_C, dH / S_H
    return np.sqrt(np.maximum(dL**2 + dC**2 + dH**2 - rotation * dC * dH, 0.0))
