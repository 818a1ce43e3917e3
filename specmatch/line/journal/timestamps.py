"""Times of a record: they must hold on both sides of a clock change."""

from datetime import UTC, datetime

from specmatch.errors import TableError


def utc_now() -> datetime:
    """Return the time by this machine's clock, with its offset."""
    return datetime.now(UTC)


def unix_time(measured_at: str, what: str) -> float:
    """Return seconds since 1970 of a time that must say its offset."""
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
