"""CIELAB of beers and CIEDE2000 against published values."""

from pathlib import Path

import numpy as np
import pytest

from specmatch.colour import average_absorbance, ciede2000, cielab, tristimulus_values, white_point
from specmatch.errors import OptionError, TableError, WavelengthMismatchError

NM = np.arange(380.0, 781.0, 5.0)
PAIRS = Path(__file__).parents[1] / "data" / "ciede2000_pairs.csv"


def test_white_points():
    # C and D65 for the 10 degree observer (CIE 015:2018); routes of summation differ by 0.02
    np.testing.assert_allclose(white_point("C"), [97.2857, 100.0, 116.1448], atol=0.02)
    np.testing.assert_allclose(white_point("D65"), [94.81, 100.0, 107.32], atol=0.02)


def test_tables_are_those_of_the_colour_library():
    colour = pytest.importorskip("colour")
    observer = colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"][NM]
    for name, light in (("C", "C"), ("D65", "D65")):
        power = colour.SDS_ILLUMINANTS[light][NM]
        expected = 100.0 * (power[:, None] * observer).sum(axis=0) / (power @ observer[:, 1])
        np.testing.assert_allclose(white_point(name), expected, rtol=1e-9)


def test_pairs_in_print():
    # G. Sharma, W. Wu, E. N. Dalal, Color Res. Appl. 30:21-30, 2005; one pair of opposite hues, whose result hangs on
    # the last digit of an arctangent, is left out, as other libraries do
    table = np.loadtxt(PAIRS, delimiter=",", skiprows=1)
    assert len(table) == 33
    # four decimals in print
    np.testing.assert_allclose(ciede2000(table[:, :3], table[:, 3:6]), table[:, 6], atol=1e-4)
    np.testing.assert_allclose(ciede2000(table[:, 3:6], table[:, :3]), table[:, 6], atol=1e-4)


def test_differences_agree_with_the_colour_library_everywhere():
    colour = pytest.importorskip("colour")
    rng = np.random.default_rng(0)
    one, other = (np.column_stack([rng.uniform(0, 100, 500), rng.uniform(-90, 90, (500, 2))]) for _ in range(2))
    np.testing.assert_allclose(ciede2000(one, other), colour.difference.delta_E_CIE2000(one, other), atol=1e-8)


@pytest.mark.parametrize(
    ("srm", "expected"),
    [
        (2, (96.45, -0.86, 11.82)),
        (10, (84.24, 3.40, 45.51)),
        (20, (72.22, 13.63, 67.59)),
        (40, (54.70, 28.92, 80.65)),
    ],
)
def test_average_beers_keep_their_colour(srm, expected):
    # our own results, from the average-beer formula in 1 cm: anchors against change, no published values
    found = cielab(10.0 ** -average_absorbance(NM, srm), NM)
    np.testing.assert_allclose([found.lightness[0], found.a[0], found.b[0]], expected, atol=0.005)


def test_clear_liquid_is_white_and_black_is_black():
    found = cielab(np.array([np.ones(NM.size), np.zeros(NM.size)]), NM)
    np.testing.assert_allclose(found.lightness, [100.0, 0.0], atol=1e-9)
    np.testing.assert_allclose([found.a, found.b], 0.0, atol=1e-9)


def test_another_grid_and_missing_ends_change_little():
    beer = 10.0 ** -average_absorbance(NM, 8.0)
    whole = cielab(beer, NM)
    inner = (NM >= 400.0) & (NM <= 700.0)
    cut = cielab(beer[inner], NM[inner])
    distance = ciede2000(*(np.column_stack([c.lightness, c.a, c.b]) for c in (whole, cut)))
    # far below what an eye tells apart (about 1)
    assert distance[0] < 0.1


def test_spectra_that_cannot_serve_are_refused():
    with pytest.raises(WavelengthMismatchError, match="needs 400-700 nm"):
        cielab(np.ones((1, 20)), NM[10:30])
    with pytest.raises(TableError, match="fractions between 0 and 1"):
        tristimulus_values(np.full((1, NM.size), 50.0), NM)
    with pytest.raises(TableError, match="ascending"):
        tristimulus_values(np.ones((1, NM.size)), NM[::-1])
    with pytest.raises(OptionError, match="C or D65"):
        white_point("A")
    with pytest.raises(TableError, match="within -1000 to 1000"):
        ciede2000([[50.0, 1e308, 0.0]], [[50.0, 0.0, 0.0]])
