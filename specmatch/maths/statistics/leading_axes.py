"""Leading eigenvectors of symmetric matrices, without the ones that nobody asks for."""

import numpy as np

from specmatch.array_types import Floats

# below this size, or from this part of all axes on, a whole decomposition is as quick
_LARGE, _PART = 100, 4


def leading_axes(product: Floats, n_axes: int) -> tuple[Floats, Floats]:
    """Return the largest eigenvalues of a symmetric matrix, falling, and their vectors as columns."""
    # product (p, p) -> (n_axes,), (p, n_axes)
    from scipy.linalg import eigh  # here: a fitted model is read without SciPy's linear algebra
    from scipy.sparse.linalg import ArpackError, eigsh

    p = len(product)
    if p >= _LARGE and n_axes * _PART < p:
        # a fixed start, so that the same matrix has the same axes; no matrix of centred rows has it in its null space
        start = np.cos(np.arange(p) ** 1.5)
        try:
            spread, axes = eigsh(product, k=n_axes, v0=start)
            order = np.argsort(spread)[::-1]
            return spread[order], axes[:, order]
        except ArpackError:
            pass  # a matrix of zeros, or one that does not settle: the whole of it then
    spread, axes = eigh(product, subset_by_index=(p - n_axes, p - 1))
    return spread[::-1], axes[:, ::-1]
