"""What a spectrum has that no score can hold: its part outside the axes, against that of batches held out."""

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from specmatch.array_types import Floats
from specmatch.maths.critical_values import scaled_chi_square

# part of the false reject rate that is spent on the residual: foreign beers show in the scores, foreign things here
SHARE = 0.02
# the least part of the held-out residual that may be left when many pours average it out
LEAST_PART = 0.1


@dataclass(frozen=True)
class Residual:
    """Squared residuals of held-out samples, in units of channel noise, as mean/dof chi-squared(dof).

    Attributes
    ----------
    mean, dof : float
        `mean` 0: nothing lies outside the axes, or nothing could be held out, and nothing is judged.
    n_samples : int
        Held-out samples behind them.
    pour_mean : float
        What the scatter between pours adds for one pour.
    per_pour : float
        Mean of 1/m over the fitted samples of m pours: the share of it that `mean` holds.
    """

    mean: float
    dof: float
    n_samples: int
    pour_mean: float
    per_pour: float

    def p_value(self, squared: Floats, n_pours: Floats | float) -> Floats:
        """Return how often a true sample of `n_pours` pours leaves as much outside, shape of `squared`."""
        if self.mean == 0.0:
            return np.ones_like(squared)
        mean = np.maximum(self.mean + (1.0 / n_pours - self.per_pour) * self.pour_mean, LEAST_PART * self.mean)
        # the mean itself rests on so many samples: an F tail instead of a chi-squared one
        return np.asarray(fdtrc(self.dof, self.dof * self.n_samples, squared / mean), float)


def fit_residual(held_out: Floats, pour_mean: float, per_pour: float) -> Residual:
    """Learn what held-out samples leave outside the axes.

    Parameters
    ----------
    held_out : ndarray, shape (n,)
        Squared residuals in units of channel noise; NaN where a sample was not held out.
    pour_mean : float
        What the scatter between pours adds for one pour.
    per_pour : float
        Mean of 1/m over the samples of m pours.

    Returns
    -------
    Residual
        Of mean 0, which judges nothing, from fewer than three samples.

    Examples
    --------
    >>> fit = fit_residual(np.array([8.0, 10.0, 12.0, np.nan]), pour_mean=0.0, per_pour=1.0)
    >>> fit.mean, fit.n_samples, bool(fit.p_value(np.array([30.0]), 1.0)[0] < 0.01)
    (10.0, 3, True)
    """
    known = held_out[np.isfinite(held_out)]
    if known.size < 3 or known.mean() <= 0.0:
        return Residual(0.0, 1.0, known.size, pour_mean, per_pour)
    mean, dof = scaled_chi_square(known)
    return Residual(mean, dof, known.size, pour_mean, per_pour)


def with_residual(by_scores: Floats, by_residual: Floats) -> Floats:
    """Join two p-values so that the stated rate is shared between them: the lesser of p/(1-w) and p/w, w = `SHARE`.

    Parameters
    ----------
    by_scores, by_residual : ndarray, of one shape
        P-values in [0, 1].

    Returns
    -------
    ndarray, of that shape

    Examples
    --------
    >>> with_residual(np.array([0.5, 0.5]), np.array([0.5, 0.0001])).round(3).tolist()
    [0.51, 0.005]
    """
    return np.minimum(1.0, np.minimum(by_scores / (1.0 - SHARE), by_residual / SHARE))
