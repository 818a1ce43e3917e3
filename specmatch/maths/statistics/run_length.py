"""How far the limits of running tests must lie for a steady chart to run as long as wanted before it is called out."""

import numpy as np

# in the running tests a value counts for so many standard deviations at most
FARTHEST_SD = 4.0
# Values of a baseline, points that half of the steady charts last, and the factor on the limits of 3 and 5 standard
# deviations that this takes: by simulation of 4,000 charts, rounded to two digits. A test computes some anew.
BASELINES = (2, 3, 5, 10, 20, 50, 150, 500)
LENGTHS = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
FACTORS = (
    (0.72, 1.13, 1.38, 1.56, 1.71, 1.83),
    (0.60, 0.96, 1.24, 1.41, 1.57, 1.68),
    (0.49, 0.82, 1.07, 1.23, 1.39, 1.50),
    (0.42, 0.69, 0.96, 1.12, 1.26, 1.38),
    (0.39, 0.62, 0.86, 1.02, 1.17, 1.29),
    (0.36, 0.57, 0.80, 0.97, 1.12, 1.24),
    (0.35, 0.55, 0.77, 0.93, 1.08, 1.19),
    (0.35, 0.54, 0.75, 0.91, 1.06, 1.17),
)


def limit_factor(n_baseline: int, points: float) -> float:
    """Return the factor for a baseline of so many values and so many points that half of the steady charts last."""
    table = np.array(FACTORS)
    x = float(np.clip(np.log(points), np.log(LENGTHS[0]), np.log(LENGTHS[-1])))
    by_length = [float(np.interp(x, np.log(LENGTHS), row)) for row in table]
    # limits depend on a baseline through 1/n, and more so the fewer there are
    return float(np.interp(-1.0 / max(n_baseline, BASELINES[0]), [-1.0 / n for n in BASELINES], by_length))
