"""Names of the arrays that pass between functions: what they hold, whatever their shape; and what a number is."""

from numbers import Integral, Real
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specmatch.errors import OptionError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


def is_number(value: object, *, whole: bool = False) -> bool:
    """Say whether an option is a number, or a whole one: no text, no truth value, no list."""
    return isinstance(value, Integral if whole else Real) and not isinstance(value, bool)


def check_whole(value: Any, name: str, least: int = 0) -> None:
    """Refuse an option that is no whole number of some size."""
    if not (is_number(value, whole=True) and value >= least):
        raise OptionError(f"{name} is {value!r}; expected a whole number, {least} or more")


def check_share(value: Any, name: str, such: float = 0.05) -> None:
    """Refuse an option that is no share."""
    if not (is_number(value) and 0.0 < value < 1.0):
        raise OptionError(f"{name} is {value!r}; expected a share between 0 and 1, such as {such}")
