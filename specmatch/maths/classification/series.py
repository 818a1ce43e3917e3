"""Samples over a changeover read together: what they share says nothing, and the part of the old beer only falls.

All packages after a changeover are of one batch, so the scatter between batches, which rules what one sample can show,
is common to them: the last ones stand for the new batch, and only pours tell the others from them.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.classification.blends import (
    FRACTIONS,
    LEVEL,
    BlendPath,
    Scatter,
    estimate_blends,
    likelihood,
    smallest_visible,
)

# samples at the end that must stand for the new beer, and the fewest that make a series
FEWEST_LAST, FEWEST = 3, 5
# what the last samples hold is no new batch only where one in a hundred of those would lie as far out, not one in 20
SURE = float(ndtri(0.99) / ndtri(LEVEL)) ** 2
# least variance of a pour in units of the scatter of batches: an axis without any would own the answer
LEAST_POURS = 0.01


@dataclass(frozen=True)
class SeriesReading:
    """A series of samples over a changeover."""

    fractions: Floats  # (n,): part of the other liquid, never rising, over what the last samples hold
    first: int | None  # from which sample on no more than the smallest visible part is in; None where none is found
    smallest_visible: float
    left: float  # least part of the other liquid that the last samples hold by the set's own batches; 0 where none
    settled: bool  # whether enough samples stand at the end that no longer fall


def falling(values: Floats) -> Floats:
    """Return the least-squares fit that never rises, by pooling neighbours that do.

    M. Ayer et al., Annals of Mathematical Statistics 26:641-647, 1955.
    """
    blocks: list[tuple[float, int]] = []
    for value in values.tolist():
        mean, size = value, 1
        while blocks and blocks[-1][0] < mean:
            before, n = blocks.pop()
            mean, size = (mean * size + before * n) / (size + n), size + n
        blocks.append((mean, size))
    return np.repeat([mean for mean, _ in blocks], [size for _, size in blocks])


def read_series(path: BlendPath, scores: Floats, n_pours: Ints, *, pours_known: bool) -> SeriesReading:
    """Read samples in the order taken."""
    # scores (n, a), n_pours (n,); pours_known: whether the set has several pours of a sample to learn their scatter
    n, m = len(scores), float(np.median(n_pours))
    start = n - max(FEWEST_LAST, n // 4)
    fractions, visible, first = np.empty(0), 1.0, None
    for _ in range(2):
        moved, scatter = _from_last(path, scores[start:], m, pours_known)
        best = FRACTIONS[likelihood(moved, scores, scatter).log.argmax(axis=1)]
        visible = smallest_visible(moved, scatter, float(ndtri((1.0 + LEVEL) / 2.0) ** 2))
        fractions = falling(best)
        under = np.flatnonzero(fractions <= visible)
        first = int(under[0]) if under.size else None
        if first is None or n - first - 1 < FEWEST_LAST:
            break
        start = first + 1
    settled = first is not None and n - first >= FEWEST_LAST
    last, of = scores[start:].mean(axis=0)[None, :], np.array([int(m * (n - start))])
    whole = estimate_blends(path.wider(SURE), last, of)[0]
    return SeriesReading(fractions, first if settled and whole.low <= 0.0 else None, visible, whole.low, settled)


def _from_last(path: BlendPath, last: Floats, m: float, pours_known: bool) -> tuple[BlendPath, Scatter]:
    """Return the path from the mean of the last samples on, and the scatter of a sample about it."""
    base = (1.0 - FRACTIONS)[:, None]
    moved = replace(path, scores=path.scores + base * (last.mean(axis=0) - path.scores[0]))
    if not pours_known:
        return moved, path.scatter(m)
    pour = np.maximum(path.pours, LEAST_POURS) / m
    return moved, Scatter.of((pour * (1.0 + base**2 / len(last)))[:, :, None] * np.eye(pour.shape[1]))
