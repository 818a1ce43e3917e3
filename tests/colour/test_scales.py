"""Colour by transmission: factors in print, cells, dilution, the rule at 700 nm, whole spectra, slit width."""

import numpy as np
import pandas as pd
import pytest

from specmatch.colour import (
    EBC_PER_SRM,
    HALF_INCH_CM,
    average_absorbance,
    clear_enough,
    colour_from_transmission,
    correct_slit_width,
    ebc_from_absorbance,
    ebc_from_srm,
    srm_from_absorbance,
    srm_from_ebc,
)
from specmatch.errors import OptionError, TableError, WavelengthMismatchError

NM = np.arange(380.0, 781.0, 1.0)


def test_scales_go_there_and_back_on_arrays_too():
    srm = np.array([2.0, 17.6, 40.0])
    np.testing.assert_allclose(srm_from_ebc(ebc_from_srm(srm)), srm, rtol=1e-15)
    np.testing.assert_allclose(ebc_from_absorbance(srm) / srm_from_absorbance(srm), EBC_PER_SRM, rtol=1e-15)


def test_lists_and_columns_are_read_as_arrays():
    np.testing.assert_array_equal(srm_from_absorbance([1.0, 2.0]), [12.7, 25.4])
    np.testing.assert_array_equal(ebc_from_absorbance(pd.Series([1.0, 2.0], index=["a", "b"])), [25.0, 50.0])


def test_any_path_and_dilution_give_the_same_colour():
    for path_cm in (0.1, 1.0, HALF_INCH_CM, 4.0):
        for dilution in (1.0, 2.0, 10.0):
            a430 = 0.8 * path_cm / dilution
            # a few multiplications of float64
            assert srm_from_absorbance(a430, path_cm, dilution) == pytest.approx(12.7 * 0.8, rel=1e-14)


@pytest.mark.parametrize(
    ("values", "match"),
    [
        ((float("nan"), 1.0, 1.0), "a finite number"),
        ((0.5, 0.0, 1.0), "path_cm is 0.0"),
        ((0.5, -1.0, 1.0), "path_cm is -1.0"),
        ((0.5, 1.0, 0.5), "dilution is 0.5"),
        ((1e308, 1.0, 1.0), "430 nm is 1e[+]308; .* of -1000 to 1000 is needed"),
        ((0.5, 1e-300, 1.0), "path_cm is 1e-300; .* 0.001 to 1000"),
        ((0.5, 1e308, 1.0), "path_cm is 1e[+]308"),
        ((0.5, 1.0, 1e308), "dilution is 1e[+]308; .* 1 to 1e[+]06"),
    ],
)
def test_impossible_measurements_are_refused(values, match):
    for scale in (srm_from_absorbance, ebc_from_absorbance):
        with pytest.raises(OptionError, match=match):
            scale(*values)
    with pytest.raises(OptionError, match="a colour of 0 or more"):
        average_absorbance(NM, -1.0)
    with pytest.raises(OptionError, match="a path above 0"):
        average_absorbance(NM, 5.0, path_cm=0.0)
    with pytest.raises(OptionError, match="srm is 1e[+]308; .* 0 to 10000"):
        average_absorbance(NM, 1e308)
    with pytest.raises(OptionError, match="absorbance at 700 nm is inf"):
        clear_enough(0.5, np.inf)
    with pytest.raises(OptionError, match="slit_nm is 1e[+]308; .* no wider than the spectrum"):
        correct_slit_width(np.eye(5), np.arange(5.0), slit_nm=1e308)


def test_limit_of_the_rule_is_inside():
    assert bool(clear_enough(1.0, 0.039)) and not bool(clear_enough(1.0, 0.0391))
    assert bool(clear_enough(0.1, 0.0039))  # 0.039 x 0.1 is a little below 0.0039 in binary


def test_whole_spectrum_gives_colour_clearness_and_advice():
    found = colour_from_transmission(10.0 ** -average_absorbance(NM, 20.0), NM)
    assert found.srm == pytest.approx(20.0, rel=1e-9)
    assert found.ebc == pytest.approx(20.0 * 25.0 / 12.7, rel=1e-9)
    assert found.clear and found.dilute
    diluted = colour_from_transmission(10.0 ** -average_absorbance(NM, 10.0), NM, dilution=2.0)
    assert diluted.srm == pytest.approx(20.0, rel=1e-9) and not diluted.dilute
    hazy = colour_from_transmission(10.0 ** -(average_absorbance(NM, 5.0) + 0.05), NM)
    assert hazy.clear is False


def test_spectrum_off_the_grid_is_interpolated_in_absorbance():
    coarse = np.arange(381.0, 781.0, 7.0)
    found = colour_from_transmission(10.0 ** -average_absorbance(coarse, 8.0), coarse)
    # a chord of 7 nm under an exponential of 82 nm: at most (7/82)^2 / 8 of it, 0.1 %
    assert found.srm == pytest.approx(8.0, rel=2e-3)
    short = colour_from_transmission(10.0 ** -average_absorbance(NM[:200], 8.0), NM[:200])
    assert short.clear is None and np.isnan(short.a700)


@pytest.mark.parametrize(
    ("nm", "transmittance", "error", "match"),
    [
        (NM[60:], np.full(NM.size - 60, 0.5), WavelengthMismatchError, "on both sides of 430 nm"),
        (NM, np.zeros(NM.size), TableError, "no light, no colour"),
        (NM[::-1], np.full(NM.size, 0.5), TableError, "one ascending spectrum"),
        (NM, np.full((1, NM.size), 0.5), TableError, "one ascending spectrum"),
        (NM, np.full(NM.size, 50.0), TableError, "divide percent by 100"),
        ([], [], TableError, "one ascending spectrum"),
    ],
)
def test_spectra_that_cannot_serve_are_refused(nm, transmittance, error, match):
    with pytest.raises(error, match=match):
        colour_from_transmission(transmittance, nm)


def test_slit_correction_undoes_a_triangular_slit():
    fine = np.arange(360.0, 801.0, 0.1)
    true = 10.0 ** -average_absorbance(fine, 25.0)
    slit_nm = 8.0
    weight = np.maximum(1.0 - np.abs(np.arange(-slit_nm, slit_nm + 0.05, 0.1)) / slit_nm, 0.0)
    blurred = np.convolve(true, weight / weight.sum(), mode="same")
    # every 2 nm, away from the ends that the convolution shortened
    at = np.arange(400, 4000, 20)
    corrected = correct_slit_width(blurred[None, at], fine[at], slit_nm=slit_nm)[0]
    off, left = np.abs(blurred[at] - true[at])[5:-5], np.abs(corrected - true[at])[5:-5]
    # what is left is of fourth order in slit over the scale of the spectrum, 8/82 nm
    assert left.max() < 0.15 * off.max()


def test_slit_correction_of_three_points_in_print():
    # slit = step: -0.083, 1.166, -0.083 (Stearns and Stearns 1988; from memory)
    unit = correct_slit_width(np.eye(5), np.arange(5.0), slit_nm=1.0)[:, 2]
    np.testing.assert_allclose(unit, [0.0, -1 / 12, 7 / 6, -1 / 12, 0.0], atol=1e-15)
    with pytest.raises(OptionError, match="a width of 0 nm or more"):
        correct_slit_width(np.eye(5), np.arange(5.0), slit_nm=-1.0)
    assert correct_slit_width(np.eye(5)[2], np.arange(5.0), slit_nm=1.0)[2] == pytest.approx(7 / 6)
    with pytest.raises(TableError, match="as many are needed"):
        correct_slit_width(np.eye(5), np.arange(4.0), slit_nm=1.0)
    with pytest.raises(TableError, match="three or more"):
        correct_slit_width(np.eye(2), np.arange(2.0), slit_nm=1.0)


def test_lists_are_taken_from_scale_to_scale():
    import specmatch as sm

    assert sm.colour.srm_from_ebc([25, 50]).tolist() == [12.7, 25.4]
    assert sm.colour.ebc_from_srm([12.7, 25.4]).tolist() == [25.0, 50.0]
