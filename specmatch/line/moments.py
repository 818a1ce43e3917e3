"""Times of a record: they must hold on both sides of a clock change."""

from datetime import UTC, datetime

from specmatch.errors import TableError


def utc_now() -> datetime:
    """Return the time by this machine's clock, with its offset.

    Returns
    -------
    datetime
        In UTC.

    Examples
    --------
    >>> utc_now().utcoffset().total_seconds()
    0.0
    """
    return datetime.now(UTC)


def moment(measured_at: str, what: str) -> float:
    """Return seconds since 1970 of a time that must say its offset.

    Parameters
    ----------
    measured_at : str
        ISO 8601.
    what : str
        What was measured, for the message.

    Returns
    -------
    float

    Raises
    ------
    TableError
        If it is no time or has no offset: a record of when must hold on both sides of a clock change.

    Examples
    --------
    >>> moment("1970-01-01T01:00:00+01:00", "S1")
    0.0
    """
    try:
        time = datetime.fromisoformat(measured_at)
    except ValueError:
        raise TableError(f"{what}: measured_at is {measured_at!r}; write it as 2025-06-24T08:00:00+02:00") from None
    if time.tzinfo is None:
        raise TableError(
            f"{what}: measured_at is {measured_at!r}, without an offset from UTC; the journal needs one, such as "
            f"{measured_at}+02:00"
        )
    return time.timestamp()
