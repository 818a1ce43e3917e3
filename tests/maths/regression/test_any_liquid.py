"""Values that are no colour: of any sign, on rows with channels of noise, and liquids that are no beer."""

import numpy as np
import pytest

from specmatch.errors import OptionError, TableError
from specmatch.maths.regression.colour_model import REGRESSIONS, ROW_REGRESSIONS, fit_colour
from specmatch.maths.regression.pls import one_standard_error
from specmatch.maths.regression.rows_and_responses import AS_GIVEN, SNV, Response, learn_rows, responses
from specmatch.maths.statistics.levels import Levels

CHANNELS = np.linspace(0.0, 1.0, 120)


def rows_of(value, rng, noise=1e-3):
    """A band that grows with the value beside one that does not, on a baseline of its own for each row."""
    band, other = (np.exp(-(((CHANNELS - at) / 0.08) ** 2)) for at in (0.4, 0.7))
    level = rng.normal(0.0, 0.02, (value.size, 1))
    X = 0.01 * np.outer(value, band) + np.outer(rng.normal(1.0, 0.1, value.size), other) + level
    return X + rng.normal(0.0, noise, X.shape)


def fitted(X, y, regressions=ROW_REGRESSIONS, nm=None):
    each = np.arange(len(y))
    return fit_colour(
        X, y, Levels.of_pours(each, each), regressions=regressions,
        wavelength_nm=np.arange(float(X.shape[1])) if nm is None else nm,
    )  # fmt: skip


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_zero_and_negative_values_are_read_and_covered():
    rng = np.random.default_rng(0)
    y, new = rng.uniform(-20.0, 30.0, 40), rng.uniform(-20.0, 30.0, 200)
    y[0] = 0.0
    fit = fitted(rows_of(y, rng), y + rng.normal(0.0, 0.5, 40))
    assert not fit.response.logarithmic
    found = fit.interval(rows_of(new, rng), 1, 0.90)
    # the lab's own error of 0.5 is what is left; half as much again for what 40 batches leave open
    assert rms(found.colour - new) < 0.75
    lab = new + rng.normal(0.0, 0.5, 200)
    # one fit of 40 covers between 0.82 and 0.96 at 0.90 (Beta(37, 4), 5th and 95th percentile), 200 draws add 0.02
    assert 0.80 < np.mean((found.low <= lab) & (lab <= found.high)) < 0.98


def test_colours_are_above_zero_all_the_same():
    rng = np.random.default_rng(0)
    y = rng.uniform(-1.0, 5.0, 12)
    with pytest.raises(TableError, match="colours are above 0"):
        fitted(10 ** -np.abs(rows_of(y, rng)), y, REGRESSIONS, np.linspace(430.0, 680.0, 120))


@pytest.mark.parametrize("relative", [True, False])
def test_the_likelier_error_is_told(relative):
    rng = np.random.default_rng(1)
    y = np.exp(rng.uniform(np.log(2.0), np.log(60.0), 60))
    lab = y * np.exp(rng.normal(0.0, 0.05, 60)) if relative else y + rng.normal(0.0, 0.4, 60)
    fit = fitted(rows_of(y, rng, noise=1e-4), lab)
    low, high = (np.sqrt(fit.error.variance(at)) / at for at in (4.0, 50.0))
    if relative:
        assert 0.5 < low / high < 2.0
    else:
        assert low / high > 6.0  # 12.5 where the error is all absolute


def test_responses_go_and_return():
    y = np.array([1.0, 4.0, 9.0])
    for response in (*responses(y), Response()):
        np.testing.assert_allclose(response.value(response.of(y)), y)
    # a straight line below every value is cut, where all are above 0
    assert responses(y)[0].value(-100.0) == pytest.approx(0.1)
    assert len(responses(np.array([0.0, 1.0, 2.0]))) == 1


def test_channels_of_noise_do_not_matter():
    rng = np.random.default_rng(2)
    y = rng.uniform(1.0, 40.0, 30)
    clean = rows_of(y, rng)
    noisy = np.hstack([clean, rng.normal(0.0, 3.0, (30, 60))])
    errors = [rms(fitted(X, y).held_out_colour - y) for X in (clean, noisy)]
    # noise that owns nine tenths of the variance; unweighed, the error is that of the mean
    assert errors[1] < 2.0 * errors[0] < 0.2 * y.std()
    weight = learn_rows(noisy, AS_GIVEN).weight
    assert weight[130:].max() < 0.05 * weight[:110].min()


def test_rows_are_centred_on_one_of_them():
    X = np.random.default_rng(3).normal(size=(9, 30))
    rows = learn_rows(X, SNV)
    made = rows.of(X)
    assert np.isclose(np.abs(made).sum(axis=1), 0.0).sum() == 1
    assert np.mean((made**2).sum(axis=1)) == pytest.approx(1.0)


def test_a_few_large_errors_do_not_hide_what_components_are_worth():
    # one batch errs by so much that the standard error of the least covers a model of nothing
    squares = np.ones((3, 20)) * np.array([[4.0], [1.0], [0.9]])
    squares[:, 0] += 100.0
    assert one_standard_error(squares) == 3


def permanganate(concentration, nm):
    """Bands of a purple solution; places from memory, heights and widths invented."""
    bands = ((0.6, 488, 12), (0.85, 507, 10), (1.0, 525, 9), (0.95, 546, 9), (0.35, 566, 9))
    return np.outer(concentration, sum(h * np.exp(-0.5 * ((nm - at) / w) ** 2) for h, at, w in bands))


def test_the_optical_regression_refuses_what_is_no_beer():
    rng, nm = np.random.default_rng(0), np.linspace(430.0, 680.0, 84)
    c = np.geomspace(0.05, 0.8, 30)
    R = 0.02 + 0.98 * 10 ** -permanganate(c * np.exp(rng.normal(0, 0.01, 30)), nm) + rng.normal(0, 5e-4, (30, 84))
    lab = 100.0 * c * np.exp(rng.normal(0.0, 0.015, 30))
    with pytest.raises(OptionError, match=r"not those of a beer.*take regression='(pls|log_absorbance)', or 'auto'"):
        fitted(R, lab, ("optical",), nm)
    free = fitted(R, lab, nm=nm, regressions=REGRESSIONS)
    assert free.regression != "optical" and rms(np.log(free.held_out_colour / lab)) < 0.03
