"""The colour of a beer as the eye sees it in the cup, for a patch beside its name."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.colour.tristimulus import tristimulus_values, white_point

# IEC 61966-2-1 (sRGB): from X, Y, Z with D65 white at Y = 1 to linear red, green, blue (matrix and curve from memory)
_TO_RGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
_D65_WHITE = np.array([0.9505, 1.0, 1.089])
_VISIBLE_NM = np.arange(400.0, 701.0, 5.0)


def swatch(reflectance: ArrayLike, wavelength_nm: ArrayLike) -> str:
    """Return the colour of the light that comes back through a beer, as a screen shows it.

    Parameters
    ----------
    reflectance : array_like, shape (p,)
        Fractions; the reference is the white. Outside 0 to 1 they are clipped.
    wavelength_nm : array_like, shape (p,)
        Ascending; beyond its ends the last values are taken, as for a usable band that is narrower than the visible.

    Returns
    -------
    str
        Such as `"#e8b24a"`. It shows the beer in this cup, not in a glass, and is no measure of its colour.

    Examples
    --------
    >>> swatch([1.0, 1.0], [400.0, 700.0]), swatch([0.0, 0.0], [400.0, 700.0])
    ('#ffffff', '#000000')
    """
    seen = np.interp(_VISIBLE_NM, np.asarray(wavelength_nm, float), np.clip(reflectance, 0.0, 1.0))
    xyz = tristimulus_values(seen[None, :], _VISIBLE_NM, illuminant="D65")[0] / white_point("D65") * _D65_WHITE
    linear = np.clip(_TO_RGB @ xyz, 0.0, 1.0)
    curved = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055)
    red, green, blue = np.rint(255.0 * curved).astype(int)
    return f"#{red:02x}{green:02x}{blue:02x}"
