"""A shift at the packaging line of the invented brewery: right claims, wrong ones, and scans that went wrong.

What really was in each cup is known to this file alone; the judging sees the measured folder and nothing else.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.demo.beers import Liquids
from specmatch.demo.brewery import Brewery
from specmatch.demo.scan_files import write_measured_folder
from specmatch.demo.scanning import PourConditions, RawScans

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
    """Run one shift: a new batch of every house beer and one foreign beer, in chance order.

    Among the house beers one goes under the name of a neighbour in colour, one has a foamy pour, one a scan that was
    exposed too long. The foreign beer differs by 15 % or more in colour from every house beer and goes under the name
    of the nearest.
    """
    rng = np.random.default_rng([brewery.seed, draw, 2026])
    beers = list(brewery.beers)
    liquids, foreign = brewery.batches(1, draw=draw), brewery.foreign_batches(1, draw=draw, apart=FOREIGN_APART)
    turn = [int(i) for i in rng.permutation(len(beers))]
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

    order = [int(i) for i in rng.permutation(len(claims))]
    lots = tuple(f"L{draw}-{turn + 1:02d}" for turn in range(len(order)))
    absorbance = np.vstack([liquids.absorbance, foreign.absorbance])[order]
    claimed = tuple(claims[i] for i in order)
    conditions = [_conditions(what[i], rng) for i in order]
    raw = brewery.scan(Liquids(claimed, lots, absorbance), conditions, draw=draw, per_session=None)
    answers = pd.DataFrame(
        {
            "claimed": claimed,
            "really": [[*beers, "a foreign beer"][i] for i in order],
            "what": [what[i] for i in order],
            "true_colour_ebc": Liquids(claimed, lots, absorbance).colour_ebc.round(2),
        },
        index=pd.Index([f"{lot}-S1" for lot in lots], name="sample"),
    )
    return Shift(raw, answers)


def write_shift(folder: str | Path, brewery: Brewery, *, draw: int = 1) -> pd.DataFrame:
    """Write the shift as a measured folder without lab colours, and return what was really in the cups.

    Parameters
    ----------
    folder : path
        Must not exist, or be empty.
    brewery : Brewery
    draw : int

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
    >>> answers = write_shift("shift", Brewery(seed=1))
    >>> len(answers), sm.measure("shift").spectra.shape[0]
    (13, 39)
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
