"""Small systems solved all at once are those that LAPACK solves one by one."""

import numpy as np
import pytest

from specmatch.maths.statistics.linear_algebra import MANY, all_axes, solve_each


@pytest.mark.parametrize("n", [1, MANY - 1, MANY, 3 * MANY])
@pytest.mark.parametrize("k", [1, 2, 7])
def test_each_system_has_its_own_solution(n, k):
    rng = np.random.default_rng(n)
    half = rng.normal(size=(n, k, k))
    matrices, right = half @ half.swapaxes(1, 2) + 0.1 * np.eye(k), rng.normal(size=(n, k, 2))
    found = solve_each(np.concatenate([matrices, right], axis=2).transpose(1, 2, 0).copy())
    # condition numbers stay below a thousand or so
    np.testing.assert_allclose(found.transpose(2, 0, 1), np.linalg.solve(matrices, right), rtol=1e-9, atol=1e-11)


@pytest.mark.parametrize("n_largest", [None, 2])
def test_axes_of_what_is_no_number_are_refused(n_largest):
    with pytest.raises(np.linalg.LinAlgError, match="did not settle"):
        all_axes(np.full((5, 5), np.nan), n_largest)
