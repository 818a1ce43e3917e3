"""Where the spread of readings comes from: between batches, pours and scans."""

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints

# r = 2.8 s: two results differ by more once in twenty times (1.96 sqrt 2, rounded as the standard rounds it)
LIMIT_FACTOR = 2.8


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
