"""How many threads the numerical libraries may use."""

from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold the numerical libraries to one thread; a context, or a decorator.

    Matrices of a house are small: threads wait for one another longer than they work (a fit of 120 batches on two busy
    cores took twenty times as long with them), and the last digits of a product depend on how many there are.
    """
    from threadpoolctl import threadpool_limits  # scikit-learn brings it; here, because a reading need not wait for it

    with threadpool_limits(limits=1):
        yield
