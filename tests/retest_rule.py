"""The retest rule of the line, followed reading by reading through its own decisions: an oracle for simulated runs."""

import numpy as np

from specmatch.line.rules.run_rule import HELD, OPEN, Judged, Pooled, Run, judge_in_run
from specmatch.warning_codes import CONSISTENT, HOLD


def held_by_the_line(fit, readings, retests, n_pours, rate, claim):
    """Return at which reading the line holds one run, its length where it never does; (n_readings, p) each."""
    run, kept = Run(), []

    def judged(p, n):
        decision = HOLD if p <= rate else CONSISTENT
        return Judged({"n_pours": n, "warnings": []}, decision, "", "", (), p <= rate, {})

    def p_of(rows, n):
        return float(fit.match(np.mean(rows, axis=0)[None], np.array([n])).p_value[0, claim])

    for turn, reading in enumerate(readings):
        kept.append(reading)
        one = judge_in_run(run, judged(p_of([reading], n_pours), n_pours), None, control=None)
        if one.run_state == HELD:
            return turn
        if one.run_state != OPEN:
            continue
        opened = Run(OPEN, first=turn, departures=run.departures + 1)
        kept.append(retests[turn])
        since = [reading, retests[turn]]
        n_all = n_pours * len(kept)
        pooled = Pooled(judged(p_of(kept, n_all), n_all), p_of(since, 2 * n_pours), 2 * n_pours, rate)
        two = judge_in_run(opened, judged(p_of([retests[turn]], n_pours), n_pours), pooled, control=None)
        if two.run_state == HELD:
            return turn
        run = Run(departures=opened.departures)
    return len(readings)
