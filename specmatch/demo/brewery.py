"""An invented brewery: one seed fixes its beers, instrument and lab; batches, pours and noise are drawn anew."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.array_types import Floats, check_whole
from specmatch.demo.folders import write_measured_folder
from specmatch.demo.physics import (
    BATCH_COLOUR_SD,
    BATCH_SHAPE_SD,
    BEER_SHAPE_SD,
    HOUSE_BEERS,
    Bench,
    Cup,
    Liquids,
    PourConditions,
    RawScans,
    Spectrometer,
    absorbance_of,
    house_colours,
)
from specmatch.errors import OptionError

DEFAULT_SEED = 1
LAB_RELATIVE_SD, LAB_SD_EBC = 0.012, 0.1

# every draw of random numbers has its own stream, so that a fault planted in a pour leaves all else as it was
_BEERS, _BATCHES, _FOREIGN, _LAB, _BENCH = range(5)


@dataclass(frozen=True)
class SimulatedHouse:
    """Batches measured by the invented brewery, as tables."""

    # reflectance, a row a scan, columns the whole grid of the instrument in nm, dead ends included
    spectra: pd.DataFrame
    scans: pd.DataFrame  # the same index `scan_id`: `pour`, `sample`, `batch`, `session`, `measured_at`,
    batches: pd.DataFrame  # index `batch`: `beer`, `colour` (by the lab, with its error), `colour_unit`,
    true_colour: pd.Series  # colour in EBC without any error, by batch
    raw: RawScans  # the counts that all this was computed from


class Brewery:
    """An invented brewery with twelve beers from about 5 to 80 EBC.

    Parameters
    ----------
    seed : int
        0 or more; decides colours and shapes of its beers, and with `draw` everything measured.
    cup, spectrometer : Cup and Spectrometer, optional

    Attributes
    ----------
    beers : tuple of str
        From pale to dark.
    colour_ebc : ndarray, shape (12,)
        Target colour of each beer; neighbours are 20-35 % apart.

    Examples
    --------
    >>> house = Brewery(seed=1).draw(2)
    >>> house.spectra.shape[0], house.batches.shape[0]
    (72, 24)
    """

    beers = HOUSE_BEERS

    def __init__(self, seed: int, *, cup: Cup | None = None, spectrometer: Spectrometer | None = None) -> None:
        check_whole(seed, "seed")
        self.seed = seed
        rng = self._rng(_BEERS)
        self.colour_ebc = house_colours(rng)
        self._shapes = rng.standard_normal((len(self.beers), BEER_SHAPE_SD.size)) * BEER_SHAPE_SD
        self.bench = Bench(cup or Cup(), spectrometer or Spectrometer())

    def _rng(self, stream: int, draw: int = 0) -> np.random.Generator:
        check_whole(draw, "draw")
        return np.random.default_rng([self.seed, stream, draw])

    def batches(self, n_batches: int, *, draw: int = 0, beers: Sequence[str] | None = None) -> Liquids:
        """Return new batches of each house beer, beer by beer.

        Parameters
        ----------
        n_batches : int
            Of each beer; they depart from it by 4.5 % of colour and smooth shapes of 1.4, 1.0 and 0.7 % (sd).
        draw : int, default 0
            Another number, other batches; the same, the same ones, whichever beers are asked for.
        beers : sequence of str, optional
            All twelve unless given.

        Returns
        -------
        Liquids
            `beer`, `batch`, `absorbance` and `colour_ebc` of each.

        Raises
        ------
        OptionError
            If the brewery has no such beer, or `n_batches` is not 1 or more.

        Examples
        --------
        >>> Brewery(seed=1).batches(2, beers=["Meadow Pils"]).batch
        ('MP-0-001', 'MP-0-002')
        """
        check_whole(n_batches, "n_batches", 1)
        wanted = self.beers if beers is None else beers
        strange = [name for name in wanted if name not in self.beers]
        if strange or not wanted:
            got = f"the brewery has no beer {strange[0]!r}" if strange else "no beer is named"
            raise OptionError(f"{got}; expected beers among {', '.join(self.beers)}")
        rng, n_beers = self._rng(_BATCHES, draw), len(self.beers)
        strength = BATCH_COLOUR_SD * rng.standard_normal((n_beers, n_batches))
        shape = BATCH_SHAPE_SD * rng.standard_normal((n_beers, n_batches, BATCH_SHAPE_SD.size))
        kept = np.array([self.beers.index(name) for name in wanted])
        row, initials = np.repeat(kept, n_batches), ["".join(re.findall(r"\b\w", beer)) for beer in self.beers]
        names = tuple(f"{initials[i]}-{draw}-{b + 1:03d}" for i in kept for b in range(n_batches))
        absorbance = absorbance_of(
            self.colour_ebc[row], self._shapes[row], strength=strength[kept].ravel(),
            batch_shape=shape[kept].reshape(row.size, -1),
        )  # fmt: skip
        return Liquids(tuple(self.beers[i] for i in row), names, absorbance)

    def foreign_batches(self, n: int, *, draw: int = 0, apart: float = 0.0) -> Liquids:
        """Return one batch each of `n` beers of nobody's, over the colour range of the house, shapes of their own.

        Parameters
        ----------
        n : int
        draw : int, default 0
            Another number, other beers.
        apart : float, default 0
            Least distance in colour from every house beer, as a share: each lies in a gap that is wide enough, or
            beyond the palest or the darkest by no more than a neighbour would.

        Returns
        -------
        Liquids

        Examples
        --------
        >>> Brewery(seed=1).foreign_batches(2).beer
        ('Foreign 0-001', 'Foreign 0-002')
        """
        rng, log_colour = self._rng(_FOREIGN, draw), np.log(self.colour_ebc)
        low, high = log_colour[0], log_colour[-1]
        if apart:
            lows, highs = _free_places(log_colour, np.log1p(apart))
            place = rng.integers(lows.size, size=n)
            low, high = lows[place], highs[place]
        colour = np.exp(rng.uniform(low, high, n))
        names = [f"{draw}-{i + 1:03d}" for i in range(n)]
        none = np.zeros((n, BEER_SHAPE_SD.size))
        shape = rng.standard_normal(none.shape) * np.hypot(BEER_SHAPE_SD, BATCH_SHAPE_SD)
        absorbance = absorbance_of(colour, shape, strength=none[:, 0], batch_shape=none)
        return Liquids(tuple(f"Foreign {name}" for name in names), tuple(f"F-{name}" for name in names), absorbance)

    def draw(
        self,
        n_batches: int,
        *,
        n_pours: int = 3,
        draw: int = 0,
        beers: Sequence[str] | None = None,
        conditions: PourConditions | Sequence[PourConditions] = PourConditions(),  # noqa: B008 - frozen
    ) -> SimulatedHouse:
        """Measure new batches of the house beers, one sample of `n_pours` pours each.

        Parameters
        ----------
        n_batches, n_pours : int
            Batches of each beer, and pours of each sample.
        draw, beers
            As in `batches`.
        conditions : PourConditions or one for each pour
            What goes wrong in every pour, or in the first, second, ... pour of every sample.

        Returns
        -------
        SimulatedHouse
            Tables `spectra`, `scans` and `batches`, and `true_colour`, which no lab knows.

        Examples
        --------
        >>> Brewery(seed=1).draw(2, beers=["Meadow Pils"]).batches["beer"].tolist()
        ['Meadow Pils', 'Meadow Pils']
        """
        liquids = self.batches(n_batches, draw=draw, beers=beers)
        return self._measured(liquids, n_pours, draw, conditions)

    def foreign(
        self,
        n: int,
        *,
        n_pours: int = 3,
        draw: int = 0,
        apart: float = 0.0,
        conditions: PourConditions | Sequence[PourConditions] = PourConditions(),  # noqa: B008 - frozen
    ) -> SimulatedHouse:
        """Measure one batch each of `n` beers that are none of the house's; see `foreign_batches` and `draw`.

        Parameters
        ----------
        n, n_pours, draw, apart, conditions
            As there.

        Returns
        -------
        SimulatedHouse

        Examples
        --------
        >>> Brewery(seed=1).foreign(2).scans["batch"].unique().tolist()  # measured in chance order
        ['F-0-002', 'F-0-001']
        """
        return self._measured(self.foreign_batches(n, draw=draw, apart=apart), n_pours, draw, conditions)

    def lab_colour(self, liquids: Liquids, *, draw: int = 0) -> Floats:
        """Return the colours that the lab finds: an error of 1.2 % and one of 0.1 EBC (sd).

        Parameters
        ----------
        liquids : Liquids
        draw : int, default 0
            Another number, other errors.

        Returns
        -------
        ndarray, shape (n,)
            In EBC.

        Examples
        --------
        >>> Brewery(seed=1).lab_colour(Brewery(seed=1).batches(2)).shape
        (24,)
        """
        error = self._rng(_LAB, draw).standard_normal((len(liquids.batch), 2))
        return np.round(liquids.colour_ebc * (1.0 + LAB_RELATIVE_SD * error[:, 0]) + LAB_SD_EBC * error[:, 1], 2)

    def scan(
        self,
        liquids: Liquids,
        conditions: Sequence[Sequence[PourConditions]],
        *,
        draw: int = 0,
        per_session: int | None = 5,
    ) -> RawScans:
        """Return raw scans of one sample a batch, with their dark, reference and control scans.

        Parameters
        ----------
        liquids : Liquids
        conditions : sequence of sequence of PourConditions
            For each batch, those of each of its pours.
        draw : int, default 0
        per_session : int or None, default 5
            Batches of a session, in chance order; None makes one session, in the order given.

        Returns
        -------
        RawScans

        Examples
        --------
        >>> pils = Brewery(seed=1).batches(1, beers=["Meadow Pils"])
        >>> Brewery(seed=1).scan(pils, [[PourConditions(foam=0.1)]]).table["role"].tolist()
        ['dark', 'reference', 'control', 'sample']
        """
        return self.bench.scan(liquids, conditions, rng=self._rng(_BENCH, draw), per_session=per_session, draw=draw)

    def _measured(
        self, liquids: Liquids, n_pours: int, draw: int, conditions: PourConditions | Sequence[PourConditions]
    ) -> SimulatedHouse:
        check_whole(n_pours, "n_pours", 1)
        pours = [conditions] * n_pours if isinstance(conditions, PourConditions) else list(conditions)
        if len(pours) != n_pours:
            raise ValueError(f"{len(pours)} conditions were given for {n_pours} pours; give one for each pour")
        raw = self.scan(liquids, [pours] * len(liquids.batch), draw=draw)
        spectra, scans = raw.reflectance()
        batches = batch_table(liquids, self.lab_colour(liquids, draw=draw), raw)
        true_colour = pd.Series(liquids.colour_ebc, batches.index, name="true_colour")
        return SimulatedHouse(spectra, scans, batches, true_colour, raw)


def write_brewery(
    folder: str | Path, *, seed: int = DEFAULT_SEED, n_batches: int = 10, n_pours: int = 3, draw: int = 0
) -> SimulatedHouse:
    """Write the measured folder of an invented brewery: raw scans of several months, `scans.csv`, `batches.csv`.

    Parameters
    ----------
    folder : path
        Must not exist, or be empty.
    seed : int
        With `draw`: the same numbers give the same bytes, on one version of NumPy and one kind of machine.
    n_batches, n_pours, draw : int
        As in `Brewery.draw`, of all twelve beers.

    Returns
    -------
    SimulatedHouse
        The same scans in memory, with the true colours that no file holds.

    Raises
    ------
    StorageError
        If the folder holds anything already.

    Examples
    --------
    >>> len(write_brewery("invented", n_batches=1).batches)
    12
    """
    house = Brewery(seed).draw(n_batches, n_pours=n_pours, draw=draw)
    write_measured_folder(folder, house.raw, house.batches)
    return house


def batch_table(liquids: Liquids, lab_colour: Floats, raw: RawScans) -> pd.DataFrame:
    """Return the batches table of what was scanned, its lab colours in EBC."""
    samples = raw.table[raw.table["role"] == "sample"].drop_duplicates("batch").set_index("batch")
    return pd.DataFrame(
        {
            "beer": list(liquids.beer),
            "colour": lab_colour,
            "colour_unit": "EBC",
            "colour_method": "transmission 430 nm, 1 cm",
            "lab": "invented lab",
            "packaged_on": samples.loc[list(liquids.batch), "measured_at"].str[:10].to_numpy(),
        },
        index=pd.Index(liquids.batch, name="batch"),
    )


def _free_places(log_colour: Floats, apart: float) -> tuple[Floats, Floats]:
    """Return ends of the stretches of log colour that keep their distance from every house beer."""
    beyond = np.log(1.35)
    low = np.concatenate([[log_colour[0] - beyond], log_colour + apart])
    high = np.concatenate([log_colour - apart, [log_colour[-1] + beyond]])
    wide_enough = high > low
    return low[wide_enough], high[wide_enough]


# A shift at the packaging line of the invented brewery: right claims, wrong ones, and scans that went wrong.
# What really was in each cup is known to this file alone; the judging sees the measured folder and nothing else.

AS_CLAIMED, OTHER_BEER, FOREIGN = "as claimed", "another beer of the house", "no beer of the house"
FOAMY, SATURATED = "as claimed; foam in one pour", "as claimed; one scan saturated"
# an eighth of the cup: a pale beer hides less than that, foam being hardly paler than the beer itself
FOAM_SHARE, LONG_EXPOSURE, FOREIGN_APART = 0.12, 5.0, 0.15

_GOOD = PourConditions()
_N_POURS = 3
# a dark beer sends back too little light to saturate anything; one of the paler half is scanned too long
_PALER = 6


@dataclass(frozen=True)
class Shift:
    """Raw scans of one shift, and what was really in the cups."""

    raw: RawScans  # dark, reference and control scans, then three pours of each sample; `beer` is the claim
    answers: pd.DataFrame  # index `sample`: `claimed`, `really`, `what`


def plan_shift(brewery: Brewery, *, draw: int = 1) -> Shift:
    """Run one shift: a new batch of every house beer and one foreign beer, in chance order."""
    # one goes under the name of a neighbour in colour, one has a foamy pour, one a scan that was exposed too long; the
    # foreign beer, 15 % or more from every house beer in colour, goes under the name of the nearest
    rng = np.random.default_rng([brewery.seed, draw, 2026])
    beers = list(brewery.beers)
    liquids, foreign = brewery.batches(1, draw=draw), brewery.foreign_batches(1, draw=draw, apart=FOREIGN_APART)
    turn = rng.permutation(len(beers)).tolist()
    wrong = turn.pop(0)
    saturated = next(i for i in turn if i < _PALER)
    turn.remove(saturated)
    foamy = turn[0]

    step = int(rng.choice([-1, 1]))
    neighbour = wrong + step if 0 <= wrong + step < len(beers) else wrong - step
    claims, what = list(beers), [AS_CLAIMED] * len(beers)
    claims[wrong], what[wrong] = beers[neighbour], OTHER_BEER
    what[foamy], what[saturated] = FOAMY, SATURATED
    nearest = int(np.abs(np.log(foreign.colour_ebc[0] / brewery.colour_ebc)).argmin())
    claims.append(beers[nearest])
    what.append(FOREIGN)

    order = rng.permutation(len(claims))
    lots = tuple(f"L{draw}-{turn + 1:02d}" for turn in range(order.size))
    cups = pd.DataFrame({"claimed": claims, "really": [*beers, "a foreign beer"], "what": what}).iloc[order]
    liquids = Liquids(tuple(cups["claimed"]), lots, np.vstack([liquids.absorbance, foreign.absorbance])[order])
    raw = brewery.scan(liquids, [_conditions(one, rng) for one in cups["what"]], draw=draw, per_session=None)
    answers = cups.assign(true_colour_ebc=liquids.colour_ebc.round(2))
    return Shift(raw, answers.set_axis(pd.Index([f"{lot}-S1" for lot in lots], name="sample")))


def write_shift(folder: str | Path, brewery: Brewery, *, draw: int = 1) -> pd.DataFrame:
    """Write the shift as a measured folder without lab colours, and return what was really in the cups.

    Parameters
    ----------
    folder : path
        Must not exist, or be empty.
    brewery : Brewery
    draw : int, default 1

    Returns
    -------
    DataFrame
        `Shift.answers`; no file in the folder holds it.

    Raises
    ------
    StorageError
        If the folder holds anything already.

    Examples
    --------
    >>> len(write_shift("shift", Brewery(seed=1)))
    13
    """
    shift = plan_shift(brewery, draw=draw)
    write_measured_folder(folder, shift.raw)
    return shift.answers


def _conditions(what: str, rng: np.random.Generator) -> Sequence[PourConditions]:
    pours = [_GOOD] * _N_POURS
    spoilt = int(rng.integers(_N_POURS))
    if what == FOAMY:
        pours[spoilt] = PourConditions(foam=FOAM_SHARE)
    elif what == SATURATED:
        pours[spoilt] = PourConditions(exposure=LONG_EXPOSURE)
    return pours
