"""One rule for a lamp that jumps: within a folder, and over the folders of a year."""

import numpy as np

from specmatch.array_types import Floats

# a lamp varies by about 1 % from one reference to the next; five times that is a lamp, a base or a cup that changed
DRIFT_SHARE = 0.05
# references before this one that it is held against
PREDECESSORS = 5


def jumps(level: Floats) -> dict[int, float]:
    """Find levels that are off those before them.

    Parameters
    ----------
    level : ndarray, shape (n,)
        Light of references that carry any, in the order of time.

    Returns
    -------
    dict of int to float
        Place -> change against the median of up to `PREDECESSORS` before it, where that is more than `DRIFT_SHARE`.

    Examples
    --------
    >>> {place: round(change, 2) for place, change in jumps(np.array([1.0, 0.99, 0.8, 0.98])).items()}
    {2: -0.2}
    """
    found = {}
    for place in range(1, len(level)):
        change = float(level[place] / np.median(level[max(0, place - PREDECESSORS) : place]) - 1.0)
        if abs(change) > DRIFT_SHARE:
            found[place] = change
    return found
