"""What a long job is at, told to the logger `specmatch.progress` at level INFO; nothing is printed here."""

import logging
from collections.abc import Iterable, Iterator
from time import monotonic
from typing import TypeVar

LOGGER = logging.getLogger(__name__)
_SECONDS_APART = 1.0
_T = TypeVar("_T")


def step(said: str) -> None:
    """Tell what is begun."""
    LOGGER.info("%s", said)


def counted_off(items: Iterable[_T], what: str, total: int) -> Iterator[_T]:
    """Yield items, and tell about once a second how many are done and how many are left."""
    last = monotonic()
    for done, item in enumerate(items, 1):
        yield item
        if monotonic() - last > _SECONDS_APART and done < total:
            last = monotonic()
            LOGGER.info("%s: %d done, %d left", what, done, total - done)
