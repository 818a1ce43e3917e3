"""How the error of a colour grows with colour: sd(y)^2 = a^2 + (b y)^2, learnt from held-out residuals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# a / b, the colour below which the constant part rules, in the unit of the colours; 0 is a purely relative error
_CROSSOVERS = np.concatenate([[0.0], np.geomspace(0.5, 100.0, 24)])


@dataclass(frozen=True)
class ErrorModel:
    """Standard deviation of a colour's error.

    Attributes
    ----------
    constant : float
        `a`, in the unit of the colours, 0 or more.
    relative : float
        `b`, a fraction, above 0.
    """

    constant: float
    relative: float

    def relative_variance(self, colour: ArrayLike) -> Floats:
        """Return the variance over the square of the colour, the variance of log colour to first order."""
        return self.relative**2 + (self.constant / np.asarray(colour, float)) ** 2


def fit_error_model(residual: ArrayLike, colour: ArrayLike) -> ErrorModel:
    """Fit the error model to relative residuals by maximum likelihood of normal errors.

    Parameters
    ----------
    residual : array_like, shape (n,)
        Held-out residuals of log colour (relative residuals, to first order).
    colour : array_like, shape (n,)
        Colours, above 0.

    Returns
    -------
    ErrorModel

    Examples
    --------
    >>> colour = np.geomspace(2.0, 100.0, 400)
    >>> error = np.where(np.arange(400) % 2, 1.0, -1.0) * np.sqrt(0.02**2 + (0.2 / colour) ** 2)
    >>> model = fit_error_model(error, colour)
    >>> round(model.relative, 3), round(model.constant, 2)
    (0.02, 0.2)
    """
    e, y = np.asarray(residual, float), np.asarray(colour, float)
    shape = 1.0 + (_CROSSOVERS[:, None] / y) ** 2
    # with the ratio held, the best b^2 is the mean of the scaled squares; the likelihood that is left picks the ratio
    best_square = np.maximum(np.mean(e**2 / shape, axis=1), np.finfo(float).tiny)
    picked = int(np.argmin(np.log(best_square) + np.mean(np.log(shape), axis=1)))
    relative = float(np.sqrt(best_square[picked]))
    return ErrorModel(constant=relative * float(_CROSSOVERS[picked]), relative=relative)
