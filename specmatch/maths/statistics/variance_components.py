"""Where the spread of readings comes from: between batches, pours and scans."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.maths.statistics.gauge_study import mean_square_bounds, satterthwaite_df
from specmatch.maths.statistics.levels import mean_by, parent_codes

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
    """Split the spread of values over the layers of a nested layout, each mean of a layer weighing alike.

    Unweighted means: E(MS of a layer) = its component + E(MS of the next layer in) / harmonic mean of members
    (S. R. Searle, G. Casella, C. E. McCulloch, *Variance Components*, 1992; R. K. Burdick, F. A. Graybill, *Confidence
    Intervals on Variance Components*, 1992; both from memory).
    """
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
