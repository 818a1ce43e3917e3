"""Beer colour from a whole transmission spectrum."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.colour.scales import HIGHEST_FRACTION, clear_enough, ebc_from_absorbance, srm_from_absorbance
from specmatch.errors import OptionError, TableError, WavelengthMismatchError
from specmatch.maths.spectra.transforms import even_step

# Above it many instruments leave their linear range: a common limit, no standard's.
LINEAR_TO = 1.0

# Wavelengths must stand this close to 430 nm on both sides for a straight line between them to hold.
NEIGHBOUR_NM = 10.0


@dataclass(frozen=True)
class TransmissionColour:
    """Colour of one liquid by transmission.

    Attributes
    ----------
    srm, ebc : float
    a430 : float
        Absorbance in the cell, at 430 nm.
    a700 : float
        NaN where the spectrum ends before 700 nm.
    clear : bool or None
        Whether A700 is at most 0.039 A430; None without A700.
    dilute : bool
        True when A430 is above 1: dilute and measure again, or show that the instrument is linear there.
    """

    srm: float
    ebc: float
    a430: float
    a700: float
    clear: bool | None
    dilute: bool


def colour_from_transmission(
    transmittance: ArrayLike,
    wavelength_nm: ArrayLike,
    *,
    path_cm: float = 1.0,
    dilution: float = 1.0,
    slit_nm: float = 0.0,
) -> TransmissionColour:
    """Return beer colour from the transmittance spectrum of a clear beer.

    Parameters
    ----------
    transmittance : array_like, shape (p,)
        Fractions, water as 1.
    wavelength_nm : array_like, shape (p,)
        Ascending, around 430 nm at least.
    path_cm, dilution : float
        As in `srm_from_absorbance`.
    slit_nm : float, default 0.0
        Slit width (full width at half maximum, triangular) to correct for; needs an even grid.

    Returns
    -------
    TransmissionColour

    Raises
    ------
    WavelengthMismatchError
        If no wavelengths stand close to 430 nm on both sides.
    TableError
        If transmittance at 430 nm is no fraction above 0, or shapes do not fit.

    Notes
    -----
    ASBC Beer-10A; *Analytica-EBC* 9.6 (number from memory).

    Examples
    --------
    >>> from specmatch.colour.scales import average_absorbance
    >>> nm = np.arange(380.0, 781.0, 1.0)
    >>> found = colour_from_transmission(10.0 ** -average_absorbance(nm, 8.0), nm)
    >>> round(found.srm, 3), found.clear, found.dilute
    (8.0, True, False)
    """
    T, nm = np.asarray(transmittance, np.float64), np.asarray(wavelength_nm, np.float64)
    if T.ndim != 1 or T.shape != nm.shape or not nm.size or np.any(np.diff(nm) <= 0):
        raise TableError(f"transmittance of shape {T.shape} on {nm.size} wavelengths; one ascending spectrum is needed")
    if slit_nm:
        T = correct_slit_width(T, nm, slit_nm=slit_nm)
    a430 = _absorbance_at(430.0, T, nm)
    if a430 is None:
        raise WavelengthMismatchError(
            f"the spectrum covers {nm[0]:g}-{nm[-1]:g} nm; wavelengths within {NEIGHBOUR_NM:g} nm on both sides of "
            "430 nm are needed"
        )
    a700 = _absorbance_at(700.0, T, nm)
    return TransmissionColour(
        srm=srm_from_absorbance(a430, path_cm, dilution),
        ebc=ebc_from_absorbance(a430, path_cm, dilution),
        a430=a430,
        a700=np.nan if a700 is None else a700,
        clear=None if a700 is None else bool(clear_enough(a430, a700)),
        dilute=a430 > LINEAR_TO,
    )


def _absorbance_at(at: float, T: Floats, nm: Floats) -> float | None:
    left = int(np.searchsorted(nm, at, side="right")) - 1
    right = left if left >= 0 and nm[left] == at else left + 1
    if left < 0 or right >= nm.size or at - nm[left] > NEIGHBOUR_NM or nm[right] - at > NEIGHBOUR_NM:
        return None
    if min(T[left], T[right]) <= 0.0:
        raise TableError(f"transmittance near {at:g} nm is {min(T[left], T[right]):g}; no light, no colour: dilute")
    if max(T[left], T[right]) >= HIGHEST_FRACTION:
        raise TableError(
            f"transmittance near {at:g} nm is {max(T[left], T[right]):g}; a fraction is needed, water as 1: divide "
            "percent by 100"
        )
    # a straight line in absorbance, which is smoother than transmittance
    return (
        float(np.interp(at, nm[[left, right]], -np.log10(T[[left, right]])))
        if right > left
        else -float(np.log10(T[left]))
    )


def correct_slit_width(transmittance: ArrayLike, wavelength_nm: ArrayLike, *, slit_nm: float) -> Floats:
    """Undo, to second order, the blur of a triangular slit.

    Parameters
    ----------
    transmittance : array_like, shape (n, p) or (p,)
    wavelength_nm : array_like, shape (p,)
        An even grid of three points or more.
    slit_nm : float
        Full width at half maximum, 0 or more.

    Returns
    -------
    ndarray, shape as given
        T - (slit^2 / 12) T''; the ends use the bend beside them.

    Raises
    ------
    OptionError
        If the slit is negative or not finite.
    TableError
        If the grid is uneven or shorter than three points, or shapes do not fit.

    Notes
    -----
    A triangle of half width b has variance b^2/6, so a blurred spectrum is T + (b^2/12) T'' + ... With b = the step
    this is the correction of E. I. Stearns, R. E. Stearns, Color Res. Appl. 13:257-259, 1988 (reference from memory).

    Examples
    --------
    >>> nm = np.arange(400.0, 500.0, 5.0)
    >>> blurred = 1e-5 * (nm - 450.0) ** 2 + 1e-5 * 10.0**2 / 6.0
    >>> bool(np.allclose(correct_slit_width([blurred], nm, slit_nm=10.0), 1e-5 * (nm - 450.0) ** 2))
    True
    """
    if not (np.isfinite(slit_nm) and slit_nm >= 0):
        raise OptionError(f"slit_nm is {slit_nm}; a width of 0 nm or more is needed")
    T, p = np.asarray(transmittance, np.float64), np.size(wavelength_nm)
    if T.ndim not in (1, 2) or T.shape[-1] != p:
        raise TableError(f"transmittance of shape {T.shape} on {p} wavelengths; as many are needed")
    if p < 3:
        raise TableError(f"{p} wavelengths; a slit correction needs three or more")
    step = even_step(wavelength_nm)
    bend = np.empty_like(T)
    bend[..., 1:-1] = (T[..., :-2] - 2.0 * T[..., 1:-1] + T[..., 2:]) / step**2
    bend[..., 0], bend[..., -1] = bend[..., 1], bend[..., -2]
    return T - slit_nm**2 / 12.0 * bend
