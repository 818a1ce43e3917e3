"""Crossed gauge studies against published figures, an independent library, and the truth of simulations.

Components of variance against published layouts and by simulation.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from some_of import some_of

from specmatch.errors import TableError
from specmatch.maths.statistics.variance_components import crossed_layout, mean_square_bounds, nested_components

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


def mean_squares(values, group, n):
    """Mean squares between and within groups of n values each, as the components give them."""
    between, within = nested_components(values, [group]).mean_square
    return n * between, within


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


STRD = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


# digits that the statement of the data leaves in a double: values near 1, 200, 10^6 and 10^12 that differ by 0.1
@pytest.mark.parametrize(
    ("name", "tolerance"),
    [
        ("AtmWtAg", 1e-7), ("SiRstv", 1e-9), ("SmLs01", 1e-13), ("SmLs02", 1e-13), ("SmLs03", 1e-13),
        ("SmLs04", 1e-8), ("SmLs05", 1e-8), ("SmLs06", 1e-8), ("SmLs07", 5e-3), ("SmLs08", 5e-3), ("SmLs09", 5e-3),
    ],
)  # fmt: skip
def test_certified_analysis_of_variance(name, tolerance):
    # NIST Statistical Reference Datasets, all eleven of one-way analysis of variance, with their certified values
    if not STRD.exists():
        pytest.skip("this SciPy came without its tests' data")
    lines = (STRD / f"{name}.dat").read_text().splitlines()
    between = next(line.split() for line in lines if line.startswith("Between"))
    within = next(line.split() for line in lines if line.startswith("Within"))
    table = np.array([line.split() for line in lines[60:] if len(line.split()) == 2], float)
    group = np.unique(table[:, 0], return_inverse=True)[1]
    counts = np.bincount(group)
    assert np.ptp(counts) == 0
    assert nested_components(table[:, 1], [group]).df.tolist() == [int(between[-4]), int(within[-3])]
    ours = mean_squares(table[:, 1], group, counts[0])
    certified = [float(between[-2]), float(within[-1]), float(between[-1])]
    assert [*ours, ours[0] / ours[1]] == pytest.approx(certified, rel=tolerance)


# ISO 5725-2, annex B: sulfur in coal, lowest of four levels, eight labs; data and results from memory
COAL = (
    (0.71, 0.71, 0.70, 0.71), (0.69, 0.67, 0.68), (0.66, 0.65, 0.69), (0.67, 0.65, 0.66),
    (0.70, 0.69, 0.66, 0.71, 0.69), (0.73, 0.74, 0.73), (0.71, 0.71, 0.69), (0.70, 0.65, 0.68),
)  # fmt: skip


def test_worked_example_of_the_precision_standard():
    lab = np.repeat(np.arange(8), [len(own) for own in COAL])
    layout = nested_components(np.concatenate(COAL), [lab])
    # three decimals in print
    assert layout.variance[1] ** 0.5 == pytest.approx(0.015, abs=5e-4)
    # the standard weighs labs of three to five values by their number, we weigh them alike: what it prints between labs
    # (0.026^2 - 0.015^2, 0.021) is no number of ours, and has to lie well within our bounds
    low, high = (bound[0] for bound in layout.sd_bounds(0.50))
    assert low < np.sqrt(0.026**2 - 0.015**2) < high


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
    layout = nested_components(np.ravel(DYESTUFF), [np.repeat(np.arange(6), 5)])
    assert layout.variance == pytest.approx([1764.05, 2451.25])
    assert layout.df.tolist() == [5, 24]


def test_dyestuff_by_restricted_likelihood():
    # an even layout: restricted likelihood and expected mean squares give the same numbers (statsmodels MixedLM)
    mixed_lm = pytest.importorskip("statsmodels.regression.mixed_linear_model").MixedLM
    values, batch = np.ravel(DYESTUFF).astype(float), np.repeat(np.arange(6), 5)
    found = mixed_lm(values, np.ones((30, 1)), groups=batch).fit(reml=True)
    layout = nested_components(values, [batch])
    # its search stops within 1e-3 of the best
    assert layout.variance == pytest.approx([float(found.cov_re[0, 0]), found.scale], rel=2e-3)


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
        total += nested_components(value, [batch, pour]).variance
    # standard error of one batch variance from 20 batches is about a third of it, less by the root of the runs
    np.testing.assert_allclose(total / runs, [4.0, 1.0, 0.25], rtol=4 * 0.35 / np.sqrt(runs) + 0.02)


def test_layers_without_two_members_say_nothing():
    layout = nested_components([1.0, 2.0, 4.0], [[0, 1, 2], [0, 1, 2]])
    assert np.isnan(layout.variance[1:]).all() and layout.df.tolist() == [2, 0, 0]
    low, high = layout.sd_bounds()
    assert np.isnan([*layout.sd[1:], *low[1:], *high[1:]]).all() and low[0] < layout.sd[0] < high[0]
    # where batches have no second pour, the component of batches holds that of pours, and not that of scans
    layout = nested_components([1.0, 1.2, 2.0, 2.2, 4.0, 4.2], [[0, 0, 1, 1, 2, 2], [0, 0, 1, 1, 2, 2]])
    assert layout.df.tolist() == [2, 0, 3]
    assert layout.variance[0] == pytest.approx(np.var([1.1, 2.1, 4.1], ddof=1) - 0.02 / 2)


# beers, batches a beer, standard deviation of a pour over that of a batch
@pytest.mark.slow
@pytest.mark.parametrize(("beers", "batches", "pour_sd"), some_of(1, [(4, 2, 0.5), (12, 2, 1.0), (6, 3, 0.3)]))
def test_components_and_their_bounds_from_few_batches_a_beer(beers, batches, pour_sd, full_size, claim):
    rng = np.random.default_rng([beers, batches])
    runs = 4_000 if full_size else 300
    beer, batch = np.repeat(np.arange(beers), batches * 3), np.repeat(np.arange(beers * batches), 3)
    sd, covered = np.empty(runs), 0
    for run in range(runs):
        value = rng.normal(0, 9.0, beers)[beer] + rng.normal(0, 1.0, beers * batches)[batch]
        layout = nested_components(value + rng.normal(0, pour_sd, beer.size), [batch], beer)
        low, high = (bound[0] for bound in layout.sd_bounds())
        sd[run] = layout.sd[0]
        covered += low <= 1.0 <= high
    reach = 1.96 * sd.std() / np.sqrt(runs)
    claim("component_sd", sd.mean(), runs, bounds=(sd.mean() - reach, sd.mean() + reach))
    claim("component_bounds", covered / runs, runs)
    # claimed: bias under 3 %; two standard errors of a mean beside it
    assert abs(sd.mean() - 1.0) < 0.03 + 2.0 * sd.std() / np.sqrt(runs)
    # claimed: 0.93 to 0.97 covered; the count may lie beyond by chance once in a thousand times on either side
    assert scipy.stats.binom.cdf(covered, runs, 0.93) > 0.001 and scipy.stats.binom.sf(covered - 1, runs, 0.97) > 0.001
