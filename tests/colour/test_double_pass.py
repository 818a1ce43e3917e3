"""The route without a regression: path and glare from a few pours, colour with limits, how far it reaches."""

import numpy as np
import pytest

from specmatch.colour.double_pass import fit_double_pass, path_sd, routes_disagree, rows_that_disagree
from specmatch.demo.brewery import Brewery
from specmatch.errors import OptionError, TableError, TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.optics.cup import relative_absorbance
from specmatch.maths.regression.conformal import Interval
from specmatch.maths.statistics.levels import binomial_bounds, mean_by

NM = np.linspace(425.0, 690.0, 120)
TWENTY_SRM = 20.0 * 25.0 / 12.7


def cup(colour_ebc, glare=0.02, path_cm=1.59):
    depth = np.outer(np.asarray(colour_ebc) / 25.0 * path_cm, relative_absorbance(NM))
    return glare + (1.0 - glare) * 10.0**-depth


def test_path_and_glare_of_average_beers_come_back():
    colour = np.array([5.0, 10.0, 20.0, 40.0, 60.0])
    fit = fit_double_pass(cup(colour), colour, NM)
    # the belief in a usual glare holds it back a little; windows of 15 nm add the bend of an exponential
    assert fit.path_cm == pytest.approx(1.59, rel=0.02)
    assert fit.glare == pytest.approx(0.02, abs=0.004)
    found = fit.read(cup([7.0, 15.0, 30.0]))
    np.testing.assert_allclose(found.colour, [7.0, 15.0, 30.0], rtol=0.02)
    in_srm = fit_double_pass(cup(colour), colour * 12.7 / 25.0, NM, colour_unit="SRM")
    np.testing.assert_allclose(in_srm.read(cup([15.0])).colour, found.colour[1] * 12.7 / 25.0, rtol=1e-9)


def test_more_glare_or_a_longer_path_reach_less_far():
    colour = np.array([5.0, 10.0, 20.0, 40.0])
    near = fit_double_pass(cup(colour, path_cm=3.0), colour, NM)
    far = fit_double_pass(cup(colour, path_cm=0.8), colour, NM)
    assert 0 < near.trusted_to < far.trusted_to
    assert near.trusts([5.0, 10.0 * near.trusted_to]).tolist() == [True, False]
    limits = near.read(cup([10.0, 100.0], path_cm=3.0))
    width = np.log(limits.high / limits.low)
    assert width[1] > width[0] > 0 and limits.normal_errors_assumed


def arrays(house):
    code = {name: i for i, name in enumerate(house.batches.index)}
    batch = house.scans["batch"].map(code).to_numpy()
    lab = house.batches["colour"].to_numpy(float)
    return house.spectra.to_numpy(), batch, lab, house.true_colour.loc[house.batches.index].to_numpy()


@pytest.mark.slow
def test_five_pours_of_the_invented_brewery_set_it(full_size):
    error, inside = [], []
    for seed in range(20 if full_size else 4):
        brewery = Brewery(seed)
        nm = brewery.bench.spectrometer.wavelength_nm
        band = (nm > 424.0) & (nm < 690.0)
        R, batch, lab, _ = arrays(brewery.draw(1, n_pours=1))
        five = np.argsort(lab)[[0, 3, 5, 7, 8]]
        fit = fit_double_pass(R[np.isin(batch, five)][:, band], lab[batch[np.isin(batch, five)]], nm[band])
        new, new_batch, new_lab, true = arrays(brewery.draw(4, draw=1))
        found = fit.read(mean_by(new[:, band], new_batch)[0])
        below = true < TWENTY_SRM
        error.append((found.colour / true - 1.0)[below])
        inside.append(((new_lab >= found.low) & (new_lab <= found.high))[below])
        assert 20.0 < fit.trusted_to < 400.0
    assert np.median(np.abs(np.concatenate(error))) < 0.05
    covered = np.concatenate(inside)
    # errors of one seed hang together by its path, so a seed counts as one
    assert binomial_bounds(round(covered.mean() * len(inside)), len(inside))[1] >= 0.90 and covered.mean() >= 0.80


def test_routes_disagree_only_where_limits_have_nothing_in_common():
    low, high = np.array([9.0, 9.0, 9.0]), np.array([11.0, 11.0, np.inf])
    one = Interval(np.full(3, 10.0), low, high, "a", False)
    other = Interval(
        np.array([11.5, 13.0, 90.0]), np.array([10.9, 12.0, 80.0]), np.array([12.0, 14.0, 99.0]), "b", True
    )
    assert routes_disagree(one, other).tolist() == [False, True, False]
    assert routes_disagree(other, one).tolist() == [False, True, False]


def test_rows_that_disagree_are_those_whose_whole_limits_lie_apart():
    colour = np.array([5.0, 10.0, 20.0, 40.0])
    fit = fit_double_pass(cup(colour), colour, NM)
    spectra = cup(np.linspace(4.0, 60.0, 400))
    read = fit.read(spectra, 0.9)
    # others from far below to far above, so that some lie apart only where glare is not counted
    middle = read.colour * np.linspace(0.8, 1.25, 400)[np.random.default_rng(0).permutation(400)]
    rows = np.arange(0, 400, 3)
    given = Interval(middle[rows], middle[rows] * 0.98, middle[rows] * 1.02, "a", False)
    apart = routes_disagree(given, Interval(*(one[rows] for one in (read.colour, read.low, read.high)), "b", True))
    assert 0 < apart.sum() < rows.size
    np.testing.assert_array_equal(rows_that_disagree(fit, given, spectra, rows, 0.9), rows[apart])


@pytest.mark.parametrize(
    ("change", "error", "match"),
    [
        (lambda R, y, nm: (R[:2], y[:2], nm), TooFewBatchesError, "2 pours of known colour"),
        (lambda R, y, nm: (R, y - 5.0, nm), TableError, "colours are above 0"),
        (lambda R, y, nm: (R, y * 1e305, nm), TableError, "colours are above 0, 20000 at most"),
        (lambda R, y, nm: (R[:, 1:], y, nm), TableError, "is expected"),
        (lambda R, y, nm: (R[:2], y, nm), TableError, "are expected"),
        (lambda R, y, nm: (100.0 * R, y, nm), TableError, "row 0 of reflectance has a median"),
        (lambda R, y, nm: (np.where(nm < 433.0, np.nan, R), y, nm), TableError, "in every cell"),
        (lambda R, y, nm: (R[:, ::-1], y, nm[::-1]), WavelengthMismatchError, "ascending"),
        (lambda R, y, nm: (R[:, 20:], y, nm[20:]), WavelengthMismatchError, "from 440 nm or below"),
    ],
)
def test_pours_that_cannot_serve_are_refused(change, error, match):
    y = np.array([5.0, 10.0, 20.0])
    R, y, nm = change(cup(y), y, NM)
    with pytest.raises(error, match=match):
        fit_double_pass(R, y, nm)


def test_unknown_units_are_refused():
    y = np.array([5.0, 10.0, 20.0])
    with pytest.raises(OptionError, match="EBC or SRM"):
        fit_double_pass(cup(y), y, NM, colour_unit="Lovibond")


def test_path_budget_by_hand():
    # 0.2 of 10 mL and twice 0.2 of 40 mm, each a rectangle
    assert path_sd(10.0, 40.0) == pytest.approx(np.hypot(0.02, 0.01) / np.sqrt(3.0))
    assert path_sd(10.0, 40.0, fill_tolerance_ml=0.0, cup_tolerance_mm=0.0) == 0.0
    with pytest.raises(OptionError, match="sizes above 0"):
        path_sd(0.0, 40.0)
    for size in (1e308, np.inf):
        with pytest.raises(OptionError, match=r"sizes above 0 .*0.001 to 1e\+06"):
            path_sd(size, 40.0)


@pytest.mark.slow
def test_path_budget_is_the_spread_of_pours_within_tolerance(full_size):
    rng = np.random.default_rng(0)
    n = 200_000 if full_size else 20_000
    fill, diameter = 10.0 + rng.uniform(-0.2, 0.2, n), 40.0 + rng.uniform(-0.2, 0.2, n)
    depth = fill / diameter**2
    # n values know a spread to 0.7 / sqrt n; second order of 2 % is 0.04 %
    assert depth.std() / depth.mean() == pytest.approx(path_sd(10.0, 40.0), rel=4 * 0.7 / np.sqrt(n) + 1e-3)
