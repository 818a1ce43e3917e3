"""The tail of distances, checked against batches that were held out, and lengthened where they lie farther out."""

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, fdtrc

from specmatch.array_types import Floats

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
class Tail:
    """How far held-out batches lie out: their F statistics over `inflation` follow F with `dof` at the most.

    Attributes
    ----------
    inflation : float
    dof : float
        Infinite where scatter looks normal.
    """

    inflation: float
    dof: float

    def p_value(self, statistic: Floats, n_axes: Floats, dof: Floats) -> Floats:
        """Return the chance (n,) that F(n_axes, the fewer of `dof` and its own) exceeds statistic over inflation."""
        return fdtrc(n_axes, np.minimum(dof, self.dof), statistic / self.inflation)


NORMAL = Tail(1.0, np.inf)


def fit_tail(statistic: Floats, n_axes: Floats, dof: Floats, weight: Floats) -> Tail:
    """Learn the tail from F statistics of held-out batches.

    Parameters
    ----------
    statistic : ndarray, shape (n,)
        Each about F(`n_axes`, `dof`) if scatter is normal.
    n_axes, dof : ndarray, shape (n,)
    weight : ndarray, shape (n,)
        Part of a batch that each stands for.

    Returns
    -------
    Tail

    Notes
    -----
    Normal scatter: the inflation brings the mean of F to the upper 95 % bound of that of the statistics, and never
    below 1, because the choice of the metric saw these batches. A longer tail (scatter of batches like a multivariate
    t) is taken only where its likelihood is so much larger that chance would bring it once in a thousand sets.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> t3 = rng.f(6, 3, 200) / 3.0
    >>> fit_tail(t3, np.full(200, 6.0), np.full(200, 180.0), np.ones(200)).dof < 6
    True
    """
    kept = np.isfinite(statistic) & (statistic > 0) & (dof > 2)
    if not kept.any():
        return NORMAL
    x, a, d, w = statistic[kept], n_axes[kept], dof[kept], weight[kept] / weight[kept].mean()
    standard_error = np.sqrt(2.0 / (w.sum() * a.mean()))
    plain = float(max(1.0, np.average(x * (d - 2.0) / d, weights=w) * (1.0 + UPPER * standard_error)))
    grid = np.array([[_log_likelihood(x, i, a, np.minimum(d, t), w) for i in INFLATIONS] for t in (*TAIL_DOFS, np.inf)])
    gain = 2.0 * (grid[:-1].max(axis=1) - grid[-1].max())
    if gain.max() < WORTHWHILE_GAIN:
        return Tail(plain, np.inf)
    chosen = int(np.flatnonzero(gain > gain.max() - AS_GOOD)[-1])
    return Tail(float(INFLATIONS[grid[chosen].argmax()]), TAIL_DOFS[chosen])


def _log_likelihood(x: Floats, inflation: float, a: Floats, dof: Floats, weight: Floats) -> float:
    scaled = x / inflation
    log_density = (
        a / 2.0 * np.log(a / dof)
        + (a / 2.0 - 1.0) * np.log(scaled)
        - (a + dof) / 2.0 * np.log1p(a * scaled / dof)
        - betaln(a / 2.0, dof / 2.0)
        - np.log(inflation)
    )
    return float(weight @ log_density)
