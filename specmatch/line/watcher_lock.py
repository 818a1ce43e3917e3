"""One watcher a folder and journal."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from specmatch.errors import LockedError
from specmatch.storage import locked, sha256_of


@contextmanager
def only_watcher(journal: Path, folder: Path) -> Iterator[None]:
    """Hold the right to watch a folder with a journal; a second watcher is refused by name.

    Parameters
    ----------
    journal, folder : Path

    Yields
    ------
    None
        While the right is held.

    Raises
    ------
    LockedError
        If another process watches it.

    Examples
    --------
    >>> with only_watcher(Path("line1.db"), Path("tuesday")), only_watcher(Path("line1.db"), Path("tuesday")):
    ...     pass
    Traceback (most recent call last):
    specmatch.errors.LockedError: tuesday is being watched already, with line1.db; one watcher is enough
    """
    name = sha256_of(str(folder.resolve()).encode())[:12]
    lock = journal.with_name(f".{journal.name}.{name}.lock")
    try:
        with locked(lock):
            yield
    except LockedError as error:
        if error.path != lock:  # the block's own work met another lock
            raise
        raise LockedError(f"{folder} is being watched already, with {journal}; one watcher is enough") from error
