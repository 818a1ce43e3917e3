"""The transmission method: its scales, and colour from a spectrum on them."""

from dataclasses import dataclass
from typing import TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Mask
from specmatch.errors import OptionError, TableError, WavelengthMismatchError
from specmatch.maths.optics.cup import relative_absorbance
from specmatch.maths.spectra.transforms import even_step

# Beer colour from absorbance at 430 nm: SRM, EBC, and the spectrum of an average beer.
# Sources: ASBC *Methods of Analysis*, Beer-10A (SRM = 12.7 D A430 in 1 cm, 10 D A430 in a half-inch cell; clear when
# A700 is at most 0.039 A430); *Analytica-EBC* 9.6 (EBC = 25 D A430 in 1 cm; the number of the method from memory).

Number = TypeVar("Number", float, Floats)

SRM_PER_ABSORBANCE = 12.7  # Beer-10A, 1 cm
EBC_PER_ABSORBANCE = 25.0  # Analytica-EBC 9.6, 1 cm
EBC_PER_SRM = EBC_PER_ABSORBANCE / SRM_PER_ABSORBANCE
HALF_INCH_CM = 1.27
CLEAR_RATIO = 0.039  # Beer-10A: A700 / A430 of a beer that is bright enough
# far beyond any cell, any dilution and any liquid (physics): what is more is a slip
MOST_ABSORBANCE, PATH_CM, MOST_DILUTION, MOST_SRM = 1e3, (1e-3, 1e3), 1e6, 1e4
HIGHEST_FRACTION = 1.05  # transmittance: 5 % above 1 is a baseline that moved; more is percent, or absorbance


def srm_from_absorbance(a430: Number, path_cm: float = 1.0, dilution: float = 1.0) -> Number:
    """Return the SRM colour of a clear beer from its absorbance at 430 nm: 12.7 x dilution x A430 in 1 cm (Beer-10A).

    Parameters
    ----------
    a430 : float or ndarray of any shape
        Decadic absorbance of the liquid in the cell, finite.
    path_cm : float, default 1.0
        Cell length in cm, above 0; a half-inch cell is 1.27.
    dilution : float, default 1.0
        Final volume over beer volume, 1 or more (1 part beer in 2 parts is 2).

    Returns
    -------
    float or ndarray, shape as given

    Raises
    ------
    OptionError
        If absorbance is not finite, the path is not above 0, the dilution is below 1, or one is beyond any cell.

    Examples
    --------
    >>> round(srm_from_absorbance(2.0), 6)
    25.4
    >>> round(srm_from_absorbance(1.0, path_cm=1.27), 6)
    10.0
    """
    return SRM_PER_ABSORBANCE * _per_cm(a430, path_cm, dilution)


def ebc_from_absorbance(a430: Number, path_cm: float = 1.0, dilution: float = 1.0) -> Number:
    """Return the EBC colour of a clear beer from its absorbance at 430 nm: 25 x dilution x A430 in 1 cm (EBC 9.6).

    Parameters
    ----------
    a430 : float or ndarray of any shape
    path_cm, dilution : float, default 1.0
        As in `srm_from_absorbance`.

    Returns
    -------
    float or ndarray, shape as given

    Raises
    ------
    OptionError
        As `srm_from_absorbance`.

    Examples
    --------
    >>> ebc_from_absorbance(2.0)
    50.0
    """
    return EBC_PER_ABSORBANCE * _per_cm(a430, path_cm, dilution)


def _per_cm(a430: Number, path_cm: float, dilution: float) -> Number:
    absorbance = _absorbance("430 nm", a430)
    if not PATH_CM[0] <= path_cm <= PATH_CM[1]:
        raise OptionError(
            f"path_cm is {path_cm}; the cell length in cm, {PATH_CM[0]:g} to {PATH_CM[1]:g}, is needed (1.0, or 1.27 "
            "for half an inch)"
        )
    if not 1 <= dilution <= MOST_DILUTION:
        raise OptionError(
            f"dilution is {dilution}; give final over beer volume, 1 to {MOST_DILUTION:g} (1 part made up to 2 is 2)"
        )
    scaled = absorbance * (dilution / path_cm)
    return cast(Number, scaled if scaled.ndim else float(scaled))


def _absorbance(at: str, value: ArrayLike) -> Floats:
    absorbance = np.asarray(value, dtype=np.float64)
    if not np.all(np.abs(absorbance) <= MOST_ABSORBANCE):
        raise OptionError(
            f"absorbance at {at} is {absorbance}; a finite number of {-MOST_ABSORBANCE:g} to {MOST_ABSORBANCE:g} is "
            "needed"
        )
    return absorbance


def ebc_from_srm(srm: Number) -> Number:
    """Return EBC from SRM: the ratio of the two factors, 25/12.7.

    Parameters
    ----------
    srm : float or ndarray of any shape

    Returns
    -------
    float or ndarray, shape as given

    Examples
    --------
    >>> round(ebc_from_srm(10.0), 3)
    19.685
    """
    return (np.asarray(srm, np.float64) if isinstance(srm, list | tuple) else srm) * EBC_PER_SRM


def srm_from_ebc(ebc: Number) -> Number:
    """Return SRM from EBC: the ratio of the two factors, 12.7/25.

    Parameters
    ----------
    ebc : float or ndarray of any shape

    Returns
    -------
    float or ndarray, shape as given

    Examples
    --------
    >>> srm_from_ebc(25.0)
    12.7
    """
    return (np.asarray(ebc, np.float64) if isinstance(ebc, list | tuple) else ebc) / EBC_PER_SRM


def clear_enough(a430: ArrayLike, a700: ArrayLike) -> Mask:
    """Tell whether a beer is clear enough for its A430 to be a colour (ASBC Beer-10A).

    Parameters
    ----------
    a430, a700 : array_like of any shape
        Absorbances at 430 and 700 nm in the same cell, broadcast against each other.

    Returns
    -------
    ndarray of bool, shape of the two together
        True where A700 <= 0.039 A430. Elsewhere clarify and measure again; if it still fails, the number does not
        strictly apply.

    Raises
    ------
    OptionError
        If an absorbance is not finite, or beyond what any liquid has.

    Examples
    --------
    >>> clear_enough(0.5, [0.0195, 0.03]).tolist()
    [True, False]
    """
    # the tolerance lets a value typed exactly at the limit pass whatever its last binary digit
    return _absorbance("700 nm", a700) <= CLEAR_RATIO * _absorbance("430 nm", a430) * (1 + 1e-12)


def average_absorbance(wavelength_nm: ArrayLike, srm: float, path_cm: float = 1.0) -> Floats:
    """Return the decadic absorbance spectrum of an average beer of a given colour.

    A. J. deLange, in *Brewing Materials and Processes*, Elsevier 2016, pp. 199-249. Real beers deviate from it in a few
    smooth shapes.

    Parameters
    ----------
    wavelength_nm : array_like, shape (p,)
        Within about 380 to 780.
    srm : float
        0 or more.
    path_cm : float, default 1.0
        Above 0.

    Returns
    -------
    ndarray, shape (p,)

    Raises
    ------
    OptionError
        If the colour is negative or the path not above 0, or either beyond any liquid and any cell.

    Examples
    --------
    >>> average_absorbance([430.0, 700.0], 12.7).round(4).tolist()
    [1.0, 0.0364]
    """
    if not 0 <= srm <= MOST_SRM:
        raise OptionError(f"srm is {srm}; a colour of 0 or more is needed, 0 to {MOST_SRM:g}")
    if not 0 < path_cm <= PATH_CM[1]:
        raise OptionError(f"path_cm is {path_cm}; a path above 0 is needed, up to {PATH_CM[1]:g}")
    return srm / SRM_PER_ABSORBANCE * path_cm * relative_absorbance(wavelength_nm)


# Beer colour from a whole transmission spectrum.

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
    """Return beer colour from the transmittance spectrum of a clear beer (ASBC Beer-10A; *Analytica-EBC* 9.6).

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

    Examples
    --------
    >>> from specmatch.colour.transmission import average_absorbance
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
    return float(np.interp(at, nm[[left, right]], -np.log10(T[[left, right]])))


def correct_slit_width(transmittance: ArrayLike, wavelength_nm: ArrayLike, *, slit_nm: float) -> Floats:
    """Undo, to second order, the blur of a triangular slit.

    A triangle of half width b has variance b^2/6, so a blurred spectrum is T + (b^2/12) T'' + ... With b = the step
    this is the correction of E. I. Stearns, R. E. Stearns, Color Res. Appl. 13:257-259, 1988 (reference from memory).

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
        If the slit is negative, or wider than the spectrum.
    TableError
        If the grid is uneven or shorter than three points, or shapes do not fit.

    Examples
    --------
    >>> nm = np.arange(400.0, 500.0, 5.0)
    >>> blurred = 1e-5 * (nm - 450.0) ** 2 + 1e-5 * 10.0**2 / 6.0
    >>> bool(np.allclose(correct_slit_width([blurred], nm, slit_nm=10.0), 1e-5 * (nm - 450.0) ** 2))
    True
    """
    if not 0 <= slit_nm <= (np.ptp(wavelength_nm) if np.size(wavelength_nm) else np.inf):
        raise OptionError(f"slit_nm is {slit_nm}; a width of 0 nm or more, no wider than the spectrum, is needed")
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
