"""Components of variance against published layouts and by simulation."""

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from specmatch.maths.statistics.variance_components import nested_components


def mean_squares(values, group, n):
    """Mean squares between and within groups of n values each, as the components give them."""
    variance, _ = nested_components(values, [group])
    return n * variance[0] + variance[1], variance[1]


def test_days_and_repeats_of_the_uncertainty_guide():
    # JCGM 100:2008, annex H.5: ten days of five repeats, day means 10 V + microvolts; data from memory
    mean = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41.0])
    sd = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86.0])
    shape = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    values = mean[:, None] + sd[:, None] * shape / shape.std(ddof=1)
    between, within = mean_squares(values.ravel(), np.repeat(np.arange(10), 5), 5)
    assert np.sqrt(between) == pytest.approx(128, abs=0.6)
    assert np.sqrt(within) == pytest.approx(85, abs=0.6)
    # 2.25 in print (from memory), computed there from rounded values
    assert between / within == pytest.approx(2.25, abs=0.02)
    assert np.sqrt(between / 50) == pytest.approx(18, abs=0.2)


def test_certified_analysis_of_variance():
    # NIST Statistical Reference Datasets, SiRstv
    folder = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / "SiRstv.dat"
    if not folder.exists():
        pytest.skip("this SciPy came without its tests' data")
    rows = [line.split() for line in folder.read_text().splitlines()[60:]]
    table = np.array([[float(cell) for cell in row] for row in rows if len(row) == 2])
    between, within = mean_squares(table[:, 1], table[:, 0].astype(int) - 1, 5)
    # certified to 12 digits; values near 196 leave about ten of them
    assert between == pytest.approx(0.0127865654, rel=1e-7)
    assert within == pytest.approx(0.010831828, rel=1e-6)
    assert between / within == pytest.approx(1.18046237, rel=1e-6)


DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]


def test_dyestuff_batches():
    # O. L. Davies, P. L. Goldsmith, *Statistical Methods in Research and Production*; data from memory (in lme4 too)
    assert mean_squares(np.ravel(DYESTUFF), np.repeat(np.arange(6), 5), 5) == pytest.approx((11271.5, 2451.25))
    variance, df = nested_components(np.ravel(DYESTUFF), [np.repeat(np.arange(6), 5)])
    assert variance == pytest.approx([1764.05, 2451.25])
    assert df.tolist() == [5, 24]


@pytest.mark.slow
def test_three_layers_are_recovered_from_an_uneven_layout(full_size):
    rng = np.random.default_rng(4)
    runs = 2_000 if full_size else 200
    total = np.zeros(3)
    for _ in range(runs):
        batch, pour, value = [], [], []
        for b in range(20):
            level = rng.normal(0, 2.0)
            for _ in range(rng.integers(1, 4)):
                level_pour = level + rng.normal(0, 1.0)
                n = int(rng.integers(1, 4))
                batch += [b] * n
                pour += [len(set(pour))] * n
                value += (level_pour + rng.normal(0, 0.5, n)).tolist()
        total += nested_components(value, [batch, pour])[0]
    # standard error of one batch variance from 20 batches is about a third of it, less by the root of the runs
    np.testing.assert_allclose(total / runs, [4.0, 1.0, 0.25], rtol=4 * 0.35 / np.sqrt(runs) + 0.02)


def test_layers_without_two_members_say_nothing():
    variance, df = nested_components([1.0, 2.0, 4.0], [[0, 1, 2], [0, 1, 2]])
    assert np.isnan(variance[1:]).all() and df.tolist() == [2, 0, 0]
