"""Beer colour from absorbance at 430 nm: SRM, EBC, and the spectrum of an average beer.

Sources: ASBC *Methods of Analysis*, Beer-10A (SRM = 12.7 D A430 in 1 cm, 10 D A430 in a half-inch cell; clear when
A700 is at most 0.039 A430); *Analytica-EBC* 9.6 (EBC = 25 D A430 in 1 cm; the number of the method from memory).
"""

from typing import TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Mask
from specmatch.errors import OptionError
from specmatch.maths.optics.cup import relative_absorbance

Number = TypeVar("Number", float, Floats)

SRM_PER_ABSORBANCE = 12.7  # Beer-10A, 1 cm
EBC_PER_ABSORBANCE = 25.0  # Analytica-EBC 9.6, 1 cm
EBC_PER_SRM = EBC_PER_ABSORBANCE / SRM_PER_ABSORBANCE
HALF_INCH_CM = 1.27
CLEAR_RATIO = 0.039  # Beer-10A: A700 / A430 of a beer that is bright enough
HIGHEST_FRACTION = 1.05  # transmittance: 5 % above 1 is a baseline that moved; more is percent, or absorbance


def srm_from_absorbance(a430: Number, path_cm: float = 1.0, dilution: float = 1.0) -> Number:
    """Return the SRM colour of a clear beer from its absorbance at 430 nm.

    Parameters
    ----------
    a430 : float or ndarray of any shape
        Decadic absorbance at 430 nm of the liquid in the cell; must be finite.
    path_cm : float, default 1.0
        Cell length in cm, above 0; a half-inch cell is 1.27.
    dilution : float, default 1.0
        Final volume over beer volume, 1 or more (1 part beer in 2 parts is 2).

    Returns
    -------
    float or ndarray, shape as given
        Colour in SRM.

    Raises
    ------
    OptionError
        If absorbance is not finite, the path is not above 0, or the dilution is below 1.

    Notes
    -----
    ASBC Beer-10A: SRM = 12.7 x dilution x A430, for 1 cm.

    Examples
    --------
    >>> round(srm_from_absorbance(2.0), 6)
    25.4
    >>> round(srm_from_absorbance(1.0, path_cm=1.27), 6)
    10.0
    """
    return SRM_PER_ABSORBANCE * _per_cm(a430, path_cm, dilution)


def ebc_from_absorbance(a430: Number, path_cm: float = 1.0, dilution: float = 1.0) -> Number:
    """Return the EBC colour of a clear beer from its absorbance at 430 nm.

    Parameters
    ----------
    a430 : float or ndarray of any shape
        Decadic absorbance at 430 nm; must be finite.
    path_cm : float, default 1.0
        Cell length in cm, above 0.
    dilution : float, default 1.0
        Final volume over beer volume, 1 or more.

    Returns
    -------
    float or ndarray, shape as given
        Colour in EBC.

    Raises
    ------
    OptionError
        If absorbance is not finite, the path is not above 0, or the dilution is below 1.

    Notes
    -----
    Analytica-EBC 9.6 (number from memory): EBC = 25 x dilution x A430, for 1 cm.

    Examples
    --------
    >>> ebc_from_absorbance(2.0)
    50.0
    """
    return EBC_PER_ABSORBANCE * _per_cm(a430, path_cm, dilution)


def _per_cm(a430: Number, path_cm: float, dilution: float) -> Number:
    absorbance = np.asarray(a430, dtype=np.float64)
    if not np.all(np.isfinite(absorbance)):
        raise OptionError(f"absorbance at 430 nm is {a430}; a finite number is needed")
    if not (np.isfinite(path_cm) and path_cm > 0):
        raise OptionError(
            f"path_cm is {path_cm}; the cell length in cm, above 0, is needed (1.0, or 1.27 for half an inch)"
        )
    if not (np.isfinite(dilution) and dilution >= 1):
        raise OptionError(
            f"dilution is {dilution}; give final over beer volume, 1 or more (1 part beer made up to 2 is 2)"
        )
    scaled = absorbance * (dilution / path_cm)
    return cast(Number, scaled if scaled.ndim else float(scaled))


def ebc_from_srm(srm: Number) -> Number:
    """Return EBC from SRM: the ratio of the two factors, 25/12.7.

    Parameters
    ----------
    srm : float or ndarray of any shape
        Colour in SRM.

    Returns
    -------
    float or ndarray, shape as given
        Colour in EBC.

    Examples
    --------
    >>> round(ebc_from_srm(10.0), 3)
    19.685
    """
    return srm * EBC_PER_SRM


def srm_from_ebc(ebc: Number) -> Number:
    """Return SRM from EBC: the ratio of the two factors, 12.7/25.

    Parameters
    ----------
    ebc : float or ndarray of any shape
        Colour in EBC.

    Returns
    -------
    float or ndarray, shape as given
        Colour in SRM.

    Examples
    --------
    >>> srm_from_ebc(25.0)
    12.7
    """
    return ebc / EBC_PER_SRM


def clear_enough(a430: ArrayLike, a700: ArrayLike) -> Mask:
    """Tell whether a beer is clear enough for its A430 to be a colour.

    Parameters
    ----------
    a430, a700 : array_like of any shape
        Absorbances at 430 and 700 nm in the same cell, broadcast against each other.

    Returns
    -------
    ndarray of bool, shape of the two together
        True where A700 <= 0.039 A430. Elsewhere clarify and measure again; if it still fails, the number does not
        strictly apply.

    Notes
    -----
    ASBC Beer-10A.

    Examples
    --------
    >>> clear_enough(0.5, [0.0195, 0.03]).tolist()
    [True, False]
    """
    # the tolerance lets a value typed exactly at the limit pass whatever its last binary digit
    return np.asarray(a700, float) <= CLEAR_RATIO * np.asarray(a430, float) * (1 + 1e-12)


def average_absorbance(wavelength_nm: ArrayLike, srm: float, path_cm: float = 1.0) -> Floats:
    """Return the decadic absorbance spectrum of an average beer of a given colour.

    Parameters
    ----------
    wavelength_nm : array_like, shape (p,)
        Wavelengths in nm, within about 380 to 780.
    srm : float
        Colour in SRM, 0 or more.
    path_cm : float, default 1.0
        Path through the beer in cm, above 0.

    Returns
    -------
    ndarray, shape (p,)

    Raises
    ------
    OptionError
        If the colour is negative or the path not above 0.

    Notes
    -----
    A. J. deLange, in *Brewing Materials and Processes*, Elsevier 2016, pp. 199-249. Real beers deviate from it in a few
    smooth shapes.

    Examples
    --------
    >>> average_absorbance([430.0, 700.0], 12.7).round(4).tolist()
    [1.0, 0.0364]
    """
    if not (np.isfinite(srm) and srm >= 0):
        raise OptionError(f"srm is {srm}; a colour of 0 or more is needed")
    if not (np.isfinite(path_cm) and path_cm > 0):
        raise OptionError(f"path_cm is {path_cm}; a path above 0 is needed")
    return srm / SRM_PER_ABSORBANCE * path_cm * relative_absorbance(wavelength_nm)
