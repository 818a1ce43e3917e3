"""Earlier versions of a set: each whole in a folder of its own, until somebody removes it.

Files are linked, not copied, where the file system can: a file of a set is never written to once it has its name.
"""

import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from specmatch.errors import ReferenceSetError, StorageError
from specmatch.reference.disk.descriptor import DESCRIPTOR, file_of
from specmatch.storage import TEMPORARY_SUFFIX, write_atomic

VERSIONS = "versions"
DIGITS = 12


def version_name(digest: str) -> str:
    """Return the name of a version's folder."""
    return digest[:DIGITS]


def keep_version(folder: Path, data: bytes, content: Mapping[str, Any]) -> list[str]:
    """Keep what a folder holds now under `versions/`, and return the names of all versions kept, oldest first."""
    own = content.get("specmatch", {})
    digest = own.get("hash")
    if not isinstance(digest, str) or len(digest) < DIGITS:
        return []  # made by another program; it has no name that it could be kept by
    name = version_name(digest)
    kept = [other for other in own.get("versions") or () if other != name and (folder / VERSIONS / other).is_dir()]
    place = folder / VERSIONS / name
    if not (place / DESCRIPTOR).is_file():
        _link_all(folder, place, data, content)
    return [*kept, name]


def earlier_version(info: Mapping[str, Any], history: Sequence[Mapping[str, Any]], digest: str, start: str) -> str:
    """Return the name of a kept version: the one whose name begins so, by default the last before this one."""
    # info: of the folder; history, digest: of the set
    kept = info.get("versions") or []
    if start:
        found = [name for name in kept if name.startswith(start[:DIGITS].lower())]
    else:
        parents = [str(entry.get("parent"))[:DIGITS] for entry in reversed(history)]
        found = [name for name in parents if name in kept][:1]
        if not history and not info.get("history") and info.get("hash") == digest:
            found = kept[-1:]  # built anew over what was there
    if len(found) != 1:
        listed = ", ".join(kept) or "none"
        asked = f"{len(found)} versions begin with {start!r}" if start else "there is no version before this one"
        raise ReferenceSetError(f"{asked}; kept are: {listed}")
    return str(found[0])


def _link_all(folder: Path, place: Path, data: bytes, content: Mapping[str, Any]) -> None:
    making = place.with_name(f".{place.name}{TEMPORARY_SUFFIX}")
    try:
        shutil.rmtree(making, ignore_errors=True)
        making.mkdir(parents=True)
        keys = [{"name": "keys", **entry} for entry in content.get("specmatch", {}).get("keys") or ()]
        for resource in [*content["resources"], *keys]:
            for part in parts_of(resource):
                source = file_of(part, folder)
                target = making / source.name
                try:
                    os.link(source, target)
                except OSError:
                    shutil.copyfile(source, target)
        write_atomic(making / DESCRIPTOR, data)
        shutil.rmtree(place, ignore_errors=True)  # one without a descriptor was left half made
        os.replace(making, place)
    except OSError as error:
        raise StorageError(
            f"cannot keep the earlier version in {place}: {error.strerror or error}; nothing was changed"
        ) from error
    finally:
        with suppress(OSError):
            shutil.rmtree(making, ignore_errors=True)


def parts_of(resource: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a resource as one resource a file: a large table may stand in several."""
    parts = resource.get("parts")
    if not isinstance(parts, list) or not all(isinstance(part, dict) for part in parts):
        return [dict(resource)]
    return [{"name": resource.get("name"), **part} for part in parts]
