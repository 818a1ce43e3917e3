"""What the whole rule of a line comes to: false holds a week, and the chance that a wrong beer is held."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np

from specmatch.array_types import Floats, Ints, Mask, check_share, check_whole
from specmatch.batches import batch_folds, must_be
from specmatch.house.fitting.pours import SetPours, gather_set
from specmatch.long_jobs import each_of, one_thread
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.classification.evidence import SequentialRule, held_at
from specmatch.maths.spectra.transforms import LEAST_REFLECTANCE
from specmatch.maths.statistics.levels import binomial_bounds

if TYPE_CHECKING:
    from specmatch.reference.reference_set import ReferenceSet


# four changeovers a day, every day, and a reading every half hour between them
RUNS_A_WEEK, READINGS_A_RUN = 28, 12
# runs simulated of each held-out batch: its own scatter between pours is small beside that between batches
RUNS_OF_A_BATCH = 10


@dataclass(frozen=True)
class RunRisks:
    """Rates of the whole rule (first departure, retest, hold), each with 95 % bounds over batches."""

    false_reject_rate: float  # the setting
    runs_a_week: int  # runs_a_week, readings_a_run: of one line
    readings_a_run: int
    false_hold: float  # false_hold, false_hold_low, false_hold_high: share of right runs that end in a hold
    false_hold_low: float
    false_hold_high: float
    false_holds_a_week: float  # false_holds_a_week, false_holds_a_week_low, false_holds_a_week_high: of one line
    false_holds_a_week_low: float
    false_holds_a_week_high: float
    # wrong_held, wrong_held_low, wrong_held_high: share of mix-ups between two beers of the house that end in a hold,
    # every ordered pair alike
    wrong_held: float
    wrong_held_low: float
    wrong_held_high: float
    weakest_pair: str  # the mix-up that is missed most often
    weakest_held: float  # how often it is held
    n_batches: int


@one_thread()
def run_risks(
    refs: ReferenceSet,
    *,
    false_reject_rate: float,
    runs_a_week: int = RUNS_A_WEEK,
    readings_a_run: int = READINGS_A_RUN,
    n_folds: int = 10,
    n_runs: int = RUNS_OF_A_BATCH,
    seed: int = 0,
    n_jobs: int | None = None,
) -> RunRisks:
    """State what the whole rule of a line comes to, on this house's own batches, held out.

    Parameters
    ----------
    refs : ReferenceSet
        With two pours or more of its samples.
    false_reject_rate : float
        At which a reading departs, in (0, 1).
    runs_a_week : int, default 28
        Of one line.
    readings_a_run : int, default 12
        Readings from one changeover to the next.
    n_folds : int, default 10
        The batches are dealt into folds as `evaluate` deals them.
    n_runs : int, default 10
        Simulated runs of each batch.
    seed : int, default 0
        Of the folds and of the runs.
    n_jobs : int, optional
        Processes, as joblib counts them; one by default.

    Returns
    -------
    RunRisks
        `false_hold`, `false_holds_a_week` and `wrong_held` with their bounds, `weakest_pair` and how often it is held.

    Raises
    ------
    OptionError
        If a number or the rate is outside its range.

    Notes
    -----
    Each held-out batch is taken through runs of a line: readings are its spectrum with the scatter between pours that
    the set shows, drawn anew; departures, retests and holds follow `SequentialRule`. The batch is the unit, so the
    bounds are exact ones (Clopper-Pearson) for as many batches, not runs. The pours of the batch itself are counted in
    its spectrum, which makes the figure a little too large, not too small.

    Examples
    --------
    >>> risks = run_risks(refs, false_reject_rate=0.01, n_folds=3, n_runs=2)
    >>> risks.false_hold, round(risks.false_hold_high, 2), risks.wrong_held  # 18 batches: up to 19 % cannot be denied
    (0.0, 0.19, 1.0)
    """
    must_be("set", refs)
    for name, number in (("runs_a_week", runs_a_week), ("readings_a_run", readings_a_run), ("n_runs", n_runs)):
        check_whole(number, name, 1)
    check_share(false_reject_rate, "false_reject_rate")
    pours = gather_set(refs)
    levels, batch_of_pour, beer_of_pour = pours.levels, pours.levels.codes("batch"), pours.levels.codes("beer")
    names = [str(name) for name in pours.batches]
    folds = batch_folds(names, n_folds, seed=seed, strata=[pours.beers[code] for code in levels.beer])
    log_r = np.log(np.maximum(pours.reflectance, LEAST_REFLECTANCE))
    means, counts = levels.mean(log_r, to="sample"), levels.counts("sample")
    several = counts[levels.sample] > 1
    # of m pours about their own mean, m - 1 are free
    size = counts[levels.sample][several]
    residual = levels.about_sample(log_r)[several] * np.sqrt(size / (size - 1.0))[:, None]
    beer_of_residual = beer_of_pour[several]
    n_pours = int(np.median(counts))
    rng = np.random.default_rng(seed)
    rule = SequentialRule(false_reject_rate)
    held = np.full((len(names), len(pours.beers)), np.nan)
    parts = [folds[batch_of_pour] != fold for fold in range(int(folds.max()) + 1)]
    fits = each_of(_identity_of, ((pours, kept, false_reject_rate) for kept in parts), n_jobs)
    for fold, (kept, fit) in enumerate(zip(parts, fits, strict=True)):
        known = np.unique(beer_of_pour[kept])
        for batch in np.flatnonzero(folds == fold):
            sample = levels.sample[batch_of_pour == batch][0]
            # what a pour does to a pale beer says nothing of a dark one
            of_beer = residual[beer_of_residual == levels.beer[batch]]
            if of_beer.size == 0:
                continue
            share = held_share(fit, means[sample], of_beer, n_pours, (n_runs, readings_a_run), rule, rng)
            held[batch, known] = share
    return _summed(held, levels.beer, pours.beers, false_reject_rate, runs_a_week, readings_a_run)


@one_thread()  # here as well, wherever the fold is fitted
def _identity_of(pours: SetPours, kept: Mask, false_reject_rate: float) -> ClassModel:
    own = pours.part(kept)
    return own.identity(false_reject_rate, own.shared_noise())


def held_share(
    fit: ClassModel, log_mean: Floats, residual: Floats, n_pours: int, size: tuple[int, int], rule: SequentialRule,
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    """Take a batch through runs under every claim and return the share of runs held."""
    # log_mean (p,), residual (n, p) -> (n_beers,)
    n_runs, n_readings = size
    drawn = rng.integers(len(residual), size=(n_runs, 2, n_readings, n_pours))
    readings = np.exp(log_mean) * np.exp(residual)[drawn].mean(axis=3)
    held = held_at(fit, readings[:, 0], readings[:, 1], n_pours, rule)
    return np.asarray((held < n_readings).mean(axis=0))


def _summed(
    held: Floats, beer_of_batch: Ints, beers: tuple[str, ...], rate: float, runs_a_week: int, readings_a_run: int
) -> RunRisks:
    own = held[np.arange(len(held)), beer_of_batch]
    own = own[np.isfinite(own)]
    share = float(own.mean()) if own.size else float("nan")
    low, high = (float(bound) for bound in binomial_bounds(own.sum(), own.size))
    of_pair = {}
    for claimed, really in permutations(range(len(beers)), 2):
        values = held[beer_of_batch == really, claimed]
        values = values[np.isfinite(values)]
        if values.size:
            of_pair[claimed, really] = float(values.mean())
    wrong = float(np.mean(list(of_pair.values()))) if of_pair else float("nan")
    # all claims of one batch stand or fall together: batches count, not pairs
    wrong_low, wrong_high = (float(bound) for bound in binomial_bounds(wrong * own.size, own.size))
    weakest = min(of_pair, key=lambda pair: of_pair[pair]) if of_pair else None
    return RunRisks(
        false_reject_rate=rate,
        runs_a_week=runs_a_week,
        readings_a_run=readings_a_run,
        false_hold=share,
        false_hold_low=low,
        false_hold_high=high,
        false_holds_a_week=runs_a_week * share,
        false_holds_a_week_low=runs_a_week * low,
        false_holds_a_week_high=runs_a_week * high,
        wrong_held=wrong,
        wrong_held_low=wrong_low,
        wrong_held_high=wrong_high,
        weakest_pair=f"{beers[weakest[1]]} under the name {beers[weakest[0]]}" if weakest else "",
        weakest_held=of_pair[weakest] if weakest else float("nan"),
        n_batches=int(own.size),
    )
