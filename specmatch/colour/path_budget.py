"""How well the path through the beer is known when nobody poured twice: the volume poured and the cup."""

import numpy as np

from specmatch.errors import OptionError

# 10 mL graduated cylinders, in mL: class A 0.10, class B 0.20 (ASTM E1272; ISO 4788 from memory). The worse one is
# assumed, because few breweries certify a cylinder.
FILL_TOLERANCE_ML = 0.20

# Inner diameter of a plain cup from one to the next, in mm: common practice, no source.
CUP_TOLERANCE_MM = 0.2

USUAL_FILL_ML, USUAL_CUP_MM = 10.0, 40.0


def path_sd(
    fill_ml: float = USUAL_FILL_ML,
    cup_mm: float = USUAL_CUP_MM,
    *,
    fill_tolerance_ml: float = FILL_TOLERANCE_ML,
    cup_tolerance_mm: float = CUP_TOLERANCE_MM,
) -> float:
    """Return the relative standard uncertainty of the path, and so of a colour, that pouring leaves.

    Parameters
    ----------
    fill_ml, cup_mm : float
        Volume poured and inner diameter of the cup, above 0.
    fill_tolerance_ml, cup_tolerance_mm : float
        Half widths of what they may be, 0 or more.

    Returns
    -------
    float

    Raises
    ------
    OptionError
        If a size is not above 0 or a tolerance below 0.

    Notes
    -----
    Depth goes with volume and with the inverse square of the diameter; a tolerance is taken as a rectangle, so its
    standard uncertainty is its half width over the root of 3 (JCGM 100:2008, 4.3.7). Path and strength of a beer are
    confounded: no spectrum alone tells a 3 % over-pour from a 3 % darker beer, only separate pours show the spread.

    Examples
    --------
    >>> round(path_sd(10.0, 40.0), 4), round(path_sd(10.0, 40.0, fill_tolerance_ml=0.10, cup_tolerance_mm=0.0), 4)
    (0.0129, 0.0058)
    """
    if not (fill_ml > 0 and cup_mm > 0 and fill_tolerance_ml >= 0 and cup_tolerance_mm >= 0):
        raise OptionError(
            f"fill {fill_ml} +- {fill_tolerance_ml} mL, cup {cup_mm} +- {cup_tolerance_mm} mm; sizes above 0 and "
            "tolerances of 0 or more are needed"
        )
    return float(np.hypot(fill_tolerance_ml / fill_ml, 2.0 * cup_tolerance_mm / cup_mm) / np.sqrt(3.0))
