"""The invented beers: names, colours and the smooth shapes of their spectra."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from specmatch.array_types import Floats
from specmatch.colour import EBC_PER_SRM, average_absorbance
from specmatch.demo.optics import LIGHT_NM

HOUSE_BEERS = (
    "Chalk Lager", "Meadow Pils", "Straw Blond", "Lantern Gold", "Saddle Pale", "Mill Bitter", "Amber Lane",
    "Foxglove Red", "Hedge Dunkel", "Walnut Brown", "Night Porter", "Peat Stout",
)  # fmt: skip

# Relative sd of the smooth shapes: of batches within a beer (three modes), and of beers (the same and two more).
BATCH_SHAPE_SD = np.array([0.014, 0.010, 0.007, 0.0, 0.0])
BEER_SHAPE_SD = np.array([0.020, 0.015, 0.010, 0.007, 0.005])
BATCH_COLOUR_SD = 0.045
PALEST_EBC, DARKEST_EBC = 5.0, 80.0


def smooth_modes(wavelength_nm: npt.ArrayLike) -> Floats:
    """Return five smooth shapes, (5, p), each between -1 and 1 over 400-700 nm and level outside it."""
    u = np.clip((np.asarray(wavelength_nm, dtype=float) - 400.0) / 300.0, 0.0, 1.0)
    order = np.arange(1.0, BEER_SHAPE_SD.size + 1.0)[:, np.newaxis]
    return np.cos(np.pi * order * u)


_MODES = smooth_modes(LIGHT_NM)
_MODES_430 = smooth_modes([430.0])[:, 0]
_AVERAGE_1_EBC = average_absorbance(LIGHT_NM, 1.0 / EBC_PER_SRM)


def house_colours(rng: np.random.Generator) -> Floats:
    """Return colours of the house beers, pale to dark, in EBC.

    Neighbours differ by a factor between 1.20 and 1.35. One gap, anywhere, is 1.34: room for a beer of nobody's
    that is 15 % from its neighbours on both sides.
    """
    n_other = len(HOUSE_BEERS) - 2
    wide = np.log(1.34)
    jitter = rng.uniform(-0.035, 0.035, n_other)
    other = (np.log(DARKEST_EBC / PALEST_EBC) - wide) / n_other + jitter - jitter.mean()
    gaps = np.insert(other, rng.integers(n_other + 1), wide)
    return PALEST_EBC * np.exp(np.concatenate([[0.0], np.cumsum(gaps)]))


@dataclass(frozen=True)
class Liquids:
    """What is in the cup, one row a batch."""

    beer: tuple[str, ...]  # beer, batch: names
    batch: tuple[str, ...]
    absorbance: Floats  # log10 absorbance of 1 cm

    @property
    def colour_ebc(self) -> Floats:
        """True colour by its definition, 25 times the absorbance of 1 cm at 430 nm, (n,)."""
        return 25.0 * self.absorbance[:, int(np.flatnonzero(LIGHT_NM == 430.0)[0])]


def absorbance_of(colour_ebc: Floats, beer_shape: Floats, *, strength: Floats, batch_shape: Floats) -> Floats:
    """Return log10 absorbance of 1 cm of batches, (n, len(LIGHT_NM))."""
    # colour_ebc: colour of the beer; its own shape leaves the absorbance at 430 nm alone
    # beer_shape, batch_shape: sizes of the smooth modes of the beer and of the batch; a batch's shape moves its colour
    # too
    shape = beer_shape @ (_MODES - _MODES_430[:, np.newaxis]) + batch_shape @ _MODES
    return colour_ebc[:, np.newaxis] * _AVERAGE_1_EBC * np.exp(shape + strength[:, np.newaxis])
