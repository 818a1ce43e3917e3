"""Invented cellars: which batches there are, when they were brewed, and in which session and lab they were judged."""

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchmarks.houses.liquids import DAYS, standard_t

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST_DAY = datetime(2023, 1, 2, 8, 0, tzinfo=timezone(timedelta(hours=1)))
SCAN_SECONDS = 75


@dataclass(frozen=True)
class CellarSpec:
    """A year's work: batches a beer and pours a batch (least, most), batches a session, labs and their errors.

    `labs` holds a name and a relative bias each; the spread of a lab value of c is `lab_relative` c and `lab_ebc`.
    """

    batches: tuple[int, int] = (8, 8)
    pours: tuple[int, int] = (3, 3)
    session_batches: int = 8
    own_sessions: bool = False
    labs: tuple[tuple[str, float], ...] = (("lab A", 0.0),)
    lab_relative: float = 0.015
    lab_ebc: float = 0.1
    lab_tail_df: float = np.inf


@dataclass(frozen=True)
class Plan:
    """Batches in the order they were measured, and the batch of each pour; codes unless said."""

    beer: Ints
    day: Floats
    session: Ints
    lab: Ints
    pour_batch: Ints
    pour_number: Ints

    @property
    def sessions(self) -> int:
        """How many sessions there are."""
        return int(self.session.max()) + 1


def plan_year(
    cellar: CellarSpec,
    per_beer: Ints,
    rng: np.random.Generator,
    *,
    pours: int | None = None,
    lab: str | None = None,
    own_sessions: bool = False,
) -> Plan:
    """Return a year in which beer i is brewed `per_beer[i]` times, in sessions that mix beers or hold one each."""
    beer = np.repeat(np.arange(per_beer.size), per_beer)
    n = beer.size
    day = np.floor(rng.uniform(0.0, DAYS, n))
    names = [name for name, _ in cellar.labs]
    if lab is not None and lab not in names:
        raise ValueError(f"lab: got {lab!r}, expected one of {', '.join(names)}")
    judged = rng.integers(0, len(names), n) if lab is None else np.full(n, names.index(lab))
    if own_sessions:
        order = np.lexsort((day, beer))
        session = beer[order]
    else:
        order = np.argsort(day, kind="stable")
        session = np.arange(n) // cellar.session_batches
    n_pours = rng.integers(cellar.pours[0], cellar.pours[1] + 1, n) if pours is None else np.full(n, pours)
    first = np.cumsum(n_pours) - n_pours
    pour_batch = np.repeat(np.arange(n), n_pours)
    return Plan(
        beer[order], day[order], session, judged[order], pour_batch, np.arange(pour_batch.size) - first[pour_batch]
    )


def lab_values(cellar: CellarSpec, lab: Ints, colour: Floats, rng: np.random.Generator) -> pd.DataFrame:
    """Return what the labs say of true colours in EBC: `colour`, `colour_unit`, `colour_sd`, `lab`."""
    bias = np.array([value for _, value in cellar.labs])[lab]
    error = standard_t(cellar.lab_tail_df, (2, colour.size), rng)
    said = colour * (1.0 + bias) * (1.0 + cellar.lab_relative * error[0]) + cellar.lab_ebc * error[1]
    return pd.DataFrame(
        {
            "colour": np.round(np.maximum(said, 0.1), 2),
            "colour_unit": "EBC",
            "colour_sd": np.round(np.hypot(cellar.lab_relative * colour, cellar.lab_ebc), 3),
            "lab": np.array([name for name, _ in cellar.labs])[lab],
        }
    )


def clock(plan: Plan, draw: int) -> tuple[list[datetime], list[datetime]]:
    """Return when each session began and when each pour was scanned; draw k is the year after draw k - 1."""
    starts = []
    for session in range(plan.sessions):
        last = plan.day[plan.session == session].max(initial=0.0)
        # a session follows the last of its batches; minutes keep two sessions of one day apart
        starts.append(FIRST_DAY + timedelta(days=float(last) + draw * DAYS, minutes=session % 60))
    of_pour = plan.session[plan.pour_batch]
    within = np.arange(of_pour.size) - np.searchsorted(of_pour, of_pour)
    return starts, [
        starts[s] + timedelta(seconds=120 + SCAN_SECONDS * int(k)) for s, k in zip(of_pour, within, strict=True)
    ]
