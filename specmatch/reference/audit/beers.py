"""Findings about beers over time and as groups: a recipe that changed, two beers under one name."""

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.classification.left_out import JudgedBatches
from specmatch.reference.audit.finding import Finding, found, told
from specmatch.reference.tables.pours import Pours

# Two beers lie so far apart, in units of the scatter of the other beers about theirs.
LEAST_APART = 7.0
DAYS_OF_A_YEAR = 365.25
# A season that beers share is taken out where chance would bring as much of one so seldom.
SEASON_P = 0.01
# A change is looked for with so many batches on either side; fewer say nothing about a level.
FEWEST_ON_A_SIDE = 3
FEWEST_FOR_CHANGE, FEWEST_FOR_CLUSTERS = 8, 8
# Degrees of freedom lent to each beer's own scatter by the others: beers do differ, but not by much.
LENT_DOF = 40
N_SIMULATED = 4000


def beer_findings(
    pours: Pours, scored: JudgedBatches, level: Floats, dates: NDArray[np.str_], what: str
) -> Iterator[Finding]:
    """Yield `recipe_change` for beers whose level moved at a date, and `two_clusters` for beers that fall in two."""
    # level (n_batches,), dates (n_batches,), what: the name of what the lab measures
    # level: logarithm of the colour that the spectra tell, or of strength where there are no lab colours to learn it
    # from
    members = [np.flatnonzero((scored.beer == beer) & scored.core) for beer in range(len(pours.beer_names))]
    turn = _turn_of_the_year(dates)
    steps = []
    for beer, rows in enumerate(members):
        dated = rows[dates[rows] != ""]
        others = [own[dates[own] != ""] for place, own in enumerate(members) if place != beer]
        steady = level - _season(level, others, turn)
        usual = _usual_variance([steady[own] for own in others])
        if dated.size >= FEWEST_FOR_CHANGE and usual > 0:
            in_time = dated[np.argsort(dates[dated], kind="stable")]
            steps.append(_change(pours, beer, in_time, steady[in_time], dates[in_time], usual, what))
    changes = told(steps)
    changed = {finding.subject for finding in changes}
    yield from changes
    yield from told(
        _clusters(pours, beer, rows, scored.among_others(beer))
        for beer, rows in enumerate(members)
        if rows.size >= FEWEST_FOR_CLUSTERS and pours.beer_names[beer] not in changed
    )


def _usual_variance(others: list[Floats]) -> float:
    """Return the variance within the other beers of the set, on all their degrees of freedom."""
    others = [level for level in others if level.size > 1]
    free = sum(level.size - 1 for level in others)
    return float(sum(((level - level.mean()) ** 2).sum() for level in others) / free) if free else 0.0


def _turn_of_the_year(dates: NDArray[np.str_]) -> Floats:
    """Return cosine and sine of the day of the year of each date, shape (n, 2); zeros where it is not known."""
    day = np.array([date[:10] or "NaT" for date in dates], dtype="datetime64[D]")
    turn = 2.0 * np.pi * (day - np.datetime64("2000-01-01")) / np.timedelta64(1, "D") / DAYS_OF_A_YEAR
    return np.nan_to_num(np.stack([np.cos(turn), np.sin(turn)], axis=1))


def _season(level: Floats, beers: list[Ints], turn: Floats) -> Floats:
    """Return the wave of the year that beers go through together, at each batch; zeros where they show none."""
    # level (n_batches,), beers: batches of each, turn (n_batches, 2)
    beers = [rows for rows in beers if rows.size > 1]
    none, free = np.zeros(level.size), sum(rows.size - 1 for rows in beers) - 2
    if free < FEWEST_FOR_CHANGE:
        return none
    y = np.concatenate([level[rows] - level[rows].mean() for rows in beers])
    x = np.concatenate([turn[rows] - turn[rows].mean(axis=0) for rows in beers])
    wave = np.linalg.lstsq(x, y, rcond=None)[0]
    left = float(((y - x @ wave) ** 2).sum())
    explained = max(float(y @ y) - left, 0.0)
    shown = left > 0 and fdtrc(2, free, explained / 2.0 / (left / free)) < SEASON_P
    return np.asarray(turn @ wave) if shown else none


def _change(
    pours: Pours, beer: int, in_time: Ints, level: Floats, dates: NDArray[np.str_], usual: float, what: str
) -> tuple[Finding, float]:
    """Return the largest step of a beer in time, and how often chance makes as large a one."""
    # in_time (n,): batches in the order of their dates (n,)
    days = np.array([date[:10] for date in dates])
    # what was measured on one day tells no order in which it was brewed
    place, statistic = _largest_step(level[None, :], usual, days[1:] == days[:-1])
    k = int(place[0])
    step = float(level[k:].mean() - level[:k].mean())
    name, since = pours.beer_names[beer], pours.batch_names[in_time[k]]
    change = float(np.expm1(step))
    finding = found(
        "recipe", name, abs(change), since, beer=name, step=change, what=what, since=since, day=dates[k],
        n_after=level.size - k, n_before=k, t=statistic[0],
    )  # fmt: skip
    return finding, _share_beyond(_steps_by_chance(level.size), float(statistic[0]))


def _largest_step(levels: Floats, usual: float, together: Mask | None = None) -> tuple[Ints, Floats]:
    """Return where each row of levels, (m, n), steps most, and the step over its error."""
    # together (n - 1,): neighbours of which neither is the earlier
    n = levels.shape[1]
    splits = np.arange(FEWEST_ON_A_SIDE, n - FEWEST_ON_A_SIDE + 1)
    sums = np.cumsum(levels, axis=1)
    before = sums[:, splits - 1] / splits
    after = (sums[:, [-1]] - sums[:, splits - 1]) / (n - splits)
    squares = (levels**2).sum(axis=1, keepdims=True) - splits * before**2 - (n - splits) * after**2
    variance = (LENT_DOF * usual + squares) / (LENT_DOF + n - 2)
    statistic = np.abs(after - before) / np.sqrt(variance * (1.0 / splits + 1.0 / (n - splits)))
    if together is not None:
        statistic = np.where(together[splits - 1], 0.0, statistic)
    best = statistic.argmax(axis=1)
    return splits[best], statistic[np.arange(len(levels)), best]


@lru_cache(maxsize=256)
def _steps_by_chance(n: int) -> Floats:
    """Return the largest steps of batches in chance order, ascending, by simulation (the same every time)."""
    rng = np.random.default_rng(n)
    return np.sort(_largest_step(rng.standard_normal((N_SIMULATED, n)), 1.0)[1])


def _share_beyond(by_chance: Floats, statistic: float) -> float:
    """Return how often chance brings as much."""
    return 1.0 - float(np.searchsorted(by_chance, statistic)) / by_chance.size


def _clusters(pours: Pours, beer: int, rows: Ints, points: Floats) -> tuple[Finding, float]:
    """Return the best split of a beer in two, and how often one group splits as well."""
    side, share = _best_split(points)
    apart = float(np.linalg.norm(points[side].mean(axis=0) - points[~side].mean(axis=0)))
    # one long axis splits more easily than many even ones; which it is is not known
    chance = max(_share_beyond(_splits_by_chance(rows.size, n_axes), share) for n_axes in (1, points.shape[1]))
    smaller = rows[side == (side.mean() < 0.5)]
    name, listed = pours.beer_names[beer], ", ".join(pours.batch_names[row] for row in smaller[:5])
    finding = found(
        "two groups", name, share, listed, beer=name, n_apart=smaller.size, n=rows.size, listed=listed, share=share
    )
    return finding, 1.0 if apart < LEAST_APART else chance


def _best_split(points: Floats) -> tuple[Mask, float]:
    """Split points in two where most scatter along their main axis goes; return sides and the share that goes."""
    # of the scatter along that axis alone, so that one long axis is not taken for two groups
    about = points - points.mean(axis=0)
    along = about @ np.linalg.svd(about, full_matrices=False)[2][0]
    order = np.argsort(along, kind="stable")
    sums = np.cumsum(along[order])[1:-2]
    sizes = np.arange(2, len(points) - 1)
    # between-group sum of squares of each split; the total of centred points is zero
    between = sums**2 * (1.0 / sizes + 1.0 / (len(points) - sizes))
    best = int(between.argmax())
    side = np.zeros(len(points), dtype=bool)
    side[order[: sizes[best]]] = True
    return side, float(between[best] / max(float(along @ along), 1e-300))


@lru_cache(maxsize=256)
def _splits_by_chance(n: int, n_axes: int) -> Floats:
    """Return the shares that splits of one group take away, ascending, by simulation (the same every time)."""
    rng = np.random.default_rng([n, n_axes])
    return np.sort([_best_split(points)[1] for points in rng.standard_normal((N_SIMULATED // 4, n, n_axes))])
