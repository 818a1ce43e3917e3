"""Where the spread of readings comes from: between batches, pours and scans, and between conditions of one material."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from specmatch.array_types import Floats, Ints
from specmatch.errors import TableError

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
        mean=overall,
        between=between,
        within=within,
        between_df=k - 1,
        within_df=n - k,
        f=f,
        p_value=float(fdtrc(k - 1, n - k, f)),
        group_variance=max(0.0, (between - within) / size),
    )


def nested_components(values: ArrayLike, layers: ArrayLike) -> tuple[Floats, Ints]:
    """Estimate the variance that each layer of a nested layout adds.

    Method of moments for unbalanced nested layouts: expected sums of squares are linear in the components, and the
    triangle of equations is solved from the innermost out (S. R. Searle, G. Casella, C. E. McCulloch, *Variance
    Components*, 1992; from memory).
    """
    # values (n,), layers (L, n) -> (L + 1,), (L + 1,)
    # layers: codes of the layers from the outermost in (batch, pour); each inner code stands under one outer code
    x = np.asarray(values, float)
    codes = [np.asarray(layer, np.int64) for layer in np.atleast_2d(np.asarray(layers, np.int64))]
    codes = [np.zeros(x.size, np.int64), *codes, np.arange(x.size)]
    codes = [np.unique(layer, return_inverse=True)[1] for layer in codes]
    depth = len(codes) - 1
    sums, groups = [], []
    weights = np.empty((depth + 1, depth + 1))
    for a, outer in enumerate(codes):
        counts = np.bincount(outer)
        sums.append(float(np.sum(np.bincount(outer, x) ** 2 / counts)))
        groups.append(counts.size)
        for b, inner in enumerate(codes):
            # sum over groups of the layer of (values of each inner group)^2 / values of the group
            members = np.bincount(inner)
            owner = np.zeros(members.size, np.int64)
            owner[inner] = outer
            weights[a, b] = np.sum(members**2 / counts[owner]) if b >= a else x.size
    variance, df = np.full(depth, np.nan), np.diff(groups)
    for a in range(depth, 0, -1):
        if df[a - 1] == 0:
            continue
        rest = sums[a] - sums[a - 1]
        for b in range(a + 1, depth + 1):
            if np.isfinite(variance[b - 1]):
                rest -= variance[b - 1] * (weights[a, b] - weights[a - 1, b])
        variance[a - 1] = max(0.0, rest / (weights[a, a] - weights[a - 1, a]))
    return variance, df.astype(np.int64)


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
