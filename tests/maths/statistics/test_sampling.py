"""Packages out of a lot: worked by hand, and against SciPy's hypergeometric distribution."""

import numpy as np
import pytest
from scipy.stats import hypergeom

from specmatch.errors import OptionError
from specmatch.maths.statistics.sampling import chance_to_catch, packages_needed


def test_three_wrong_pallets_of_ten_and_four_packages_by_hand():
    # no wrong one among four of ten: C(7,4) / C(10,4) = 35 / 210
    assert chance_to_catch(10, 3, 4) == pytest.approx(1 - 35 / 210, rel=1e-12)
    # none, one, two or three wrong ones: 35, 3 x 35, 3 x 21, 1 x 7 of 210; each is told with one half
    missed = (35 + 105 / 2 + 63 / 4 + 7 / 8) / 210
    assert chance_to_catch(10, 3, 4, seen=0.5) == pytest.approx(1 - missed, rel=1e-12)
    # with three packages the chance is 1 - C(7,3)/C(10,3) = 1 - 35/120, with two 1 - 21/45
    assert packages_needed(10, 3, 0.70) == 3
    assert packages_needed(10, 3, 0.53) == 2
    assert packages_needed(10, 3, 0.99, seen=0.5) is None


def test_as_the_distribution_says():
    rng = np.random.default_rng(1)
    for _ in range(30):
        lot = int(rng.integers(1, 300))
        wrong, looked_at = (int(n) for n in rng.integers(0, lot + 1, 2))
        # sums of logarithms of factorials of three digits lose some of sixteen figures
        assert chance_to_catch(lot, wrong, looked_at) == pytest.approx(
            1 - hypergeom(lot, wrong, looked_at).pmf(0), abs=1e-10
        )


@pytest.mark.parametrize(("lot", "wrong", "looked_at"), [(0, 0, 0), (10, 11, 1), (10, 1, 11)])
def test_more_than_the_lot_is_refused(lot, wrong, looked_at):
    with pytest.raises(OptionError, match="expected 0 to all of the lot"):
        chance_to_catch(lot, wrong, looked_at)
