"""The disk form of a reference set: a folder under the Data Package standard."""

# Files carry the hash of their content in their name, so a new version never overwrites an old file. Replacing the
# descriptor is the commit: before it the folder holds the old version, after it the new one.

import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.batches import VALUE_NAME
from specmatch.errors import ReferenceSetError, StorageError
from specmatch.reference.disk.encoding import (
    DESCRIPTOR,
    FIRST_FORMAT,
    FORMAT,
    LARGEST_DESCRIPTOR_BYTES,
    TABLES,
    block_digests,
    csv_line,
    decode_descriptor,
    decode_table,
    encode_descriptor,
    encode_table,
    file_of,
    slug,
    table_schema,
)
from specmatch.reference.disk.large_block import (
    LargeTables,
    Part,
    is_large,
    rows_of_block,
    several,
    wavelengths_of,
    write_parts,
    written,
)
from specmatch.reference.tables.alignment import type_of
from specmatch.storage import TEMPORARY_SUFFIX, locked, sha256_of, write_atomic
from specmatch.wording import counted

LOCK = ".lock"
_KEPT = ("colour_unit", "band_nm", "reference_kind", "hash", "parent", "history")
# written where there are any, so that a set without them stays as it was
_LATER = ("sources", "determinations", "value_name")
# A reader may meet a folder between two versions; more than a few in a row means that files are really gone.
_READ_ATTEMPTS = 5


@dataclass(frozen=True)
class Package:
    """What a set's folder holds."""

    # `spectra`, `scans`, `batches` and, where there is one, `beers`, as text columns and numbers
    tables: dict[str, pd.DataFrame]
    info: dict[str, Any]  # `name`, `colour_unit`, `band_nm`, `reference_kind`, `licence`, `hash`, `parent`, `history`,
    # `sources`, `determinations`, `versions`
    large: LargeTables | None = None  # spectra and scans of a large set, which are then not among the tables


def write_package(
    folder: str | Path,
    tables: Mapping[str, pd.DataFrame],
    info: Mapping[str, Any],
    *,
    replace: bool = False,
    large: LargeTables | None = None,
) -> None:
    """Write tables as a Data Package: data files first, the descriptor last, under a lock; what was there is kept."""
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(f"cannot make the folder {folder}: {error.strerror or error}") from error
    with locked(folder / LOCK):
        versions = _earlier(folder, info, replace=replace)
        resources: list[dict[str, Any]] = []
        blocks: dict[str, Any] = {}
        if large is not None or is_large(tables["spectra"].size):
            resources, blocks = _write_large(folder, tables, info, large)
        for name in TABLES:
            if name in tables and not (blocks and name in ("spectra", "scans")):
                entry = written(folder, name, ".csv", [encode_table(tables[name])])
                resources.append(_resource(name, entry, tables, info))
        write_atomic(folder / DESCRIPTOR, encode_descriptor(_content(resources, info, versions, blocks)))
        _sweep(folder, {part["path"] for part in _files_of(resources, blocks)})


def _write_large(
    folder: Path, tables: Mapping[str, pd.DataFrame], info: Mapping[str, Any], large: LargeTables | None
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Write spectra and scans of a large set in parts; those that are there already stay as they are."""
    parts: list[Part] = [] if large is None else list(large.parts)
    if large is None:
        spectra, scans = tables["spectra"], tables["scans"]
        digests = tuple(block_digests(spectra.to_numpy(dtype=np.float64), scans))
        wavelength_nm = spectra.columns
    else:
        assert large.tail is not None  # only what was added to is written this way
        (spectra, scans), digests, wavelength_nm = large.tail, large.digests, pd.Index(large.wavelength_nm)
        for part in parts:
            for entry in (part.spectra, part.scans, part.keys):
                _check_size(folder / str(entry["path"]), entry)
    parts += write_parts(folder, spectra, scans, first=not parts)
    described = {"scans": scans, "batches": tables["batches"]}
    resource = {**_resource("scans", {}, described, info), **several([part.scans for part in parts])}
    own = {
        "blocks": list(digests),
        "keys": [dict(part.keys) for part in parts],
        "scan_types": {str(name): type_of(scans[name]) for name in scans.columns},
        "several": len(parts) > 1,
    }
    block: dict[str, Any] = {"name": "spectra", "path": "", "format": "npy", "mediatype": "application/octet-stream"}
    block |= {**several([part.spectra for part in parts]), "wavelength_nm": [float(nm) for nm in wavelength_nm]}
    return [block, resource], own


def read_history(folder: Path) -> list[dict[str, Any]]:
    """Return the history of the set in a folder; none where there is no set that could be read."""
    try:
        content = decode_descriptor(_descriptor_bytes(folder), folder / DESCRIPTOR)
    except ReferenceSetError:
        return []
    return list(content.get("specmatch", {}).get("history") or ())


def read_package(folder: str | Path) -> Package:
    """Read a set's folder, checking every file against its size and hash."""
    folder = Path(folder)
    for attempt in range(_READ_ATTEMPTS):
        data = _descriptor_bytes(folder)
        content = decode_descriptor(data, folder / DESCRIPTOR)
        try:
            return _read_content(folder, content)
        except FileNotFoundError as error:
            if attempt == _READ_ATTEMPTS - 1 or _descriptor_bytes(folder) == data:
                raise ReferenceSetError(f"{error.filename} is missing; restore it or save the set again") from error
    raise AssertionError("unreachable")


def _content(
    resources: list[dict[str, Any]], info: Mapping[str, Any], versions: list[str], blocks: Mapping[str, Any]
) -> dict[str, Any]:
    content: dict[str, Any] = {"name": slug(info["name"]), "title": info["name"]}
    content["version"] = str(len(info["history"]) + 1)
    if info.get("licence"):
        content["licenses"] = [{"name": info["licence"]}]
    own = {"format": FORMAT if blocks.get("several") else FIRST_FORMAT, **{key: info.get(key) for key in _KEPT}}
    later = {**{key: info.get(key) for key in _LATER}, "versions": versions}
    if later["value_name"] == VALUE_NAME:
        del later["value_name"]
    later |= {key: value for key, value in blocks.items() if key != "several"}
    own.update({key: value for key, value in later.items() if value})
    return {**content, "specmatch": own, "resources": resources}


def _resource(
    name: str, entry: Mapping[str, Any], tables: Mapping[str, pd.DataFrame], info: Mapping[str, Any]
) -> dict[str, Any]:
    beers_listed = "beers" in tables and bool(tables["batches"]["beer"].isin(tables["beers"].index).all())
    schema = table_schema(name, tables[name], colour_unit=info["colour_unit"], beers_listed=beers_listed)
    head = {"name": name, "type": "table", "path": "", "format": "csv", "mediatype": "text/csv", "encoding": "utf-8"}
    # said although it is the standard's default: validators guess where nothing is said
    dialect = {"delimiter": ",", "quoteChar": '"', "doubleQuote": True, "lineTerminator": "\n", "header": True}
    return {**head, **entry, "dialect": dialect, "schema": schema}


def _earlier(folder: Path, info: Mapping[str, Any], *, replace: bool) -> list[str]:
    """Keep the version that is there, unless it is this one, and return the names of all versions kept."""
    # two people may start from the same version; the second to save would undo the work of the first
    try:
        data = _descriptor_bytes(folder)
        content = decode_descriptor(data, folder / DESCRIPTOR)
    except ReferenceSetError:
        return []  # nothing that could be lost
    there = content.get("specmatch", {})
    theirs, mine = list(there.get("history") or ()), list(info["history"])
    goes_on = mine[: len(theirs)] == theirs
    if len(mine) > len(theirs):
        goes_on = goes_on and mine[len(theirs)].get("parent") == there.get("hash")
    elif theirs:
        goes_on = goes_on and info["hash"] == there.get("hash")
    if not goes_on and not replace and (theirs or info.get("parent")):
        shared = {entry.get("parent") for entry in mine} & {entry.get("parent") for entry in theirs}
        if shared or there.get("hash") in {entry.get("parent") for entry in mine} or not theirs:
            raise StorageError(
                f"the set in {folder} was changed since this version was made from it; load it again, repeat the "
                "change, or save under another name"
            )
        raise StorageError(
            f"the set in {folder} has {counted(len(theirs), 'change')} that this one does not go on from; extend it, "
            "or replace it: the old version is then kept"
        )
    if there.get("hash") == info["hash"] and theirs == mine:
        return list(there.get("versions") or ())
    return _keep_version(folder, data, content)


def _sweep(folder: Path, named: set[str]) -> None:
    """Remove files of earlier versions and of killed saves; what the library did not write is left alone."""
    for half_made in (folder / VERSIONS).glob(f".*{TEMPORARY_SUFFIX}"):
        shutil.rmtree(half_made, ignore_errors=True)
    for file in folder.iterdir():
        left_over = file.name.startswith(".") and file.name.endswith(TEMPORARY_SUFFIX)
        stem, _, digest = file.stem.rpartition("-")
        earlier = stem in (*TABLES, "keys") and len(digest) == 12 and file.suffix in (".csv", ".npy")
        if (left_over or earlier) and file.name not in named:
            file.unlink(missing_ok=True)


def _descriptor_bytes(folder: Path) -> bytes:
    file = folder / DESCRIPTOR
    try:
        size = file.stat().st_size
        if size > LARGEST_DESCRIPTOR_BYTES:
            raise ReferenceSetError(f"{file} has {size} bytes; no honest descriptor is that long")
        return file.read_bytes()
    except FileNotFoundError as error:
        if not folder.exists():
            raise ReferenceSetError(f"{folder} is not there; make it: specmatch build FOLDER --out SET") from error
        raise ReferenceSetError(
            f"{folder} holds no {DESCRIPTOR}, so it is no reference set; make one: specmatch build {folder} --out SET"
        ) from error
    except NotADirectoryError as error:
        raise ReferenceSetError(
            f"{folder} is a file; a reference set is a folder that holds {DESCRIPTOR}: name the folder"
        ) from error
    except OSError as error:
        raise ReferenceSetError(
            f"cannot read {file}: {error.strerror or error}; make it readable, or copy the set again"
        ) from error


def _read_content(folder: Path, content: Mapping[str, Any]) -> Package:
    own = content.get("specmatch", {})
    listed: dict[str, Mapping[str, Any]] = {}
    for resource in content["resources"]:
        if not isinstance(resource, dict):
            raise ReferenceSetError(f"{folder / DESCRIPTOR} has a resource that is no object; restore the file")
        name = resource.get("name")
        if name not in TABLES:
            continue
        if name in listed:
            raise ReferenceSetError(f"{folder / DESCRIPTOR} names the table {name!r} twice; keep one of them")
        listed[name] = resource
    absent = [name for name in TABLES[:3] if name not in listed]
    if absent:
        raise ReferenceSetError(f"{folder / DESCRIPTOR} names no table {absent[0]!r}; it is no reference set")
    guarded = "format" in own
    is_npy = listed["spectra"].get("format") == "npy"
    later = ("spectra", "scans") if is_npy else ()
    tables = {name: _read_table(folder, one, guarded=guarded) for name, one in listed.items() if name not in later}
    large = _open_large(folder, listed, own, tables["batches"].index) if is_npy else None
    licences = content.get("licenses") or [{}]
    info = {"name": content.get("title") or content.get("name") or "house", "licence": licences[0].get("name")}
    kept = {key: own.get(key) for key in (*_KEPT, *_LATER, "versions")}
    kept["value_name"] = kept["value_name"] or VALUE_NAME
    return Package(tables, {**info, **kept}, large)


def _open_large(
    folder: Path, listed: Mapping[str, Mapping[str, Any]], own: Mapping[str, Any], batch_names: pd.Index
) -> LargeTables:
    spectra, scans = (_parts_of(listed[name]) for name in ("spectra", "scans"))
    files = [file_of(part, folder) for part in spectra]
    wavelength_nm = wavelengths_of(listed["spectra"], files[0])
    for entry in [*spectra, *scans]:
        _check_size(file_of(entry, folder), entry)
    found = tuple(rows_of_block(file, part, wavelength_nm) for file, part in zip(files, spectra, strict=True))
    read = partial(_read_table, folder, listed["scans"], guarded="format" in own)
    keys = own.get("keys") or ()
    parts: tuple[Part, ...] = ()
    if len(keys) == len(spectra) == len(scans):
        rows = [n for _, _, n in found]
        parts = tuple(Part(*each) for each in zip(rows, spectra, scans, keys, strict=True))
        for part in parts:
            file_of({"name": "keys", **part.keys}, folder)  # a path that leaves the folder is refused
    types = own.get("scan_types") or {}
    digests = tuple(own.get("blocks") or ())
    return LargeTables(folder, found, wavelength_nm, read, batch_names, types, parts, digests)


def _check_size(file: Path, resource: Mapping[str, Any]) -> None:
    declared, size = resource.get("bytes"), file.stat().st_size
    if declared is not None and declared != size:
        raise ReferenceSetError(f"{file} has {size} bytes; {DESCRIPTOR} says {declared}; restore the file")


def _read_bytes(file: Path, resource: Mapping[str, Any]) -> bytes:
    _check_size(file, resource)
    data = file.read_bytes()
    expected = str(resource.get("hash") or "")
    if expected:
        kind, _, digest = expected.rpartition(":")
        if kind != "sha256":
            raise ReferenceSetError(f"{file} is listed with a {kind or 'md5'} hash; only sha256 is accepted")
        if sha256_of(data) != digest.lower():
            raise ReferenceSetError(f"{file} does not match its hash; it was changed or damaged: restore the file")
    return data


def _read_table(
    folder: Path, resource: Mapping[str, Any], only: Sequence[int] | None = None, *, guarded: bool
) -> pd.DataFrame:
    """Read a table from one file, or from some or all of several: those after the first have no header."""
    parts = _parts_of(resource)
    files = [file_of(part, folder) for part in parts]
    file = files[0]
    chosen = range(len(parts)) if only is None else only
    data = b"".join(_read_bytes(files[at], parts[at]) for at in chosen)
    schema, dialect = resource.get("schema"), resource.get("dialect") or {}
    if not isinstance(schema, dict) or not isinstance(schema.get("fields"), list) or not isinstance(dialect, dict):
        raise ReferenceSetError(f"resource {resource.get('name')!r} has no schema of its own; list its fields")
    fields = schema["fields"]
    if not fields or not all(isinstance(field, dict) and "name" in field for field in fields):
        raise ReferenceSetError(f"resource {resource.get('name')!r} has a field without a name")
    if 0 not in chosen:
        data = csv_line([str(field["name"]) for field in fields]) + data
    decimals = {str(field["decimalChar"]) for field in fields if "decimalChar" in field}
    return decode_table(
        data,
        fields,
        source=str(file),
        guarded=guarded,
        encoding=str(resource.get("encoding") or "utf-8"),
        delimiter=str(dialect.get("delimiter", ",")),
        decimal=decimals.pop() if len(decimals) == 1 else ".",
        missing=[str(word) for word in schema.get("missingValues", [""])],
    )


# Earlier versions of a set: each whole in a folder of its own, until somebody removes it.
# Files are linked, not copied, where the file system can: a file of a set is never written to once it has its name.

VERSIONS = "versions"
DIGITS = 12  # of its hash name the folder of a version


def _keep_version(folder: Path, data: bytes, content: Mapping[str, Any]) -> list[str]:
    """Keep what a folder holds now under `versions/`, and return the names of all versions kept, oldest first."""
    own = content.get("specmatch", {})
    digest = own.get("hash")
    if not isinstance(digest, str) or len(digest) < DIGITS:
        return []  # made by another program; it has no name that it could be kept by
    name = digest[:DIGITS]
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
        for part in _files_of(content["resources"], content.get("specmatch", {})):
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


def _files_of(resources: Sequence[Mapping[str, Any]], own: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return every file of a set as a resource: its tables, and the keys by which a large one knows its names."""
    keys = [{"name": "keys", **one} for one in own.get("keys") or ()]
    return [part for resource in [*resources, *keys] for part in _parts_of(resource)]


def _parts_of(resource: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a resource as one resource a file: a large table may stand in several."""
    parts = resource.get("parts")
    if not isinstance(parts, list) or not all(isinstance(part, dict) for part in parts):
        return [dict(resource)]
    return [{"name": resource.get("name"), **part} for part in parts]
