"""Beers in a glass: against the transmittance that the cup was made from, and where the cup cannot tell."""

import numpy as np
import pytest

from specmatch.colour.transmission import average_absorbance, srm_from_ebc
from specmatch.report.plots.spectra import GLASS_CM, glass_colours
from specmatch.report.plots.style import swatch

NM = np.arange(420.0, 701.0, 5.0)
EBC = np.array([5.0, 12.0, 25.0, 68.0])


def cup(ebc):
    return 0.02 + 0.98 * 10.0 ** -average_absorbance(NM, float(srm_from_ebc(ebc)), 1.6)


def channels(patch):
    return np.array([int(patch[i : i + 2], 16) for i in (1, 3, 5)])


def test_a_glass_is_painted_as_its_own_transmittance():
    painted = glass_colours([cup(ebc) for ebc in EBC], NM, EBC, "EBC")
    for patch, ebc in zip(painted, EBC, strict=True):
        true = swatch(10.0 ** -average_absorbance(NM, float(srm_from_ebc(ebc)), GLASS_CM), NM)
        # the path of the cup is learnt to about 2 %, which is some steps of 255 on the screen
        assert np.abs(channels(patch) - channels(true)).max() <= 8
    # a stout of 68 EBC is nearly black, whatever it looks like in a shallow cup
    assert channels(painted[-1]).max() < 80
    assert channels(swatch(cup(68.0), NM)).max() > 150


def test_without_colours_enough_the_average_beer_stands_for_it():
    lone = glass_colours([cup(12.0), cup(25.0)], NM, [12.0, np.nan], "EBC")
    assert lone[0] == swatch(10.0 ** -average_absorbance(NM, float(srm_from_ebc(12.0)), GLASS_CM), NM)
    assert lone[1] == ""
    assert glass_colours([cup(12.0)], NM, [3.0], "ppm") == [""]
    holed = [cup(ebc) for ebc in EBC]
    holed[0] = np.where(NM > 650.0, np.nan, holed[0])
    assert [patch == "" for patch in glass_colours(holed, NM, EBC, "EBC")] == [True, False, False, False]


@pytest.mark.parametrize("unit", ["EBC", "SRM"])
def test_darker_beers_are_darker(unit):
    lab = EBC if unit == "EBC" else srm_from_ebc(EBC)
    level = [channels(patch).sum() for patch in glass_colours([cup(ebc) for ebc in EBC], NM, lab, unit)]
    assert level == sorted(level, reverse=True)
