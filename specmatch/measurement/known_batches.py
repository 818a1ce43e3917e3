"""Lab rows of the batches that a folder holds scans of."""

import pandas as pd


def known_batches(
    batches: pd.DataFrame, scans: pd.DataFrame, left_out: list[tuple[str, str]], notes: list[tuple[str, str]]
) -> pd.DataFrame:
    """Keep the lab rows of batches that were measured; list those that match no scan, and batches without a row.

    Parameters
    ----------
    batches : DataFrame
        Index `batch`.
    scans : DataFrame
    left_out, notes : list
        Added to.

    Returns
    -------
    DataFrame
    """
    if batches.empty:
        return batches
    measured = list(dict.fromkeys(scans["batch"]))
    known = set(batches.index)
    bare = {_bare(name): name for name in measured}
    for name in batches.index:
        if name not in measured:
            near = bare.get(_bare(name))
            hint = f"; {near!r} differs from it only in marks or case" if near and near not in known else ""
            left_out.append(("batches.csv", f"batch {name!r} has no scan in this folder{hint}"))
    for name in measured:
        if name not in known:
            notes.append(
                (name, f"batch {name!r} has no usable row in batches.csv: neither beer nor lab colour is known")
            )
    return batches[batches.index.isin(measured)]


def _bare(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter.isalnum())
