"""Components of variance: crossed gauge studies, and the nested spread of readings between batches, pours and scans."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtri

from specmatch.array_types import Floats, Ints
from specmatch.errors import TableError
from specmatch.maths.statistics.levels import mean_by, parent_codes


@dataclass(frozen=True)
class CrossedLayout:
    """Analysis of variance of a crossed layout; rows are effects, the last one repeats within a cell."""

    # each effect is the factors that it is of, by number: (0,), (1,), (0, 1); () is the repeats
    effects: tuple[tuple[int, ...], ...]
    sum_of_squares: Floats  # (e,)
    df: Ints  # (e,)
    mean_square: Floats  # (e,)
    # component of each effect = weights @ mean_square
    weights: Floats  # (e, e)
    repeats: float  # a cell, the harmonic mean where cells differ
    balanced: bool
    mean: float

    @property
    def variance(self) -> Floats:
        """Components of variance, none below 0."""
        return np.maximum(self.weights @ self.mean_square, 0.0)

    def bounds(self, weights: ArrayLike) -> tuple[float, float]:
        """Return two-sided bounds of a weighted sum of the components."""
        return mean_square_bounds(np.asarray(weights, float) @ self.weights, self.mean_square, self.df)

    def satterthwaite_df(self, weights: ArrayLike) -> float:
        """Degrees of freedom of a weighted sum of components."""
        return satterthwaite_df(np.asarray(weights, float) @ self.weights, self.mean_square, self.df)


def crossed_layout(values: ArrayLike, factors: Sequence[ArrayLike]) -> CrossedLayout:
    """Split the spread of values over all factors, all their interactions, and repeats, all random."""
    # Expected mean squares: E(MS_S) = sum over T containing S of (n / cells of T) var_T. Unequal cells are taken by
    # their means, each of the harmonic mean of repeats (S. R. Searle, G. Casella, C. E. McCulloch, *Variance
    # Components*, 1992, unweighted means; from memory).
    # values (n,), factors: codes (n,) each from 0 upwards
    x = np.asarray(values, float)
    codes = [np.asarray(factor, np.int64) for factor in factors]
    shape = tuple(int(code.max()) + 1 for code in codes)
    cell = np.ravel_multi_index(codes, shape)
    counts = np.bincount(cell, minlength=int(np.prod(shape)))
    if (counts == 0).any() or min(shape) < 2:
        raise TableError(
            f"{int((counts == 0).sum())} of {counts.size} cells of the layout are empty; a crossed study has every "
            "material under every condition, two of each at least"
        )
    means = (np.bincount(cell, x, counts.size) / counts).reshape(shape)
    repeats = counts.size / float(np.sum(1.0 / counts))
    effects = [s for k in range(1, len(shape) + 1) for s in combinations(range(len(shape)), k)]
    centred = _effects(means, effects)
    sums = [repeats * float(np.sum(np.broadcast_to(centred[s], shape) ** 2)) for s in effects]
    df = [int(np.prod([shape[i] - 1 for i in s])) for s in effects]
    left = x - means.ravel()[cell]
    effects.append(())
    sums.append(float(left @ left))
    df.append(x.size - counts.size)
    mean_square = np.array([a / b if b else np.nan for a, b in zip(sums, df, strict=True)])
    return CrossedLayout(
        effects=tuple(effects),
        sum_of_squares=np.array(sums),
        df=np.array(df, np.int64),
        mean_square=np.nan_to_num(mean_square),
        weights=_component_weights(effects, shape, repeats, has_repeats=df[-1] > 0),
        repeats=repeats,
        balanced=bool(np.ptp(counts) == 0),
        mean=float(means.mean()),
    )


def _effects(means: Floats, effects: Sequence[tuple[int, ...]]) -> Mapping[tuple[int, ...], Floats]:
    """Return what each effect adds to the mean of a cell."""
    found: dict[tuple[int, ...], Floats] = {(): means.mean(keepdims=True)}
    for s in effects:
        others = tuple(i for i in range(means.ndim) if i not in s)
        inner = [t for t in found if set(t) < set(s)]
        found[s] = means.mean(axis=others, keepdims=True) - sum((found[t] for t in inner), np.zeros(()))
    return found


def _component_weights(
    effects: Sequence[tuple[int, ...]], shape: tuple[int, ...], repeats: float, *, has_repeats: bool
) -> Floats:
    n = len(effects)
    expected = np.zeros((n, n))  # expected mean squares = expected @ components
    for i, s in enumerate(effects):
        for j, t in enumerate(effects):
            if t == ():
                expected[i, j] = 1.0
            elif s != () and set(s) <= set(t):
                expected[i, j] = repeats * np.prod([shape[k] for k in range(len(shape)) if k not in t])
    if has_repeats:
        return np.asarray(np.linalg.inv(expected), np.float64)
    # without repeats the highest interaction cannot be told from them: it stands for both
    weights = np.zeros((n, n))
    kept = [i for i in range(n) if i != n - 2]
    square = np.delete(np.delete(expected, n - 1, axis=0), n - 2, axis=1)
    weights[np.ix_(kept, range(n - 1))] = np.linalg.inv(square)
    return weights


def satterthwaite_df(weights: ArrayLike, mean_square: ArrayLike, df: ArrayLike) -> float:
    """Return the degrees of freedom of a weighted sum of independent mean squares."""
    # F. E. Satterthwaite, Biometrics Bulletin 2:110-114, 1946
    parts, n = np.asarray(weights, float) * np.asarray(mean_square, float), np.asarray(df, float)
    used = (n > 0) & (parts != 0.0)
    below = float(np.sum(parts[used] ** 2 / n[used]))
    return float(parts.sum()) ** 2 / below if below > 0 else float("nan")


def mean_square_bounds(
    weights: ArrayLike, mean_square: ArrayLike, df: ArrayLike, *, level: float = 0.95
) -> tuple[float, float]:
    """Return two-sided bounds of a weighted sum of independent mean squares, none below 0."""
    # Modified large sample: N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu, J. Statist. Comput.
    # Simul. 35:135-143, 1990 (from memory)
    c, ms, n = np.asarray(weights, float), np.asarray(mean_square, float), np.asarray(df, float)
    tiny = 1e-12 * max(float(np.abs(c).max()), 1e-300)
    used = (np.abs(c) > tiny) & (n > 0)
    c, ms, n = c[used], ms[used], n[used]
    if c.size == 0:
        return 0.0, float("inf")
    tail = (1.0 - level) / 2.0
    size = np.abs(c) * ms
    plus = np.flatnonzero(c > 0)
    minus = np.flatnonzero(c < 0)
    value = float(size[plus].sum() - size[minus].sum())
    below = 1.0 - n / chdtri(n, tail)  # chdtri: point above which a share lies
    above = n / chdtri(n, 1.0 - tail) - 1.0
    low = np.sum((below * size)[plus] ** 2) + np.sum((above * size)[minus] ** 2)
    high = np.sum((above * size)[plus] ** 2) + np.sum((below * size)[minus] ** 2)
    for q in plus:
        for r in minus:
            f = fdtri(n[q], n[r], 1.0 - tail)
            low += ((f - 1.0) ** 2 - below[q] ** 2 * f**2 - above[r] ** 2) / f * size[q] * size[r]
            f = fdtri(n[q], n[r], tail)
            high += ((1.0 - f) ** 2 - above[q] ** 2 * f**2 - below[r] ** 2) / f * size[q] * size[r]
    return max(0.0, value - float(np.sqrt(max(low, 0.0)))), max(0.0, value + float(np.sqrt(max(high, 0.0))))


# r = 2.8 s: two results differ by more once in twenty times (1.96 sqrt 2, rounded as the standard rounds it)
LIMIT_FACTOR = 2.8


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
    """Split the spread of values over the layers of a nested layout, each mean of a layer weighing alike."""
    # Unweighted means: E(MS of a layer) = its component + E(MS of the next layer in) / harmonic mean of members (S. R.
    # Searle, G. Casella, C. E. McCulloch, *Variance Components*, 1992; R. K. Burdick, F. A. Graybill, *Confidence
    # Intervals on Variance Components*, 1992; both from memory).
    # values (n,), layers (L, n), kind (n,)
    # layers: codes of the layers from the outermost in (batch, pour); each inner code stands under one outer code
    # kind: what the outermost layer's members are of (beers); what lies between kinds is no component
    x = np.asarray(values, float)
    x = x - x[0]  # or sums of values that differ in their last digits lose them
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
