"""Bands of a glass and lines of a lamp, planted where they are published, are found where they are."""

import numpy as np
import pytest
from some_of import some_of

from specmatch.measurement.commissioning.figures import HOLMIUM, LINES, MERCURY, TUBE, piece_of
from specmatch.measurement.commissioning.wavelength import corrected_axis, fit_glass, fit_lamp

NM = np.linspace(390.0, 760.0, 270)
FINE = np.arange(360.0, 800.0, 0.25)
SLIT = 12.0 / 2.3548


def seen(light, shift):
    kernel = np.exp(-(((FINE - (NM + shift)[:, None]) / SLIT) ** 2) / 2.0)
    return kernel @ light / kernel.sum(axis=1)


def lamp_of(lines, strength=1.0):
    sharp = [(line.nm, max(line.width_nm / 2.3548, 0.3)) for line in lines]
    return sum(strength * np.exp(-(((FINE - nm) / width) ** 2) / 2.0) for nm, width in sharp)


@pytest.mark.parametrize("shift", some_of(1, [-0.5, 0.0, 0.3]))
@pytest.mark.parametrize("kind", [MERCURY, TUBE])
def test_lines_of_a_lamp(kind, shift):
    net = 1e4 * seen(lamp_of(LINES[kind]), shift)
    found = fit_lamp(net, np.full(NM.size, 5.0), NM, LINES[kind])
    assert abs(found.shift_nm - shift) < 0.02
    assert abs(found.slit_nm - 12.0) < 0.5
    assert list(found.lines["published_nm"]) == [line.nm for line in LINES[kind] if line.counts]
    np.testing.assert_allclose(found.lines["difference_nm"], shift, atol=0.1)


@pytest.mark.parametrize("shift", some_of(1, [-0.4, 0.0, 0.3]))
def test_bands_of_a_glass_on_the_flanks_of_a_lamp(shift):
    led = np.exp(-(((FINE - 452.0) / 11.0) ** 2) / 2.0) + 0.6 * np.exp(-(((FINE - 560.0) / 55.0) ** 2) / 2.0) + 0.02
    bands = sum(0.5 * np.exp(-(((FINE - b.nm) / (b.width_nm / 2.3548)) ** 2) / 2.0) for b in LINES[HOLMIUM])
    light, net = 4e4 * seen(led, shift), 4e4 * seen(led * 0.9 * np.exp(-bands), shift)
    found = fit_glass(net, light, np.full(NM.size, 1e-3), NM, LINES[HOLMIUM])
    # a quotient fitted without the lamp's flanks would be off by ten times as much
    assert abs(found.shift_nm - shift) < 0.1
    assert abs(found.shift_nm - shift) < 3 * found.shift_sd_nm


def test_too_little_light_gives_no_fit():
    light = np.where(NM > 740.0, 1e4, 0.0)
    assert fit_glass(light, light, np.full(NM.size, 1e-3), NM, LINES[HOLMIUM]) is None


def test_a_corrected_axis_has_as_few_parameters_as_the_lines_ask_for():
    net = 1e4 * seen(lamp_of(LINES[MERCURY]), 0.4)
    lines = fit_lamp(net, np.full(NM.size, 5.0), NM, LINES[MERCURY]).lines
    one, again = corrected_axis(NM, lines), corrected_axis(NM, lines)
    assert one.correction_degree == 0 and one.version == again.version and len(one.coefficients) == 6
    np.testing.assert_allclose(one.corrected_nm - NM, 0.4, atol=0.03)
    np.testing.assert_allclose(np.polynomial.polynomial.polyval(np.arange(NM.size), one.coefficients), one.corrected_nm,
                               atol=1e-6)  # fmt: skip
    stretched = lines.assign(difference_nm=0.01 * (lines["found_nm"] - 500.0), sd_nm=0.01)
    assert corrected_axis(NM, stretched).correction_degree == 1


@pytest.mark.parametrize(
    ("material", "kind", "number"),
    [
        ("Holmium glass", "holmium glass", None), ("cutoff filter 550 nm", "cut-off filter", 550.0),
        ("dilution 50 %", "dilution", 0.5), ("dilution 0.25", "dilution", 0.25), ("Steady_light", "steady light", None),
    ],
)  # fmt: skip
def test_materials_name_their_piece(material, kind, number):
    found = piece_of(material)
    assert (found.kind, found.number) == (kind, number)


@pytest.mark.parametrize("material", ["", "green tile", "cut-off filter", "dilution", "dilution 4"])
def test_a_material_that_names_nothing_says_what_to_write(material):
    assert "write" in piece_of(material)
