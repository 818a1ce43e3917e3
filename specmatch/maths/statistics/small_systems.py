"""Systems of a handful of equations, one for each of many samples, solved together."""

import numpy as np

from specmatch.array_types import Floats

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
