"""The scale on which spectra are compared: reflectance, absorbance, or a logarithm of absorbance that bears noise."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats

# reflectance below this is noise of a dead channel; the floor keeps its logarithm finite
LEAST_REFLECTANCE = 1e-4


@dataclass(frozen=True)
class Scale:
    """The scale on which spectra are compared.

    Attributes
    ----------
    transform : {"reflectance", "absorbance", "log_absorbance"}
        `log_absorbance` is `asinh(A / (2 offset))`: the logarithm of absorbance above the offset, so that a batch
        stronger by a tenth moves alike in every beer, and a straight line below it, where noise would own a logarithm.
    offset : float
        Absorbance at which the logarithm gives way: about the noise of the lightest channels.
    dark : float
        Reflectance at which the logarithm that makes absorbance gives way: about the glare of the darkest channels.
        Only for `log_absorbance`.
    """

    transform: str
    offset: float = 1.0
    dark: float = 0.0

    def apply(self, reflectance: Floats) -> Floats:
        """Return spectra, shape (n, p), on this scale.

        Examples
        --------
        >>> Scale("absorbance").apply(np.array([[0.1]])).tolist()
        [[1.0]]
        """
        if self.transform == "reflectance":
            return np.array(reflectance, float)
        lifted = self.dark + (1.0 - self.dark) * np.maximum(reflectance, LEAST_REFLECTANCE)
        absorbance = -np.log10(lifted)
        return absorbance if self.transform == "absorbance" else np.arcsinh(absorbance / (2.0 * self.offset))
