"""Warning codes and other columns of readings laid out a row at a time, quick where most rows have nothing to say."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.array_types import Mask

Objects = NDArray[np.object_]

# fewer rows than this are laid out one by one: finding what repeats would take longer
FEW_ROWS = 32
# names that are looked at together: their choice is one whole number
BITS = 31


def codes_by_row(
    names: pd.Index,
    of_sample: Mapping[str, Iterable[str]],
    before: Mapping[int, Iterable[str]],
    flagged: Sequence[tuple[Mask, tuple[str, ...]]],
    after: Mapping[int, Iterable[str]],
    always: tuple[str, ...],
) -> Objects:
    """Return the codes of each row, each once, in the order of the arguments.

    Parameters
    ----------
    names : Index, length n
    of_sample : mapping
        Name -> codes.
    before : mapping
        Row -> codes.
    flagged : sequence of (mask, codes)
        Codes of the rows where the mask, shape (n,), is true.
    after : mapping
        Row -> codes.
    always : tuple of str
        Codes of every row.

    Returns
    -------
    ndarray of tuples of str, shape (n,)

    Examples
    --------
    >>> hazy = (np.array([False, True]), ("haze", "foam"))
    >>> codes_by_row(pd.Index(["a", "b"]), {"b": ["foam"]}, {}, [hazy], {}, ()).tolist()
    [(), ('foam', 'haze')]
    """
    codes = np.empty(len(names), dtype=object)
    codes[:] = [always] * len(names)
    rows = {int(row) for mask, _ in flagged for row in np.flatnonzero(mask)}.union(before, after)
    if of_sample:
        rows.update(np.flatnonzero(names.isin(list(of_sample))).tolist())
    for row in rows:
        raised = [code for mask, added in flagged if mask[row] for code in added]
        own = of_sample.get(names[row], ()) if of_sample else ()
        codes[row] = tuple(dict.fromkeys([*own, *before.get(row, ()), *raised, *after.get(row, ()), *always]))
    return codes


def chosen_names(chosen: Mask, names: Sequence[str]) -> Objects:
    """Return for each row the names that it chooses.

    Parameters
    ----------
    chosen : ndarray of bool, shape (n, m)
    names : sequence of str, length m

    Returns
    -------
    ndarray of tuples of str, shape (n,)

    Examples
    --------
    >>> chosen_names(np.array([[True, True], [False, False]]), ["Pale", "Amber"]).tolist()
    [('Pale', 'Amber'), ()]
    """
    patterns, of_row = chosen, np.arange(len(chosen))
    if len(chosen) >= FEW_ROWS:
        of_row = np.zeros(len(chosen), np.int64)
        for start in range(0, len(names), BITS):
            part = chosen[:, start : start + BITS]
            # rows that were alike so far, told apart by the next names
            of_row = pd.factorize((of_row << BITS) + part @ (1 << np.arange(part.shape[1])))[0].astype(np.int64)
        patterns = chosen[np.unique(of_row, return_index=True)[1]]
    tuples = np.empty(len(patterns), dtype=object)
    for row, mask in enumerate(patterns.tolist()):
        tuples[row] = tuple(name for name, one in zip(names, mask, strict=True) if one)
    return tuples[of_row]


def sentences_by_row(sentences: Mapping[int, Iterable[str]], n: int) -> Objects:
    """Return the sentences of each row as one text, blank where there are none.

    Parameters
    ----------
    sentences : mapping of int to iterable of str
        Row -> sentences.
    n : int
        Number of rows.

    Returns
    -------
    ndarray of str, shape (n,)

    Examples
    --------
    >>> sentences_by_row({1: ["too warm", "foam"]}, 2).tolist()
    ['', 'too warm; foam']
    """
    texts = np.full(n, "", dtype=object)
    for row, said in sentences.items():
        texts[row] = "; ".join(said)
    return texts
