"""Tails of T2 and of the squared spectral residual Q: critical values as published, and as held-out batches lie."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, fdtrc, fdtri

from specmatch.array_types import Floats
from specmatch.errors import TooFewBatchesError


def t2_limit_new(n_batches: int, n_components: int, level: float = 0.95) -> float:
    """Return the limit of T2 for a spectrum that took no part in the fit."""
    # N. D. Tracy, J. C. Young, R. L. Mason, Journal of Quality Technology 24:88-95, 1992 (formula from memory)
    if n_batches <= n_components:
        raise TooFewBatchesError(
            f"no T2 limit exists for {n_components} components on so few batches; "
            f"got {n_batches}, need more than {n_components}: add batches or take fewer components"
        )
    n, a = n_batches, n_components
    return float(a * (n**2 - 1) / (n * (n - a)) * fdtri(a, n - a, level))


def scaled_chi_square(values: ArrayLike) -> tuple[float, float]:
    """Return mean u0 and degrees of freedom N of values taken as u0/N chi-squared(N): N = 2 (u0/s)^2."""
    # A. L. Pomerantsev, O. Ye. Rodionova, Journal of Chemometrics 22:601-609, 2008 and 28:429-438, 2014 (from memory)
    # values (n,)
    found = np.asarray(values, float)
    mean, variance = float(found.mean()), float(found.var(ddof=1))
    return mean, float(np.clip(2.0 * mean**2 / variance, 1.0, 250.0)) if variance > 0 else 250.0


# part of the false reject rate that is spent on the residual: foreign beers show in the scores, foreign things here
SHARE = 0.02

# the least part of the held-out residual that may be left when many pours average it out
LEAST_PART = 0.1


@dataclass(frozen=True)
class QResidual:
    """Squared residuals of held-out samples, in units of channel noise, as mean/dof chi-squared(dof)."""

    # mean, dof: `mean` 0: nothing lies outside the axes, or nothing could be held out, and nothing is judged
    mean: float
    dof: float
    n_samples: int  # held-out samples behind them
    pour_mean: float  # what the scatter between pours adds for one pour
    per_pour: float  # mean of 1/m over the fitted samples of m pours: the share of it that `mean` holds

    def p_value(self, squared: Floats, n_pours: Floats | float) -> Floats:
        """Return how often a true sample of `n_pours` pours leaves as much outside, shape of `squared`."""
        if self.mean == 0.0:
            return np.ones_like(squared)
        mean = np.maximum(self.mean + (1.0 / n_pours - self.per_pour) * self.pour_mean, LEAST_PART * self.mean)
        # the mean itself rests on so many samples: an F tail instead of a chi-squared one
        return np.asarray(fdtrc(self.dof, self.dof * self.n_samples, squared / mean), float)


def fit_residual(held_out: Floats, pour_mean: float, per_pour: float) -> QResidual:
    """Learn what held-out samples leave outside the axes."""
    # held_out (n,)
    known = held_out[np.isfinite(held_out)]
    if known.size < 3 or known.mean() <= 0.0:
        return QResidual(0.0, 1.0, known.size, pour_mean, per_pour)
    mean, dof = scaled_chi_square(known)
    return QResidual(mean, dof, known.size, pour_mean, per_pour)


def combine_p_values(by_scores: Floats, by_residual: Floats) -> Floats:
    """Join two p-values so that the stated rate is shared between them: the lesser of p/(1-w) and p/w, w = `SHARE`."""
    return np.minimum(1.0, np.minimum(by_scores / (1.0 - SHARE), by_residual / SHARE))


# tails tried when normal scatter does not explain the held-out batches
TAIL_DOFS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0)
INFLATIONS = np.geomspace(0.4, 2.5, 38)

# standard errors by which the mean is raised: its upper 95 % bound
UPPER = 1.645

# twice the gain in log likelihood that a longer tail must bring: 1 in 1000 normal sets would (chi-squared, 1 dof)
WORTHWHILE_GAIN = 10.83

# ... and tails within this of the best are as good (95 % of chi-squared, 1 dof): the most nearly normal one is taken
AS_GOOD = 3.84


@dataclass(frozen=True)
class TailCorrection:
    """How far held-out batches lie out: their F statistics over `inflation` follow F with `dof` at the most."""

    inflation: float
    dof: float  # infinite where scatter looks normal

    def p_value(self, statistic: Floats, n_axes: Floats, dof: Floats) -> Floats:
        """Return the chance (n,) that F(n_axes, the fewer of `dof` and its own) exceeds statistic over inflation."""
        return fdtrc(n_axes, np.minimum(dof, self.dof), statistic / self.inflation)


NORMAL = TailCorrection(1.0, np.inf)


def fit_tail(statistic: Floats, n_axes: Floats, dof: Floats, weight: Floats) -> TailCorrection:
    """Learn the tail from F statistics of held-out batches."""
    # Normal scatter: the inflation brings the mean of F to the upper 95 % bound of that of the statistics, and never
    # below 1, because the choice of the metric saw these batches. A longer tail (batches like a multivariate t) is
    # taken only where its likelihood is so much larger that chance would bring it once in a thousand sets; its
    # inflation too is the upper 95 % bound, by the profile of the likelihood.
    # statistic (n,), n_axes, dof (n,), weight (n,)
    kept = np.isfinite(statistic) & (statistic > 0) & (dof > 2)
    if not kept.any():
        return NORMAL
    x, a, d, w = statistic[kept], n_axes[kept], dof[kept], weight[kept] / weight[kept].mean()
    standard_error = np.sqrt(2.0 / (w.sum() * a.mean()))
    plain = float(max(1.0, np.average(x * (d - 2.0) / d, weights=w) * (1.0 + UPPER * standard_error)))
    grid = np.array([_log_likelihoods(x, a, np.minimum(d, t), w) for t in (*TAIL_DOFS, np.inf)])
    gain = 2.0 * (grid[:-1].max(axis=1) - grid[-1].max())
    if gain.max() < WORTHWHILE_GAIN:
        return TailCorrection(plain, np.inf)
    chosen = int(np.flatnonzero(gain > gain.max() - AS_GOOD)[-1])
    bound = grid[chosen] >= grid[chosen].max() - UPPER**2 / 2.0
    return TailCorrection(float(INFLATIONS[np.flatnonzero(bound)[-1]]), TAIL_DOFS[chosen])


def _log_likelihoods(x: Floats, a: Floats, dof: Floats, weight: Floats) -> Floats:
    """Return the log likelihood of F statistics at each of the inflations."""
    # x, a, dof, weight (n,) -> (n_inflations,)
    scaled = x / INFLATIONS[:, None]
    density = (a / 2.0 - 1.0) * np.log(scaled) - (a + dof) / 2.0 * np.log1p(a / dof * scaled)
    alike = a / 2.0 * np.log(a / dof) - betaln(a / 2.0, dof / 2.0)
    return np.asarray(density @ weight + alike @ weight - np.log(INFLATIONS) * weight.sum())
