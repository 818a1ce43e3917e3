"""Findings about sessions: a reference that drifted, so that everything measured against it reads off."""

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from specmatch.reference.batch_scores import BatchScores
from specmatch.reference.finding import Finding
from specmatch.reference.pours import Pours

# A session is judged against the others: there must be some, and batches of several beers in it.
FEWEST_SESSIONS, FEWEST_BATCHES, FEWEST_BEERS = 6, 3, 2
DRIFT_LIMIT, LEAST_DRIFT = 4.5, 0.02


def session_findings(pours: Pours, scored: BatchScores, session: NDArray[np.str_]) -> Iterator[Finding]:
    """Yield `drifted_reference` for sessions whose batches all read lighter or darker than their beers.

    Parameters
    ----------
    pours : Pours
    scored : BatchScores
    session : ndarray of str, shape (n_batches,)
        Session of each batch; blank where unknown or where a batch was measured in several.

    Yields
    ------
    Finding

    Examples
    --------
    >>> from specmatch.demo.brewery import Brewery
    >>> from specmatch.reference.batch_scores import score_batches
    >>> from specmatch.reference.pours import pours_of
    >>> year = Brewery(seed=1).draw(6, n_pours=1)
    >>> light = year.spectra.copy()
    >>> light[year.scans["session"] == "D0-003"] *= 1.05  # its reference was scanned on a dirty base
    >>> pours = pours_of(light, year.scans, year.batches, None)
    >>> session = year.scans.groupby("batch")["session"].first()[list(pours.batch_names)].to_numpy(dtype=np.str_)
    >>> [(found.subject, found.suggestion) for found in session_findings(pours, score_batches(pours), session)]
    [('D0-003', '-4.8%')]
    """
    # all batches, also those that look out of place: a drift puts every batch of its session out of place
    rows = np.flatnonzero((session != "") & (scored.scatter.counts[scored.beer] > 0))
    table = pd.DataFrame(
        {"session": session[rows], "beer": scored.beer[rows], "light": scored.along(scored.up_light, rows)}
    )
    groups = table.groupby("session", sort=True)
    levels = groups.agg(light=("light", "median"), n=("light", "size"), beers=("beer", "nunique"))
    levels = levels[(levels["n"] >= FEWEST_BATCHES) & (levels["beers"] >= FEWEST_BEERS)]
    if len(levels) < FEWEST_SESSIONS:
        return
    # sessions of more batches are known better; brought to one batch, all have the same spread
    departure = (levels["light"] - levels["light"].median()) * np.sqrt(levels["n"])
    spread = float(departure.abs().median()) / 0.6745
    for name, away in departure.items():
        light = float(levels.at[name, "light"] - levels["light"].median())
        if abs(away) > DRIFT_LIMIT * spread and abs(light) > LEAST_DRIFT:
            yield Finding(
                "drifted_reference",
                "session",
                str(name),
                abs(light),
                f"the {levels.at[name, 'n']} batches of session {name} all read as if against a reference "
                f"{-np.expm1(light):+.1%} off in level ({abs(away) / spread:.1f} times the usual spread of sessions)",
                "look at its reference and control scans; leave the session out if the cup or base was dirty",
                f"{-np.expm1(light):+.1%}",
            )
