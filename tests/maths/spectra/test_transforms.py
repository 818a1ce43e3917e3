"""Transforms of spectra against SciPy, by hand, and on the faults they are prone to."""

import numpy as np
import pytest
from scipy.signal import savgol_filter

from specmatch.errors import OptionError, TableError
from specmatch.maths.spectra.noise import slit_weights
from specmatch.maths.spectra.transforms import (
    absorbance,
    correct_scatter_extended,
    derivative,
    even_step,
    fitting_window,
    smooth,
    to_even_grid,
    unit_variance,
)

NM = np.arange(400.0, 701.0, 5.0)
LINE = 0.002 * NM - 0.5


def curves(n: int = 5, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.exp(-((NM - rng.uniform(450, 650, (n, 1))) ** 2) / 5000.0) + rng.normal(0, 0.01, (n, NM.size))


def test_absorbance_by_hand_and_at_the_floor():
    R = np.array([[1.0, 0.5, 0.1, 1e-3, 0.0, -0.2]])
    np.testing.assert_allclose(absorbance(R), [[0.0, np.log10(2.0), 1.0, 3.0, 3.0, 3.0]], atol=1e-15)
    assert absorbance([1e-6], floor=1e-5)[0] == 5.0
    with pytest.raises(OptionError, match="above 0"):
        absorbance(R, floor=0.0)


def test_inputs_are_never_written_to():
    R = curves()
    kept = R.copy()
    absorbance(R), unit_variance(R), correct_scatter_extended(R, R[0], NM), smooth(R, window=5), derivative(R, NM)
    np.testing.assert_array_equal(R, kept)


def test_unit_variance_by_hand():
    X = curves()
    out = unit_variance(X)
    np.testing.assert_allclose(out.mean(axis=1), 0.0, atol=1e-14)
    np.testing.assert_allclose(out.std(axis=1, ddof=1), 1.0)
    # 0.3 is no binary number, so its computed spread is not exactly 0
    np.testing.assert_array_equal(unit_variance([[1.0, 2.0, 3.0], [0.3, 0.3, 0.3]])[1], 0.0)


def test_scatter_correction_undoes_offset_and_slope():
    reference = curves(1)[0]
    X = np.array([0.1 + 1.7 * reference, -0.3 + 0.4 * reference])
    np.testing.assert_allclose(correct_scatter_extended(X, reference, NM, degree=0), [reference, reference], atol=1e-12)
    flat = np.full((1, NM.size), 0.3)
    np.testing.assert_allclose(correct_scatter_extended(flat, reference, NM, degree=0), 0.0, atol=1e-12)


def test_extended_correction_undoes_a_baseline_too():
    reference = curves(1)[0]
    X = np.array([0.1 - 1e-3 * NM + 2e-6 * NM**2 + 1.7 * reference])
    np.testing.assert_allclose(correct_scatter_extended(X, reference, NM, degree=2), [reference], atol=1e-9)
    with pytest.raises(OptionError, match="degree 0 to 5"):
        correct_scatter_extended(X, reference, NM, degree=9)


def test_smoothing_equals_scipy_inside_and_keeps_a_line_to_its_ends():
    X = curves()
    np.testing.assert_allclose(smooth(X, window=9, degree=3), savgol_filter(X, 9, 3, mode="interp"), atol=1e-14)
    np.testing.assert_allclose(smooth([LINE], window=11, degree=2), [LINE], atol=1e-12)


@pytest.mark.parametrize(("window", "degree"), [(4, 2), (63, 2), (3, 3), (1, 2), (5, -1)])
def test_windows_that_cannot_be_are_refused(window, degree):
    with pytest.raises(OptionError, match=f"window of {window} points"):
        smooth(curves(), window=window, degree=degree)


def test_derivative_is_per_nm_in_every_layout():
    fine = np.arange(400.0, 701.0, 2.0)
    ascending = derivative([LINE], NM)
    descending = derivative([LINE[::-1]], NM[::-1])
    finer = derivative([0.002 * fine - 0.5], fine)
    for slope in (ascending, descending, finer):
        np.testing.assert_allclose(slope, 0.002, atol=1e-12)


def test_derivatives_of_a_parabola():
    X = [1e-5 * (NM - 500.0) ** 2]
    # a degree-2 polynomial has no error on a parabola but rounding over steps of 5 nm
    np.testing.assert_allclose(derivative(X, NM), [2e-5 * (NM - 500.0)], atol=1e-12)
    np.testing.assert_allclose(derivative(X, NM, order=2), 2e-5, atol=1e-12)
    np.testing.assert_allclose(derivative(np.array(X)[:, ::-1], NM[::-1], order=2), 2e-5, atol=1e-12)
    with pytest.raises(OptionError, match="order 1 or 2"):
        derivative(X, NM, order=3)


def test_an_uneven_grid_is_refused_and_can_be_made_even():
    uneven = np.concatenate([np.arange(400.0, 500.0, 2.0), np.arange(500.0, 701.0, 10.0)])
    X = [0.002 * uneven - 0.5]
    with pytest.raises(TableError, match="uneven"):
        derivative(X, uneven)
    even, grid = to_even_grid(X, uneven)
    assert even_step(grid) > 0
    np.testing.assert_allclose(derivative(even, grid), 0.002, atol=1e-12)


def test_single_precision_gives_the_same_result():
    # a large offset under a small signal, given as float32: converted before anything is subtracted
    X = (100.0 + curves()).astype(np.float32)
    for transform in (unit_variance, lambda rows: smooth(rows, window=7), lambda rows: derivative(rows, NM)):
        np.testing.assert_allclose(transform(X), transform(X.astype(np.float64)), rtol=1e-9, atol=0)


@pytest.mark.parametrize(
    ("n", "longest", "window"), [(31, 7, 7), (7, 7, 7), (6, 7, 5), (4, 7, 3), (31, 8, 7), (1, 7, 1)]
)
def test_the_longest_odd_window_that_a_spectrum_holds(n, longest, window):
    assert fitting_window(n, longest) == window


def test_weights_of_the_slit_keep_a_line_on_an_uneven_grid_and_quieten_noise():
    nm = np.array([500.0, 501.5, 504.0, 505.0, 508.0, 511.0])
    weights = slit_weights(nm)
    assert weights.sum(axis=1) == pytest.approx(1.0)
    assert weights @ (3.0 - 0.25 * nm) == pytest.approx(3.0 - 0.25 * nm)
    assert ((weights**2).sum(axis=1) < 1.0).all()
