"""What people add to the journal: a review of a run, and the name of a baseline period."""

from specmatch.errors import TableError
from specmatch.line.controls import BASELINE
from specmatch.line.journal import Journal, Record
from specmatch.line.moments import moment
from specmatch.line.run_rule import CLEAR, REVIEW, find_run


def review(journal: Journal, entry: int, *, operator: str, note: str) -> Record:
    """Add a person's review of a run that waits or is held; the run is clear afterwards. Call it inside `writing`.

    Parameters
    ----------
    journal : Journal
    entry : int
        Any entry of the run.
    operator : str
        Who reviewed it.
    note : str
        What was found and done.

    Returns
    -------
    dict
        The row added; it points at the first departure.

    Raises
    ------
    TableError
        If nobody is named or nothing is said, or the entry belongs to no run that waits.

    Examples
    --------
    >>> departure = {"kind": "reading", "line": "1", "claimed": "Pale", "lot": "L7", "run_state": "open"}
    >>> with Journal("reviewed.db") as journal, journal.writing():
    ...     entry = journal.append(departure)["entry"]
    ...     row = review(journal, entry, operator="JD", note="the sheet named the wrong beer")
    >>> row["concerns"], row["run_state"]
    (1, 'clear')
    """
    _signed(operator, note)
    row = journal.entry(entry)
    key = [row.get(name) or "" for name in ("line", "claimed", "lot")]
    run = find_run(journal, *key)
    if run.state == CLEAR:
        raise TableError(f"entry {entry} belongs to no run that waits for anybody; name an entry of a run on hold")
    line, claimed, lot = key
    return journal.append(
        {
            "kind": REVIEW,
            "concerns": run.first,
            "line": line,
            "operator": operator,
            "claimed": claimed,
            "lot": lot,
            "reason": note,
            "run_state": CLEAR,
        }
    )


def name_baseline(journal: Journal, start: str, end: str, *, operator: str, note: str, line: str = "") -> Record:
    """Name the period that every chart takes its limits from. Call it inside `writing`.

    Parameters
    ----------
    journal : Journal
    start, end : str
        ISO 8601 with offset.
    operator, note : str
        Who names it, and why.
    line : str
        "" for all lines.

    Returns
    -------
    dict
        The row added.

    Raises
    ------
    TableError
        If nobody is named, nothing is said, or the period has no length.

    Examples
    --------
    >>> week = ("2025-06-16T00:00:00+01:00", "2025-06-23T00:00:00+01:00")
    >>> with Journal("baseline.db") as journal, journal.writing():
    ...     row = name_baseline(journal, *week, operator="JD", note="new lamp")
    >>> (row["to_unix"] - row["from_unix"]) / 86400.0
    7.0
    """
    _signed(operator, note)
    from_unix, to_unix = moment(start, "start of the baseline"), moment(end, "end of the baseline")
    if not from_unix < to_unix:
        raise TableError(f"the baseline runs from {start} to {end}; it must end after its start")
    return journal.append(
        {
            "kind": BASELINE,
            "line": line,
            "operator": operator,
            "reason": note,
            "from": start,
            "to": end,
            "from_unix": from_unix,
            "to_unix": to_unix,
        }
    )


def _signed(operator: str, note: str) -> None:
    if not operator.strip() or not note.strip():
        raise TableError("say who (--operator) and what was found (--note): the record must hold both")
