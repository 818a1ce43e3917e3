"""Where the spread of readings comes from: between batches, pours and scans, and between conditions of one material."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from specmatch.array_types import Floats, Ints
from specmatch.errors import TableError
from specmatch.maths.statistics.gauge_study import mean_square_bounds, satterthwaite_df
from specmatch.maths.statistics.levels import mean_by, parent_codes

# r = 2.8 s: two results differ by more once in twenty times (1.96 sqrt 2, rounded as the standard rounds it)
LIMIT_FACTOR = 2.8


@dataclass(frozen=True)
class OneWay:
    """Analysis of variance of one layer of groups."""

    mean: float
    between: float  # between, within: mean squares
    within: float
    between_df: int
    within_df: int
    f: float  # f, p_value: ratio of the mean squares, and its chance if groups do not differ
    p_value: float
    group_variance: float  # variance between groups beyond what the spread within explains, 0 at least


def one_way(values: ArrayLike, group: ArrayLike) -> OneWay:
    """Split the spread of values into that between and that within groups.

    Variance between groups: (MSB - MSW) / nbar, nbar = (n - sum n_i^2 / n) / (k - 1) (ISO 5725-2).
    """
    # values (n,), group (n,)
    x, codes = np.asarray(values, float), np.asarray(group, np.int64)
    # from the first value on, or sums of values that differ in their last digits lose them
    start, x = (float(x[0]), x - x[0]) if x.size else (0.0, x)
    counts = np.bincount(codes)
    k, n = counts.size, x.size
    if k < 2 or n <= k:
        raise TableError(f"{n} values in {k} groups; two groups, and one of them with two values, are needed")
    means = np.bincount(codes, x) / counts
    overall = float(x.mean())
    between = float(np.sum(counts * (means - overall) ** 2)) / (k - 1)
    within = float(np.sum((x - means[codes]) ** 2)) / (n - k)
    size = (n - float(np.sum(counts**2)) / n) / (k - 1)
    f = between / within if within > 0 else np.inf
    return OneWay(
        mean=start + overall,
        between=between,
        within=within,
        between_df=k - 1,
        within_df=n - k,
        f=f,
        p_value=float(fdtrc(k - 1, n - k, f)),
        group_variance=max(0.0, (between - within) / size),
    )


@dataclass(frozen=True)
class NestedLayout:
    """Mean squares of a nested layout, the outermost layer first, values within the innermost last."""

    mean_square: Floats  # (L + 1,): of the means of each layer's members about those of the layer above
    df: Ints  # (L + 1,): 0 where no member has a mate; such a layer is in the component of the next one out
    weights: Floats  # (L + 1, L + 1): component of each layer = weights @ mean_square

    @property
    def variance(self) -> Floats:
        """Components of variance, none below 0; NaN where they cannot be told."""
        return np.where(self.df > 0, np.maximum(self.weights @ self.mean_square, 0.0), np.nan)

    @property
    def sd(self) -> Floats:
        """Roots of the components, raised by what the root of a mean square of few degrees of freedom is low by."""
        # E(s) = sigma (1 - 1/(4 df)) to first order; below half a degree of freedom the series says nothing
        df = [satterthwaite_df(row, self.mean_square, self.df) for row in self.weights]
        return np.sqrt(self.variance) * (1.0 + 0.25 / np.maximum(np.nan_to_num(df), 0.5))

    def sd_bounds(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Return bounds of the root of each component, NaN where it cannot be told."""
        both = [mean_square_bounds(row, self.mean_square, self.df, level=level) for row in self.weights]
        low, high = np.sqrt(np.where(self.df[:, None] > 0, both, np.nan)).T
        return low, high


def nested_components(values: ArrayLike, layers: ArrayLike, kind: ArrayLike | None = None) -> NestedLayout:
    """Split the spread of values over the layers of a nested layout, each mean of a layer weighing alike.

    Unweighted means: E(MS of a layer) = its component + E(MS of the next layer in) / harmonic mean of members
    (S. R. Searle, G. Casella, C. E. McCulloch, *Variance Components*, 1992; R. K. Burdick, F. A. Graybill, *Confidence
    Intervals on Variance Components*, 1992; both from memory).
    """
    # values (n,), layers (L, n), kind (n,)
    # layers: codes of the layers from the outermost in (batch, pour); each inner code stands under one outer code
    # kind: what the outermost layer's members are of (beers); what lies between kinds is no component
    x = np.asarray(values, float)
    outermost = np.zeros(x.size, np.int64) if kind is None else np.asarray(kind)
    codes = [outermost, *np.atleast_2d(np.asarray(layers, np.int64)), np.arange(x.size)]
    codes = [np.unique(layer, return_inverse=True)[1] for layer in codes]
    n = len(codes) - 1
    square, df, members = np.zeros(n), np.zeros(n, np.int64), np.ones(n)
    means = x
    for a in range(n - 1, -1, -1):
        owner = parent_codes(codes[a + 1], codes[a])
        above, counts = mean_by(means, owner)
        df[a] = owner.size - counts.size
        square[a] = np.sum((means - above[owner]) ** 2) / max(df[a], 1)
        members[a] = counts.size / np.sum(1.0 / counts)
        means = above
    whole = np.cumprod(members)
    expected = np.triu(whole[:, None] / whole)  # mean square of layer a holds 1 / (members of a+1 ... b) of component b
    told = np.flatnonzero(df)
    weights = np.zeros((n, n))
    weights[np.ix_(told, told)] = np.linalg.inv(expected[np.ix_(told, told)])
    return NestedLayout(square, df, weights)


@dataclass(frozen=True)
class Reproducibility:
    """Precision of a method on one material; see `reproducibility`."""

    mean: float
    # s_r, s_L, s_R: standard deviation of repeats under one condition, between conditions, and of both together
    s_r: float
    s_L: float
    s_R: float
    r: float  # r, R: limits that two results exceed once in twenty times, under one condition and under different ones
    R: float
    n_conditions: int
    n: int


def reproducibility(values: ArrayLike, condition: ArrayLike) -> Reproducibility:
    """Return repeatability and reproducibility from one material measured under several conditions.

    ISO 5725-2: s_r^2 = MSW, s_L^2 = max(0, (MSB - MSW) / nbar), s_R^2 = s_r^2 + s_L^2; r = 2.8 s_r, R = 2.8 s_R.
    """
    # values (n,), condition (n,)
    layout = one_way(values, condition)
    s_r, s_L = float(np.sqrt(layout.within)), float(np.sqrt(layout.group_variance))
    s_R = float(np.hypot(s_r, s_L))
    return Reproducibility(
        mean=layout.mean,
        s_r=s_r,
        s_L=s_L,
        s_R=s_R,
        r=LIMIT_FACTOR * s_r,
        R=LIMIT_FACTOR * s_R,
        n_conditions=layout.between_df + 1,
        n=layout.between_df + layout.within_df + 1,
    )
