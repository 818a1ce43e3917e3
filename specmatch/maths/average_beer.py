"""The shape of an average beer's absorption, relative to 430 nm."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats


def relative_absorbance(wavelength_nm: ArrayLike) -> Floats:
    """Return the absorbance of an average beer over its absorbance at 430 nm.

    Parameters
    ----------
    wavelength_nm : array_like
        In nm, within about 380 to 780.

    Returns
    -------
    ndarray
        Same shape; 1 at 430 nm.

    Notes
    -----
    A. J. deLange, in *Brewing Materials and Processes*, Elsevier 2016, pp. 199-249. Real beers deviate from it in a few
    smooth shapes.

    Examples
    --------
    >>> relative_absorbance([400.0, 430.0, 500.0, 700.0]).round(4).tolist()
    [1.5411, 1.0, 0.4163, 0.0364]
    """
    beyond = np.asarray(wavelength_nm, float) - 430.0
    return 0.02465 * np.exp(-beyond / 17.591) + 0.97535 * np.exp(-beyond / 82.122)
