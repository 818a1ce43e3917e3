"""The colour of beers as they would look in a glass, from their own spectra in the cup."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.colour.double_pass import fit_double_pass
from specmatch.colour.transmission import average_absorbance, srm_from_ebc
from specmatch.errors import SpecmatchError
from specmatch.maths.statistics.levels import mean_by
from specmatch.report.plots.style import swatch

if TYPE_CHECKING:
    from specmatch.house.fitting.fitted import FittedHouse

GLASS_CM = 6.0  # light that has crossed so much beer: a tumbler, looked through from the side
IN_A_GLASS = (
    f"Patches are an impression of a glass {GLASS_CM:g} cm wide before white daylight, from the beer's own mean "
    "spectrum (CIE D65, 10 degree observer, sRGB); a screen or a print shows them only roughly."
)
# below this nothing came through that a glass four times as deep would let pass
_LEAST_THROUGH = 1e-4


def glass_colours(reflectance: ArrayLike, wavelength_nm: ArrayLike, colour: ArrayLike, unit: str) -> list[str]:
    """Return what to paint each beer with, "" where neither its spectrum nor its colour can tell."""
    # reflectance (n, p): mean spectra; colour (n,): mean lab colours in `unit`, NaN where unknown
    R, nm, lab = (np.asarray(x, np.float64) for x in (reflectance, wavelength_nm, colour))
    through = _through_cup(R, nm, lab, unit)
    if through is None:
        # too few colours to tell glare from beer: the average beer of each colour stands for it
        srm = lab if unit == "SRM" else np.asarray(srm_from_ebc(lab)) if unit == "EBC" else np.full(len(R), np.nan)
        through = np.array([10.0 ** -average_absorbance(nm, x, GLASS_CM) if x > 0.0 else np.nan * nm for x in srm])
    return [swatch(row, nm) if np.isfinite(row).all() else "" for row in through]


def _through_cup(R: Floats, nm: Floats, lab: Floats, unit: str) -> Floats | None:
    """Return the transmittance of the glass: the light of the cup without its glare, on the longer way."""
    known = np.isfinite(lab) & np.isfinite(R).all(axis=1)
    try:
        cup = fit_double_pass(R[known], lab[known], nm, colour_unit=unit)
    except SpecmatchError:
        return None
    through = np.clip((R - cup.glare) / (1.0 - cup.glare), _LEAST_THROUGH, 1.0)
    return np.asarray(through ** (GLASS_CM / cup.path_cm))


def house_glass(fitted: FittedHouse) -> list[str]:
    """Return what to paint each beer of a model with."""
    samples, lab = fitted.identity.samples, batch_colours(fitted)
    spectra, _ = mean_by(mean_by(samples.reflectance, samples.batch)[0], samples.beer)
    known = np.isfinite(lab)
    n, beer = len(fitted.beers), fitted.beer_of_batch[known]
    with np.errstate(invalid="ignore"):
        colour = np.bincount(beer, lab[known], n) / np.bincount(beer, minlength=n)
    return glass_colours(spectra, fitted.wavelength_nm, colour, fitted.colour_unit)


def batch_colours(fitted: FittedHouse) -> Floats:
    """Return the lab colour of each batch of a model, shape (K,), NaN where none is known."""
    if fitted.pours is not None:
        return fitted.pours.lab
    if fitted.colour is not None and fitted.colour.lab_colour.size == len(fitted.batches):
        return fitted.colour.lab_colour[np.argsort(fitted.colour.batch_code)]
    return np.full(len(fitted.batches), np.nan)
