"""What the retest rule of a line makes of runs of readings: at which reading a run is held, if it is."""

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.classification.class_model import ClassModel
from specmatch.maths.classification.sequential import SequentialRule


def held_at(
    fit: ClassModel, readings: Floats, retests: Floats, n_pours: int, rule: SequentialRule, claims: Ints | None = None
) -> Ints:
    """Return at which of its readings each run is held under each claim; the number of readings where at none."""
    # readings, retests (n_runs, n_readings, p): means of so many pours; the retest at a reading is of the same beer
    # claims (k,): codes of beers, all unless given -> (n_runs, k)
    n_runs, n, p = readings.shape
    beers = np.arange(len(fit.beer_means)) if claims is None else claims
    rate = rule.wrong_hold

    def p_values(rows: Floats, pours: Ints) -> Floats:
        return fit.match(rows, pours).p_value

    each = p_values(readings.reshape(-1, p), np.full(n_runs * n, n_pours)).reshape(n_runs, n, -1)
    held = np.full((n_runs, beers.size), n)
    for column, claim in enumerate(beers):
        departs, departures = each[:, :, claim] <= rate, np.zeros(n_runs, np.int64)
        total, count = np.zeros((n_runs, p)), np.zeros(n_runs, np.int64)
        for turn in range(n):
            total, count = total + readings[:, turn], count + 1
            at = np.flatnonzero(departs[:, turn] & (held[:, column] == n))
            departures[at] += 1
            last = departures[at] >= rule.most_departures
            held[at[last], column], at = turn, at[~last]
            if at.size == 0:
                continue
            total[at], count[at] = total[at] + retests[at, turn], count[at] + 1
            both = (readings[at, turn] + retests[at, turn]) / 2.0
            pours = np.concatenate([count[at] * n_pours, np.full(at.size, 2 * n_pours)])
            found = p_values(np.concatenate([total[at] / count[at][:, None], both]), pours)[:, claim]
            stands = (found[: at.size] <= rate) | (found[at.size :] <= rule.since_share * rate)
            held[at[stands], column] = turn
    return held
