"""Writing that a power cut cannot half finish, hashes that tell damage, and a lock that dies with its holder."""

import hashlib
import json
import logging
import os
import secrets
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from glob import escape
from pathlib import Path
from typing import Any

from specmatch.errors import LockedError, StorageError

TEMPORARY_SUFFIX = ".part"
# a write that is under way touches its file all the time
LEFTOVER_S = 900.0
_LOG = logging.getLogger(__name__)
_CHUNK_BYTES = 1 << 20
_LOCK_ATTEMPTS = 20


def path_of(said: object) -> Path:
    """Return the path that a caller names; `~` is the caller's home, as in a shell."""
    if not isinstance(said, str | os.PathLike) or "\0" in str(said) or not str(said).strip():
        raise StorageError(f"got {said!r:.60} for a path; name the file or folder in text")
    return Path(os.path.expanduser(said))


def write_atomic(path: str | Path, data: bytes | Sequence[bytes | memoryview]) -> None:
    """Write a file so that its name always holds the old bytes or the new ones, never a part."""
    # the bytes go to a file beside the target, reach the disk, and then take the target's name in one step
    path = path_of(path)
    if path.exists() and not path.is_file():
        raise StorageError(f"cannot write {path}: it is a folder or a device; name an ordinary file")
    _remove_leftovers(path)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(6)}{TEMPORARY_SUFFIX}")
    try:
        with open(temporary, "xb") as file:
            for part in [data] if isinstance(data, bytes) else data:
                file.write(part)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        raise StorageError(f"cannot write {path}: {error.strerror or error}; choose a folder that is there") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    _sync_folder(path.parent)


def _remove_leftovers(path: Path) -> None:
    """Remove what an earlier write of this file left when it was killed; one that is under way is younger."""
    with suppress(OSError):
        for left in path.parent.glob(f".{escape(path.name)}.*{TEMPORARY_SUFFIX}"):
            if time.time() - left.stat().st_mtime > LEFTOVER_S:
                left.unlink()
                _LOG.warning("%s removed: a write of %s was cut off there", left, path.name)


def sha256_of(content: bytes | str | Path | Sequence[bytes | memoryview]) -> str:
    """Return the SHA-256 of some bytes, or of the file at a path, in hexadecimal."""
    # content: bytes are hashed as they are, parts one after the other; a `str` or `Path` names a file
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest()
    digest = hashlib.sha256()
    if not isinstance(content, str | Path):
        for part in content:
            digest.update(part)
        return digest.hexdigest()
    with open(content, "rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def strict_json(text: str | bytes) -> Any:
    """Parse a JSON text by the standard, which knows no NaN and no infinity."""

    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no JSON number")

    return json.loads(text, parse_constant=refuse)


@contextmanager
def locked(path: str | Path) -> Iterator[None]:
    """Hold a lock file while the block runs; a second holder, in this process or another, is told at once."""
    # the operating system drops the lock when its holder dies, so a killed process never leaves a place locked
    path = Path(path)
    descriptor = _acquire(path)
    try:
        yield
    finally:
        # Removed while still held: whoever waits on the removed file notices (see _acquire) and makes a new one.
        with suppress(OSError):
            path.unlink(missing_ok=True)
        os.close(descriptor)


def _acquire(path: Path) -> int:
    for _ in range(_LOCK_ATTEMPTS):
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise StorageError(f"cannot make the lock file {path}: {error.strerror or error}") from error
        try:
            _lock_now(descriptor)
        except OSError as error:
            os.close(descriptor)
            raise LockedError(
                f"{path.parent} is being written to by another process; try again when it is done", path=path
            ) from error
        # The former holder may have removed the file between our open and our lock: then we hold a nameless file.
        with suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(descriptor), os.stat(path)):
                return descriptor
        os.close(descriptor)
    raise LockedError(f"{path.parent} is being written to by other processes all the time; try again later", path=path)


if sys.platform == "win32":
    import msvcrt

    def _lock_now(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

    def _sync_folder(folder: Path) -> None:
        """Windows has no handle on a folder to synchronise."""

else:
    import fcntl

    def _lock_now(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _sync_folder(folder: Path) -> None:
        """Make the new name itself reach the disk; file systems that cannot do so are left as they are."""
        with suppress(OSError):
            descriptor = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
