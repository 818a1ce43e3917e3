"""How well predictions agree with reference values: the figures of a validation, and the straight line behind them.

The formulas are those of ISO 12099 (from memory), over n independent samples. An error is prediction minus reference,
so that a positive bias means readings too dark.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from specmatch.array_types import Floats
from specmatch.errors import TableError

# chance of a limit to be passed where there is neither bias nor slope
ALPHA = 0.05


@dataclass(frozen=True)
class Line:
    """A straight line by least squares, with the uncertainty of its two numbers."""

    intercept: float
    slope: float
    intercept_sd: float
    slope_sd: float
    correlation: float  # between the two, for the `x` that was given
    residual_sd: float  # with n - 2 degrees of freedom
    n: int

    def at(self, x: ArrayLike) -> tuple[Floats, Floats]:
        """Return the height of the line at `x`, and its standard uncertainty, both of the shape of `x`."""
        where = np.asarray(x, float)
        variance = (
            self.intercept_sd**2
            + (where * self.slope_sd) ** 2
            + 2.0 * where * self.correlation * self.intercept_sd * self.slope_sd
        )
        return self.intercept + self.slope * where, np.sqrt(variance)


def fit_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line by least squares.

    JCGM 100:2008, annex H.3.
    """
    # x, y (n,)
    u, v = np.asarray(x, float), np.asarray(y, float)
    n = u.size
    if n < 3 or np.ptp(u) == 0.0:
        raise TableError(
            f"{n} points over a range of {np.ptp(u) if n else 0:g}; a line needs three, at different places"
        )
    middle = u.mean()
    square = float(np.sum((u - middle) ** 2))
    slope = float(np.sum((u - middle) * v)) / square
    intercept = float(v.mean() - slope * middle)
    residual_sd = float(np.sqrt(np.sum((v - intercept - slope * u) ** 2) / (n - 2)))
    root = float(np.sqrt(np.mean(u**2)))
    return Line(
        intercept=intercept,
        slope=slope,
        intercept_sd=residual_sd * root / np.sqrt(square),
        slope_sd=residual_sd / np.sqrt(square),
        correlation=-float(middle) / root if root else 0.0,
        residual_sd=residual_sd,
        n=n,
    )


@dataclass(frozen=True)
class Agreement:
    """Reference values against predictions; see `agreement`."""

    n: int
    bias: float  # mean of prediction minus reference; above 0 readings are too dark
    bias_limit: float  # A bias within it may be chance
    sep: float  # standard deviation of the errors about their mean
    rmsep: float
    slope: float  # slope, intercept: of reference on prediction
    intercept: float
    slope_t: float  # |slope - 1| over its standard error, n - 2 degrees of freedom
    slope_limit: float  # above it the slope is not 1
    rpd: float  # standard deviation of the reference values over SEP
    iqr_over_sep: float  # their interquartile range over SEP, for values that are spread unevenly
    r_squared: float  # 1 - sum of squared errors over that about the mean of the reference values


def agreement(reference: ArrayLike, predicted: ArrayLike) -> Agreement:
    """Compare predictions with reference values.

    RMSEP^2 = SEP^2 (n - 1)/n + bias^2. The slope is tested with the scatter about the line.
    """
    # reference, predicted (n,)
    y, yhat = np.asarray(reference, float), np.asarray(predicted, float)
    if y.shape != yhat.shape or y.ndim != 1:
        raise TableError(f"reference has shape {y.shape}, predicted {yhat.shape}; two lists of one length are needed")
    line = fit_line(yhat, y)
    e = yhat - y
    n = e.size
    sep = float(e.std(ddof=1))
    tiny = np.finfo(float).tiny
    quartiles = np.percentile(y, [25, 75])
    return Agreement(
        n=n,
        bias=float(e.mean()),
        bias_limit=bias_limit(sep, n),
        sep=sep,
        rmsep=float(np.sqrt(np.mean(e**2))),
        slope=line.slope,
        intercept=line.intercept,
        slope_t=abs(line.slope - 1.0) / max(line.slope_sd, tiny),
        slope_limit=float(stdtrit(n - 2, 1.0 - ALPHA / 2.0)),
        rpd=float(y.std(ddof=1)) / max(sep, tiny),
        iqr_over_sep=float(quartiles[1] - quartiles[0]) / max(sep, tiny),
        r_squared=1.0 - float(np.sum(e**2)) / max(float(np.sum((y - y.mean()) ** 2)), tiny),
    )


def bias_limit(sep: float, n: int) -> float:
    """Return the bias that chance alone may give: t(1 - ALPHA/2, n - 1) SEP / sqrt n."""
    return float(stdtrit(n - 1, 1.0 - ALPHA / 2.0)) * sep / float(np.sqrt(n))
