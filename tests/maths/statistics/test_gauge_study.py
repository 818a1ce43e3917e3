"""Crossed gauge studies against published figures, an independent library, and the truth of simulations."""

import numpy as np
import pandas as pd
import pytest
from some_of import some_of

from specmatch.errors import TableError
from specmatch.maths.statistics.gauge_study import crossed_layout, mean_square_bounds

# 20 parts x 3 operators x 2 readings: D. C. Montgomery, G. C. Runger, Quality Engineering 6(2):289-305, 1993 (values
# from memory; the sums of squares in print, which they reproduce, hold them to it)
READINGS = """21 20 20 20 19 21  24 23 24 24 23 24  20 21 19 21 20 22  27 27 28 26 27 28  19 18 19 18 18 21
23 21 24 21 23 22  22 21 22 24 22 20  19 17 18 20 19 18  24 23 25 23 24 24  25 23 26 25 24 25
21 20 20 20 21 20  18 19 17 19 18 19  23 25 25 25 25 25  24 24 23 25 24 25  29 30 30 28 31 30
26 26 25 26 25 27  20 20 19 20 20 20  19 21 19 19 21 23  25 26 25 24 25 25  19 19 18 17 19 17"""


def published():
    values = np.array(READINGS.split(), float)
    part, operator, _ = np.unravel_index(np.arange(values.size), (20, 3, 2))
    return values, part, operator


def test_a_published_study_is_found_to_the_digits_given():
    values, part, operator = published()
    found = crossed_layout(values, [part, operator])
    assert found.effects == ((0,), (1,), (0, 1), ())
    np.testing.assert_array_equal(found.df, [19, 2, 38, 60])
    np.testing.assert_allclose(found.sum_of_squares, [1185.425, 2.617, 27.050, 59.500], atol=5e-4)
    np.testing.assert_allclose(found.mean_square, [62.391, 1.308, 0.712, 0.992], atol=5e-4)
    # in print 10.28, 0.0149, 0 (-0.14 in full), 0.99
    np.testing.assert_allclose(found.weights @ found.mean_square, [10.2798, 0.0149, -0.1399, 0.9917], atol=5e-5)
    assert found.variance[2] == 0.0


@pytest.mark.parametrize("n_factors", [2, 3])
def test_an_independent_library_finds_the_same(n_factors):
    ols = pytest.importorskip("statsmodels.formula.api").ols
    anova_lm = pytest.importorskip("statsmodels.stats.anova").anova_lm
    rng = np.random.default_rng(n_factors)
    shape = (5, 3, 4, 2)[:n_factors] + (2,)
    codes = np.unravel_index(np.arange(np.prod(shape)), shape)[:n_factors]
    y = rng.normal(0, 1, np.prod(shape)) + rng.normal(0, 2, 5)[codes[0]]
    table = pd.DataFrame({"y": y, **{f"f{i}": code for i, code in enumerate(codes)}})
    formula = "y ~ " + "*".join(f"C(f{i})" for i in range(n_factors))
    theirs = anova_lm(ols(formula, table).fit())
    ours = crossed_layout(y, codes)
    rows = [":".join(f"C(f{i})" for i in effect) or "Residual" for effect in ours.effects]
    np.testing.assert_allclose(ours.sum_of_squares, theirs.loc[rows, "sum_sq"], rtol=1e-9)
    np.testing.assert_allclose(ours.mean_square, theirs.loc[rows, "mean_sq"], rtol=1e-9)
    np.testing.assert_array_equal(ours.df, theirs.loc[rows, "df"])


def test_expected_mean_squares_by_hand():
    values, part, operator = published()
    found = crossed_layout(values, [part, operator])
    p, o, po, e = found.mean_square
    by_hand = [(p - po) / 6, (o - po) / 40, (po - e) / 2, e]
    np.testing.assert_allclose(found.weights @ found.mean_square, by_hand, rtol=1e-12)


def test_without_repeats_the_interaction_stands_for_them():
    values, part, operator = published()
    once = np.arange(values.size) % 2 == 0
    found = crossed_layout(values[once], [part[once], operator[once]])
    p, o, po, _ = found.mean_square
    raw = found.weights @ found.mean_square
    np.testing.assert_allclose(raw, [(p - po) / 3, (o - po) / 20, 0.0, po], rtol=1e-12)


def test_unequal_cells_are_told_from_equal_ones():
    values, part, operator = published()
    found = crossed_layout(values[1:], [part[1:], operator[1:]])
    assert not found.balanced
    np.testing.assert_allclose(found.variance[[0, 3]], [10.28, 0.99], rtol=0.03)


def test_an_empty_cell_is_refused():
    values, part, operator = published()
    kept = ~((part == 3) & (operator == 1))
    with pytest.raises(TableError, match="1 of 60 cells of the layout are empty"):
        crossed_layout(values[kept], [part[kept], operator[kept]])


def test_bounds_of_one_mean_square_are_those_of_chi_squared():
    from scipy.stats import chi2

    low, high = mean_square_bounds([1.0], [4.0], [10])
    np.testing.assert_allclose([low, high], [40 / chi2.ppf(0.975, 10), 40 / chi2.ppf(0.025, 10)], rtol=1e-10)


def coverage(n_studies, seed, *, sd=(3.0, 1.0, 0.5, 1.0), shape=(8, 4, 3)):
    """Share of simulated studies whose bounds hold the true repeatability, reproducibility and both together."""
    rng = np.random.default_rng(seed)
    part, operator, _ = np.unravel_index(np.arange(np.prod(shape)), shape)
    wanted = np.array([[0, 0, 0, 1.0], [0, 1, 1, 0], [0, 1, 1, 1]])
    true = wanted @ np.square(sd)
    inside = np.zeros(3)
    for _ in range(n_studies):
        y = rng.normal(0, sd[3], part.size) + rng.normal(0, sd[0], shape[0])[part]
        y += rng.normal(0, sd[1], shape[1])[operator] + rng.normal(0, sd[2], shape[:2])[part, operator]
        found = crossed_layout(y, [part, operator])
        limits = np.array([found.bounds(row) for row in wanted])
        inside += (limits[:, 0] <= true) & (true <= limits[:, 1])
    return inside / n_studies


@pytest.mark.slow
@pytest.mark.parametrize("sd", some_of(1, [((3.0, 1.0, 0.5, 1.0),), ((3.0, 0.3, 0.5, 1.0),), ((3.0, 2.0, 0.2, 0.5),)]))
def test_bounds_cover_what_they_say(full_size, whole, sd):
    n = 4000 if full_size else 600 if whole else 250
    found = coverage(n, 1, sd=sd)
    spare = 0.0 if full_size else 2.0 * np.sqrt(0.05 * 0.95 / n)  # two standard errors of so few studies
    assert (found >= 0.93 - spare).all() and (found <= 0.97 + spare).all(), found
