"""Leading eigenvectors without the ones that nobody asks for, and small systems without what general calls cost."""

# Small triangular and symmetric systems by LAPACK itself: of matrices of ten axes the checks of the general calls take
# ten times as long as the answer.

import numpy as np

from specmatch.array_types import Floats

# below this size, or from this part of all axes on, a whole decomposition is as quick
_LARGE, _PART = 160, 4


def leading_axes(product: Floats, n_axes: int) -> tuple[Floats, Floats]:
    """Return the largest eigenvalues of a symmetric matrix, falling, and their vectors as columns."""
    # product (p, p) -> (n_axes,), (p, n_axes)
    p = len(product)
    if p >= _LARGE and n_axes * _PART < p:
        from scipy.sparse.linalg import ArpackError, eigsh  # here: a fitted model is read without it

        # a fixed start, so that the same matrix has the same axes; no matrix of centred rows has it in its null space
        start = np.cos(np.arange(p) ** 1.5)
        try:
            spread, axes = eigsh(product, k=n_axes, v0=start)
            order = np.argsort(spread)[::-1]
            return spread[order], axes[:, order]
        except ArpackError:
            pass  # a matrix of zeros, or one that does not settle: the whole of it then
    spread, axes = all_axes(product, n_axes)
    return spread[::-1], axes[:, ::-1]


def leading_axes_of(rows: Floats, n_axes: int) -> tuple[Floats, Floats]:
    """Return the largest sums of squares of rows along axes, falling, and these axes as columns, each of length 1."""
    # rows (n, p) -> (a,), (p, a); an axis beyond the rank may be rounding, or zeros
    n, p = rows.shape
    # the smaller of the two products has the same leading eigenvalues, and costs far less than all singular vectors
    spread, axes = leading_axes(rows @ rows.T if n < p else rows.T @ rows, min(n_axes, n, p))
    if n < p:
        axes = rows.T @ axes
        axes /= np.maximum(np.linalg.norm(axes, axis=0), np.finfo(float).tiny)
    return spread, axes


def solve_lower(lower: Floats, right: Floats, *, transposed: bool = False) -> Floats:
    """Return L^-1 B, or L^-T B, of a lower triangle."""
    # lower (a, a), right (a, n) -> (a, n)
    from scipy.linalg.lapack import dtrtrs  # here: a fitted model is read without SciPy's linear algebra

    found, info = dtrtrs(lower, right, lower=1, trans=int(transposed))
    if info:
        raise np.linalg.LinAlgError(f"a triangle has a zero at {info} of its diagonal, or is no matrix of numbers")
    return np.asarray(found)


def all_axes(matrix: Floats, n_largest: int | None = None) -> tuple[Floats, Floats]:
    """Return the eigenvalues of a symmetric matrix, rising, and their vectors as columns; or the largest of them."""
    # matrix (a, a) -> (a,), (a, a)
    from scipy.linalg.lapack import dsyevr

    a = len(matrix)
    n = a if n_largest is None else n_largest
    spread, axes, n_found, _, info = dsyevr(matrix, lower=1, range="A" if n == a else "I", il=a - n + 1, iu=a)
    if info or n_found < n or not np.isfinite(spread[:n]).all():
        raise np.linalg.LinAlgError("the eigenvalues of a matrix did not settle")
    return spread[:n], axes[:, :n]


# from so many systems on, one step for all of them is quicker than LAPACK system by system
MANY = 100


def solve_each(systems: Floats) -> Floats:
    """Solve symmetric positive definite systems along the last axis, right sides in further columns; written over."""
    # systems (k, k + m, n) -> (k, m, n)
    k, _, n = systems.shape
    if n < MANY:
        each = systems.transpose(2, 0, 1)
        return np.asarray(np.linalg.solve(each[:, :, :k], each[:, :, k:]).transpose(1, 2, 0))
    for row in range(k):
        # symmetry makes of the row what elimination needs of the column
        below, rest = systems[row, row + 1 : k].copy(), systems[row, row + 1 :]
        rest /= systems[row, row]
        systems[row + 1 :, row + 1 :] -= below[:, None] * rest
    found = systems[:, k:]
    for row in range(k - 2, -1, -1):
        found[row] -= (systems[row, row + 1 : k, None] * found[row + 1 :]).sum(axis=0)
    return found
