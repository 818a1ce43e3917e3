"""How the error of a colour grows with colour: sd(y)^2 = a^2 + (b y)^2 + (c y^2)^2, learnt from held-out residuals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats

# a / b, the colour below which the constant part rules, in the unit of the colours; 0 is none
_CROSSOVERS = np.concatenate([[0.0], np.geomspace(0.5, 100.0, 24)])

# c y / b at the darkest colour: how the growing part stands to the relative one there; 0 is none
_GROWTHS = np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.0])

# The growing part must earn its place by so much of log likelihood, or a dozen residuals would see it in noise.
_PRICE = 0.5


@dataclass(frozen=True)
class ErrorModel:
    """Standard deviation of a colour's error.

    Attributes
    ----------
    constant : float
        `a`, in the unit of the colours: the lab's readings of pale beers.
    relative : float
        `b`, a fraction, above 0: pours, lamp, the lab.
    growth : float
        `c`, per unit of colour: the darker, the less light is left to read from.
    """

    constant: float
    relative: float
    growth: float = 0.0

    def relative_variance(self, colour: ArrayLike) -> Floats:
        """Return the variance of log colour to first order (variance over squared colour), of the shape of `colour`."""
        y = np.asarray(colour, float)
        return self.relative**2 + (self.constant / y) ** 2 + (self.growth * y) ** 2


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
    >>> round(model.relative, 3), round(model.constant, 2), model.growth
    (0.02, 0.2, 0.0)
    """
    e, y = np.asarray(residual, float), np.asarray(colour, float)
    darkest = float(y.max())
    ratio, growth = (grid.ravel() for grid in np.meshgrid(_CROSSOVERS, _GROWTHS, indexing="ij"))
    shape = 1.0 + (ratio[:, None] / y) ** 2 + (growth[:, None] * y / darkest) ** 2
    # with the ratios held, the best b^2 is the mean of the scaled squares; the likelihood that is left picks them
    best_square = np.maximum(np.mean(e**2 / shape, axis=1), np.finfo(float).tiny)
    loss = 0.5 * (y.size * np.log(best_square) + np.log(shape).sum(axis=1)) + _PRICE * (growth > 0)
    picked = int(np.argmin(loss))
    relative = float(np.sqrt(best_square[picked]))
    return ErrorModel(relative * float(ratio[picked]), relative, relative * float(growth[picked]) / darkest)
