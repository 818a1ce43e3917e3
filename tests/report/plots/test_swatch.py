"""Patches: white is white, grey is grey, beers go from straw to brown, numbers are those of the sRGB standard."""

import numpy as np
import pytest

from specmatch.colour.tristimulus import tristimulus_values, white_point
from specmatch.report.plots.style import swatch

NM = np.arange(400.0, 701.0, 5.0)


def channels(patch):
    return tuple(int(patch[i : i + 2], 16) for i in (1, 3, 5))


def beer(ebc):
    return 0.01 + 0.98 * 10.0 ** (-ebc / 25 * 1.6 * np.exp(-(NM - 430) / 82.0))


def test_an_even_grey_stays_grey():
    red, green, blue = channels(swatch([0.2, 0.2], [430.0, 680.0]))
    assert max(red, green, blue) - min(red, green, blue) <= 1
    # 20 % of the light is 124 of 255 on the sRGB curve: 255 (1.055 x 0.2^(1/2.4) - 0.055)
    assert green == pytest.approx(124, abs=1)


def test_beers_darken_and_redden():
    pale, amber, dark = (channels(swatch(beer(ebc), NM)) for ebc in (5.0, 25.0, 80.0))
    for red, green, blue in (pale, amber, dark):
        assert red > green > blue
    assert pale[1] > amber[1] > dark[1]
    assert pale[1] / pale[0] > amber[1] / amber[0] > dark[1] / dark[0]


def test_values_outside_the_fraction_and_ends_not_measured_do_no_harm():
    cut = slice(6, -4)
    whole, part = channels(swatch(beer(12.0), NM)), channels(swatch(beer(12.0)[cut], NM[cut]))
    # the ends hold the last value: a step or two of 255 on the screen
    assert np.abs(np.subtract(whole, part)).max() <= 12
    assert swatch([-0.3, 1.4], [400.0, 700.0]).startswith("#")


def test_against_the_colour_science_library():
    """Oracle: colour-science's sRGB conversion of the same tristimulus values, after scaling to its own D65 white."""
    colour = pytest.importorskip("colour")
    for ebc in (5.0, 12.0, 40.0):
        xyz = tristimulus_values(beer(ebc)[None, :], NM, illuminant="D65")[0] / white_point("D65")
        white = colour.xy_to_XYZ(colour.models.RGB_COLOURSPACE_sRGB.whitepoint)
        want = np.rint(255 * np.clip(colour.XYZ_to_sRGB(xyz * white), 0, 1))
        # four digits of the matrix: a step of the screen
        assert np.abs(np.subtract(channels(swatch(beer(ebc), NM)), want)).max() <= 1
