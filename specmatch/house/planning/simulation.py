"""Batches of a house that does not exist yet: from colours, a cup, a module and habits to pours and lab colours.

Light goes through the beer by the law of the cup (`maths/optics/path_law.py`); beers leave the average beer's shape by
a few smooth ones, batches leave their beer and pours their sample along the causes by which good practice lets them
differ (`maths/faults/normal_variation.py`), and every scan has the noise of its module. Batches of one session share
its reference, its axis and its lamp.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.faults.normal_variation import CAUSES, OF_SESSION, causes_at
from specmatch.maths.optics.cup import FOAM_REFLECTANCE, Optics, relative_absorbance
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.spectra.noise import ChannelNoise
from specmatch.maths.statistics.levels import Levels

EBC_PER_ABSORBANCE = 25.0  # of 1 cm at 430 nm, by definition
COLOUR_NM = 430.0
_OF_SESSION = [CAUSES.index(name) for name in OF_SESSION]


@dataclass(frozen=True)
class Assumed:
    """A house as a plan takes it to be."""

    wavelength_nm: Floats  # (p,)
    noise: ChannelNoise
    law: PathLaw
    depth_mm: float
    colour_ebc: Floats  # (n_beers,)
    known: Floats  # (n_beers, p): mean spectra that a set has shown at `depth_mm`, NaN for beers that none has
    unlike: Floats  # (s, p): log absorbance by which beers leave the average one, each a standard deviation long
    pour_sd: Floats  # (c,): along `CAUSES`
    batch_sd: Floats  # (c,)
    shapes: Floats  # (q, p): log absorbance by which batches of one beer differ, each a standard deviation long
    lab_relative: float  # lab_relative, lab_ebc: sd of one lab colour, a share and in EBC
    lab_ebc: float
    lab_states_sd: bool = False  # whether the sheets state it of every batch, so that the colour fit weighs it
    session_batches: int = 1  # batches measured in one session

    def at_depth(self, depth_mm: float) -> "Assumed":
        """Return the same house with another depth of beer."""
        factor = np.full(len(self.known), depth_mm / self.depth_mm)
        return replace(self, depth_mm=depth_mm, known=self.law.to_depth(self.known, factor))

    def beers(self, rng: np.random.Generator) -> Floats:
        """Return the share of light that one way through each beer leaves, (n_beers, p): one house of many."""
        own = rng.standard_normal((self.colour_ebc.size, len(self.unlike))) @ self.unlike
        # twice the depth in cm; what stands in the cup is the lab's absorbance
        absorbance = 2.0 * self.depth_mm / 10.0 * self.colour_ebc[:, None] / EBC_PER_ABSORBANCE
        passed = 10.0 ** -(absorbance * relative_absorbance(self.wavelength_nm) * np.exp(own))
        shown = np.isfinite(self.known).all(axis=1)
        passed[shown] = self.law.passed(self.known[shown])
        return np.maximum(passed, 1e-12)

    @property
    def at_430(self) -> int:
        """Place of the channel whose absorbance is the lab colour."""
        return int(np.abs(self.wavelength_nm - COLOUR_NM).argmin())


@dataclass(frozen=True)
class Batches:
    """Pours of batches, beer by beer, and what the lab says of them."""

    reflectance: Floats  # (n_pours, p)
    levels: Levels
    lab: Floats  # (n_batches,): EBC
    session: Ints  # (n_batches,)

    def part(self, n_batches: int, n_pours: int) -> "Batches":
        """Return the first so many batches of each beer with their first so many pours."""
        batch, beer = self.levels.codes("batch"), self.levels.beer
        each, pours = int((beer == 0).sum()), int((batch == 0).sum())
        kept = np.arange(batch.size).reshape(-1, each, pours)[:, :n_batches, :n_pours].ravel()
        of_batch = np.arange(beer.size).reshape(-1, each)[:, :n_batches].ravel()
        levels = _levels(int(beer.max()) + 1, n_batches, n_pours)
        return Batches(self.reflectance[kept], levels, self.lab[of_batch], self.session[of_batch])


def _levels(n_beers: int, n_batches: int, n_pours: int) -> Levels:
    batch = np.repeat(np.arange(n_beers * n_batches), n_pours)
    return Levels.of_pours(batch, batch, batch // n_batches)


def draw_sessions(n_beers: int, sizes: Sequence[int], per_session: int, rng: np.random.Generator) -> Ints:
    """Return the session of each batch, beer by beer, (n_beers * sizes[-1],): so many batches each, in chance order.

    The first sizes[k] batches of each beer are measured before all others, so that they are a set by themselves.
    """
    # sizes: batches of each beer, growing
    parts, first = [], 0
    for start, stop in zip((0, *sizes[:-1]), sizes, strict=True):
        place = rng.permutation(n_beers * (stop - start)).reshape(n_beers, -1)
        parts.append(first + place // per_session)
        first = int(parts[-1].max()) + 1
    return np.concatenate(parts, axis=1).ravel()


def draw_batches(
    house: Assumed, beers: Floats, n_batches: int, n_pours: int, rng: np.random.Generator, session: Ints | None = None
) -> Batches:
    """Draw so many batches of each beer, each of one sample of so many pours; without sessions each has its own."""
    # beers (n_beers, p), as `Assumed.beers` returns them; session (n_beers * n_batches,)
    n_beers, p = beers.shape
    shape = (n_beers, n_batches, n_pours)
    of = (np.arange(n_beers * n_batches) if session is None else session).reshape(n_beers, n_batches)
    n_sessions = int(of.max()) + 1
    own = rng.standard_normal((n_beers, n_batches, len(CAUSES))) * house.batch_sd
    own[..., _OF_SESSION] = (rng.standard_normal((n_sessions, len(_OF_SESSION))) * house.batch_sd[_OF_SESSION])[of]
    shapes = rng.standard_normal((n_beers, n_batches, len(house.shapes))) @ house.shapes
    of_pour = rng.standard_normal((*shape, len(CAUSES))) * house.pour_sd
    strength = own[:, :, None, 0] + of_pour[..., 0]
    path = np.exp(strength[..., None] + shapes[:, :, None, :])
    seen = house.law.seen(-np.log(beers)[:, None, None, :] * path)
    optics = Optics(house.wavelength_nm, house.noise.light, house.law.glare, FOAM_REFLECTANCE)
    none = np.zeros((0, p))
    other = np.array([causes_at(one, none, optics)[1:] for one in house.law.seen(-np.log(beers))])
    seen = seen + np.einsum("bnmc,bcp->bnmp", (own[:, :, None, :] + of_pour)[..., 1:], other)
    # dark and reference are one scan for all pours of a session
    reference = rng.standard_normal((n_sessions, p)) * np.sqrt(house.noise.variance(np.ones(p)))
    seen = seen * (1.0 + reference[of][:, :, None])
    seen = seen + rng.standard_normal(seen.shape) * np.sqrt(house.noise.variance(seen))
    colour = house.colour_ebc[:, None] * np.exp(own[:, :, 0] + shapes[:, :, house.at_430])
    error = rng.standard_normal((2, n_beers, n_batches))
    lab = colour * (1.0 + house.lab_relative * error[0]) + house.lab_ebc * error[1]
    lab = np.maximum(lab, 0.05 * colour).ravel()
    return Batches(seen.reshape(-1, p), _levels(n_beers, n_batches, n_pours), lab, of.ravel())
