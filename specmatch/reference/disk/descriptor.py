"""The descriptor of a set on disk: written in version 2 of the Data Package standard, read in versions 1 and 2.

Standard: https://datapackage.org (Data Package, Data Resource, Table Schema). One hash stands for what a set holds, the
same in memory and on disk, whatever its name and history.
"""

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.errors import ReferenceSetError
from specmatch.measurement.folder.columns import UNITS
from specmatch.reference.disk.tables_as_bytes import encode_table
from specmatch.reference.tables.alignment import type_of
from specmatch.storage import sha256_of, strict_json

_ROWS_AT_A_TIME = 4096


def content_hash(spectra: pd.DataFrame, tables: Sequence[pd.DataFrame | None], settings: Sequence[object]) -> str:
    """Return the SHA-256 of spectra, tables and settings."""
    # spectra (n, p)
    digest = hashlib.sha256(json.dumps([*settings, spectra.shape]).encode())
    for table in tables:
        digest.update(hashlib.sha256(b"" if table is None else encode_table(table)).digest())
    digest.update(spectra.columns.to_numpy().astype("<f8").tobytes())
    values = spectra.to_numpy()
    for start in range(0, len(values), _ROWS_AT_A_TIME):
        block = values[start : start + _ROWS_AT_A_TIME]
        # every kind of NaN is written as one and the same
        digest.update(np.where(np.isnan(block), np.nan, block).astype("<f8").tobytes())
    return digest.hexdigest()


DESCRIPTOR = "datapackage.json"
FORMAT = 2  # the latest that is read
FIRST_FORMAT = 1  # written where it says everything: a set of one file a table
TABLES = ("spectra", "scans", "batches", "beers")

# A descriptor lists a field per wavelength and an entry per change: 64 MB is past any honest one.
LARGEST_DESCRIPTOR_BYTES = 64 << 20
_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_SEAL = re.compile(rb'"sha256": "([0-9a-f]{64})"\s*\}\s*$')
_PARENTS = {"spectra": ("scan_id", "scans"), "scans": ("batch", "batches"), "batches": ("beer", "beers")}


def table_schema(name: str, table: pd.DataFrame, *, colour_unit: str, beers_listed: bool) -> dict[str, Any]:
    """Describe one table as a Table Schema: names, types, units, the key, and the table it points to."""
    key = str(table.index.name)
    fields: list[dict[str, Any]] = [{"name": key, "type": "string", "constraints": {"required": True, "unique": True}}]
    for position, column in enumerate(table.columns):
        if name == "spectra":
            fields.append({"name": repr(float(column)), "type": "number", "unit": "1"})
            continue
        field = {"name": column, "type": type_of(table.iloc[:, position])}
        unit = colour_unit if column in ("colour", "colour_sd") else UNITS.get(column)
        fields.append({**field, "unit": unit} if unit else field)
    schema: dict[str, Any] = {"fields": fields, "primaryKey": [key], "missingValues": [""]}
    column, parent = _PARENTS.get(name, ("", ""))
    if parent and (parent != "beers" or beers_listed):
        reference = {"resource": parent, "fields": [column]}
        schema["foreignKeys"] = [{"fields": [column], "reference": reference}]
    return schema


def encode_descriptor(content: Mapping[str, Any]) -> bytes:
    """Write a descriptor as JSON whose last entry is the hash of everything else in it."""
    text = json.dumps(
        {"$schema": _PROFILE, **content, "sha256": "0" * 64}, indent=1, ensure_ascii=False, allow_nan=False
    )
    data = (text + "\n").encode("utf-8")
    return _with_seal(data, sha256_of(data).encode())


def decode_descriptor(data: bytes, source: str | Path) -> dict[str, Any]:
    """Read a descriptor and check its own hash, its form and its format number."""
    try:
        content = strict_json(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise ReferenceSetError(f"{source} is no JSON text: {error}; restore the file") from error
    if not isinstance(content, dict) or not isinstance(content.get("resources"), list):
        raise ReferenceSetError(f"{source} names no resources; it is no reference set")
    own = content.get("specmatch", {})
    if not isinstance(own, dict):
        raise ReferenceSetError(f"{source} has an entry 'specmatch' that is no object; restore the file")
    if "format" in own or "sha256" in content:
        _check_seal(data, source)
    number = own.get("format", FIRST_FORMAT)
    if not isinstance(number, int) or number < 1:
        raise ReferenceSetError(f"{source} has the format number {number!r}; expected 1 to {FORMAT}")
    if number > FORMAT:
        raise ReferenceSetError(
            f"{source} has format {number}; this version reads up to format {FORMAT}: install a later specmatch"
        )
    return content


def file_of(resource: Mapping[str, Any], folder: Path) -> Path:
    """Return the file of a resource; it must be a plain path that stays inside the set's folder."""
    name, path = resource.get("name"), resource.get("path")
    if isinstance(path, list) and len(path) == 1:
        path = path[0]
    if not isinstance(path, str) or not path:
        raise ReferenceSetError(f"resource {name!r} has no single file as its path; give each table one file")
    parts = path.split("/")
    if ":" in path or "\\" in path or "\0" in path or {"", ".", "..", "~"} & set(parts):
        raise ReferenceSetError(f"resource {name!r} has the path {path!r}; files of a set lie inside its folder")
    file = folder.joinpath(*parts)
    if not file.resolve().is_relative_to(folder.resolve()):
        raise ReferenceSetError(f"resource {name!r} at {path!r} is a link out of the folder; copy the file into it")
    return file


def slug(name: str) -> str:
    """Return a name in the letters that the standard allows for a package."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "reference-set"


def _with_seal(data: bytes, seal: bytes) -> bytes:
    found = _SEAL.search(data)
    assert found is not None  # encode_descriptor has just written it
    return data[: found.start(1)] + seal + data[found.end(1) :]


def _check_seal(data: bytes, source: str | Path) -> None:
    found = _SEAL.search(data)
    if found is None or sha256_of(_with_seal(data, b"0" * 64)).encode() != found.group(1):
        raise ReferenceSetError(f"{source} does not match its own hash; it was changed or damaged: restore the file")
