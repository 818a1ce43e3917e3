"""Columns laid out a row at a time are the same however many rows and names there are."""

import numpy as np
import pytest

from specmatch.house.row_codes import FEW_ROWS, chosen_names


@pytest.mark.parametrize("n_names", [1, 12, 31, 32, 70])
def test_every_row_gets_the_names_that_it_chooses(n_names):
    rng = np.random.default_rng(n_names)
    names = [f"Beer {i}" for i in range(n_names)]
    # few patterns that differ anywhere, many rows of each, and one of its own
    patterns = rng.random((5, n_names)) < 0.3
    chosen = np.concatenate([patterns[rng.integers(0, 5, 3 * FEW_ROWS)], np.eye(1, n_names, n_names - 1, dtype=bool)])
    expected = [tuple(name for name, one in zip(names, row, strict=True) if one) for row in chosen]
    assert chosen_names(chosen, names).tolist() == expected
    assert chosen_names(chosen[-3:], names).tolist() == expected[-3:]
