"""Lab colours that can teach, and the samples that a reading is held against."""

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.errors import TableError, TooFewBatchesError

FEWEST_BATCHES = 3

# Reproducibility limit R95 over the value: 1.12-1.44 EBC at 4.7-5.2 EBC and 2.25 at 8.9, in a trial of 21 laboratories
# (Angelino, Monatsschrift fuer Brauwissenschaft 53(3/4):54-55, 2000; boiled wort).
REPRODUCIBILITY = 0.25

# Beyond so many pours a further one makes no difference to a colour, and a sample of a hundred would make ten thousand.
MOST_POURS = 8


def check_colours(colour: Floats, batch: Ints) -> None:
    """Refuse lab colours from which nothing can be learnt.

    Parameters
    ----------
    colour : ndarray, shape (n,)
    batch : ndarray of int, shape (n,)
        Position of each row's batch, 0 .. K-1.

    Raises
    ------
    TooFewBatchesError
        With fewer than three batches.
    TableError
        If a colour is not above 0, all are the same, or those of one batch differ beyond reproducibility.

    Examples
    --------
    >>> check_colours(np.array([5.0, 10.0, 20.0]), np.arange(3))
    """
    n_batches = int(batch.max()) + 1 if batch.size else 0
    if n_batches < FEWEST_BATCHES:
        raise TooFewBatchesError(
            f"{n_batches} batches with a lab colour; a colour regression needs {FEWEST_BATCHES} or more"
        )
    if not np.all(colour > 0):
        worst = float(colour[~(colour > 0)][0])
        raise TableError(f"a lab colour is {worst:g}; colours are above 0: check the sheet, and the blank of the lab")
    if np.ptp(colour) <= 1e-9 * np.max(colour):
        raise TableError(f"every lab colour is {colour[0]:g}; a colour regression needs batches of different colours")
    for code in range(n_batches):
        own = colour[batch == code]
        if np.ptp(own) > REPRODUCIBILITY * own.mean():
            raise TableError(
                f"lab colours of one batch run from {own.min():g} to {own.max():g}; two labs differ by more than "
                f"{REPRODUCIBILITY:.0%} once in twenty times: find the wrong value, or split the batch"
            )


def pour_subsets(reflectance: Floats, sample: Ints) -> tuple[Floats, Ints, Ints]:
    """Return mean spectra of fewer pours of each sample, as a reading of so many pours would see it.

    Parameters
    ----------
    reflectance : ndarray, shape (n_pours, p)
    sample : ndarray of int, shape (n_pours,)
        Codes 0 .. S-1.

    Returns
    -------
    rows : ndarray, shape (m, p)
    sample : ndarray of int, shape (m,)
    n_pours : ndarray of int, shape (m,)
        For every number from 1 to the largest of any sample, at most `MOST_POURS`; a sample that has fewer stands with
        all it has.

    Examples
    --------
    >>> rows, sample, n_pours = pour_subsets(np.array([[1.0], [3.0], [8.0]]), np.array([0, 0, 1]))
    >>> rows[:, 0].tolist(), sample.tolist(), n_pours.tolist()
    ([1.0, 3.0, 8.0, 2.0, 8.0], [0, 0, 1, 0, 1], [1, 1, 1, 2, 2])
    """
    order = np.argsort(sample, kind="stable")
    counts = np.bincount(sample)
    first = np.cumsum(counts) - counts
    place = np.arange(order.size) - np.repeat(first, counts)
    size, start, code = (np.repeat(each, counts) for each in (counts, first, np.arange(counts.size)))
    rows, owner, pours = [], [], []
    for m in range(1, min(int(counts.max()), MOST_POURS) + 1):
        # neighbours in a ring: every pour counts alike, and there are as many subsets as pours
        taken = (size > m) | (place == 0)
        k = np.minimum(m, size[taken])
        total = np.zeros((k.size, reflectance.shape[1]))
        for step in range(m):
            some = step < k
            total[some] += reflectance[order[(start + (place + step) % size)[taken][some]]]
        rows.append(total / k[:, None])
        owner.append(code[taken])
        pours.append(np.full(k.size, m, np.int64))
    return np.concatenate(rows), np.concatenate(owner), np.concatenate(pours)
