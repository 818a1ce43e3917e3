"""What the sheets of a folder say of its scans, in the forms of a session."""

import pandas as pd

from specmatch.errors import ParentsError, UnitError

_OWN = ("file", "role", "time", "order", "beer")


def one_reference_kind(rows: pd.DataFrame) -> str:
    """Return the one kind of reference that a folder states.

    Parameters
    ----------
    rows : DataFrame
        Index `scan_id`, with the column `reference_kind`.

    Returns
    -------
    str
        In lower case; "" where none is stated.

    Raises
    ------
    UnitError
        If two kinds are stated.

    Examples
    --------
    >>> one_reference_kind(pd.DataFrame({"reference_kind": ["Water", "", "water"]}))
    'water'
    """
    kinds: dict[str, str] = {}
    for scan_id, kind in rows["reference_kind"].items():
        if kind:
            kinds.setdefault(kind.lower(), str(scan_id))
    if len(kinds) > 1:
        (one, first), (other, second) = list(kinds.items())[:2]
        raise UnitError(
            f"reference_kind is {one!r} for {first} and {other!r} for {second}; the two differ by about 4 % in level: "
            "measure a folder of each"
        )
    return next(iter(kinds), "")


def known_columns(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the sheet without the columns of the folder's own, and without columns that say nothing.

    Parameters
    ----------
    rows : DataFrame
        As in `MeasuredFolder`.

    Returns
    -------
    DataFrame
        The same index; `pour`, `sample` and `batch` are kept even where blank.

    Examples
    --------
    >>> rows = pd.DataFrame({"file": ["a.csv"], "sample": [""], "cup": ["C40"], "operator": [""]})
    >>> known_columns(rows).columns.tolist()
    ['sample', 'cup']
    """
    table = rows.drop(columns=[column for column in _OWN if column in rows])
    blank = [c for c in table if c not in ("pour", "sample", "batch") and (table[c].isna() | (table[c] == "")).all()]
    return table.drop(columns=blank)


def claims_of(rows: pd.DataFrame, scans: pd.DataFrame) -> pd.Series:
    """Return the beer that the sheet says each sample is.

    Parameters
    ----------
    rows : DataFrame, shape (n, k)
        Rows of the sheet, with the column `beer` ("" where nothing is claimed).
    scans : DataFrame, shape (n, m)
        The same scans in the same order, with the column `sample`.

    Returns
    -------
    Series of str
        Index `sample`; samples without a claim are absent.

    Raises
    ------
    ParentsError
        If a sample is claimed to be two beers.

    Examples
    --------
    >>> rows, scans = pd.DataFrame({"beer": ["Amber Lane", ""]}), pd.DataFrame({"sample": ["S-1", "S-2"]})
    >>> claims_of(rows, scans).to_dict()
    {'S-1': 'Amber Lane'}
    """
    pairs = pd.DataFrame({"sample": scans["sample"].to_numpy(), "beer": rows["beer"].to_numpy()})
    pairs = pairs[pairs["beer"] != ""].drop_duplicates()
    twice = pairs["sample"].duplicated(keep=False)
    if twice.any():
        name = pairs.loc[twice, "sample"].iloc[0]
        one, other = pairs.loc[pairs["sample"] == name, "beer"].iloc[:2]
        raise ParentsError(
            f"sample {name!r} is claimed to be {one!r} and {other!r}; a sample is of one beer: correct scans.csv"
        )
    return pd.Series(
        pairs["beer"].to_numpy(dtype=object), index=pd.Index(pairs["sample"], name="sample", dtype=object), name="beer"
    )
