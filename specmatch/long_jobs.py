"""How long jobs run: on one thread, and telling what they are at, to a logger; nothing is printed here."""

import logging
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from time import monotonic
from typing import Any, TypeVar

LOGGER = logging.getLogger("specmatch.progress")  # the name that programs listen to, at level INFO
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


def each_of(work: Callable[..., _T], arguments: Iterable[tuple[Any, ...]], n_jobs: int | None) -> Iterator[_T]:
    """Yield what is made of each of the arguments, in order, by so many processes as joblib counts them."""
    if n_jobs in (None, 1) and "joblib" not in sys.modules:  # who never loaded it has not told it to use others
        yield from (work(*one) for one in arguments)
        return
    from joblib import Parallel, delayed

    try:
        spread = Parallel(n_jobs=n_jobs, return_as="generator")
    except ValueError:  # of a back end that hands everything back at once, such as multiprocessing
        spread = Parallel(n_jobs=n_jobs)
    yield from spread(delayed(work)(*one) for one in arguments)


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold the numerical libraries to one thread; a context, or a decorator."""
    # Matrices of a house are small: threads wait for one another longer than they work (a fit of 120 batches on two
    # busy cores took twenty times as long with them), and the last digits of a product depend on how many there are.
    from threadpoolctl import threadpool_limits  # scikit-learn brings it; here, because a reading need not wait for it

    with threadpool_limits(limits=1):
        yield
