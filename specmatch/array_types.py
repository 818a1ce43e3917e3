"""Names of the arrays that pass between functions: what they hold, whatever their shape; and what a number is."""

from numbers import Integral, Real

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


def is_number(value: object, *, whole: bool = False) -> bool:
    """Say whether an option is a number, or a whole one: no text, no truth value, no list."""
    return isinstance(value, Integral if whole else Real) and not isinstance(value, bool)
