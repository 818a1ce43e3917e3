"""Which beers are offered for a sample: those that were brewed on the day it was measured."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from specmatch.array_types import Mask
from specmatch.errors import TableError


@dataclass(frozen=True)
class Offered:
    """First and last day of each beer, ISO 8601; empty text where the house set none.

    Attributes
    ----------
    valid_from, valid_to : tuple of str, one a beer
    """

    valid_from: tuple[str, ...]
    valid_to: tuple[str, ...]

    def on(self, days: list[str]) -> Mask:
        """Return whether each beer is offered on each day; an unknown day ("") rules out nothing.

        Parameters
        ----------
        days : list of str, length n
            ISO dates.

        Returns
        -------
        ndarray of bool, shape (n, n_beers)

        Examples
        --------
        >>> Offered(("", ""), ("2026-03-31", "")).on(["2026-04-01", ""]).tolist()
        [[False, True], [True, True]]
        """
        day = np.array(days, dtype="U10")[:, None]
        first, last = np.array(self.valid_from, dtype="U10"), np.array(self.valid_to, dtype="U10")
        known = day != ""
        # ISO dates sort as text
        return np.asarray(~known | (((first == "") | (day >= first)) & ((last == "") | (day <= last))))


def learn_offered(beers: tuple[str, ...], table: pd.DataFrame | None) -> Offered:
    """Take `valid_from` and `valid_to` from a house's table of beers.

    Parameters
    ----------
    beers : tuple of str
        Beers of the set.
    table : DataFrame or None
        Index `beer`.

    Returns
    -------
    Offered

    Raises
    ------
    TableError
        If a day is not written as YYYY-MM-DD.

    Examples
    --------
    >>> learn_offered(("Pale",), None)
    Offered(valid_from=('',), valid_to=('',))
    """
    columns = []
    for name in ("valid_from", "valid_to"):
        days = []
        for beer in beers:
            known = table is not None and name in table.columns and beer in table.index
            day = table.at[beer, name] if known and table is not None else ""
            text = "" if pd.isna(day) else str(day).strip()[:10]
            if text and pd.isna(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")):
                raise TableError(f"beer {beer!r} has {name} {day!r}; write the day as YYYY-MM-DD")
            days.append(text)
        columns.append(tuple(days))
    return Offered(*columns)
