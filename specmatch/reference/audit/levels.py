"""The levels of an audit: how sure it is of a finding, however many subjects it looks at.

An audit makes hundreds of tests of a few kinds: of pours, labels, lab values, sessions, and of beers for a step and for
two groups. Of each kind it tells what a false-discovery rule lets through (Benjamini, Hochberg, J. R. Stat. Soc. B
57:289, 1995): where nothing is off, one set in so many brings any, and where much is, few of what is told are false.
"""

from collections.abc import Iterable

import numpy as np

from specmatch.array_types import Floats
from specmatch.reference.audit.finding import Finding

# Share of clean sets in which chance may bring a finding of one kind.
FALSE_RATE = 0.05


def told_up_to(p_value: Floats, n: int) -> float:
    """Return up to which p-value subjects are told, of the `n` that were tested."""
    # p_value (m,): of those that could be told at all
    ordered = np.sort(p_value)
    passed = np.flatnonzero(ordered <= FALSE_RATE * np.arange(1, ordered.size + 1) / max(n, 1))
    return FALSE_RATE * (float(passed[-1]) + 1.0 if passed.size else 1.0) / max(n, 1)


def told(tested: Iterable[tuple[Finding, float]]) -> list[Finding]:
    """Return which findings to tell, of one for each test, with its p-value."""
    tested = list(tested)
    limit = told_up_to(np.array([p_value for _, p_value in tested]), len(tested))
    return [finding for finding, p_value in tested if p_value <= limit]
