"""Tables and descriptor of a set as the bytes that are written and hashed."""

# A table is CSV text and back to the last bit of every number, the same with every pandas. Text cells that a
# spreadsheet would run as formulas are written with an apostrophe before them, which reading takes off.

import csv
import hashlib
import io
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from specmatch.array_types import Floats
from specmatch.errors import ReferenceSetError
from specmatch.measurement.folder.columns import UNITS
from specmatch.reference.tables.alignment import type_of
from specmatch.storage import sha256_of, strict_json
from specmatch.wording import FORMULA_STARTS

GUARD = "'"
_GUARDED = (*FORMULA_STARTS, GUARD)
_BOOLEANS = {"true": True, "True": True, "1": True, "false": False, "False": False, "0": False}


def encode_table(table: pd.DataFrame, *, header: bool = True) -> bytes:
    """Write a table as CSV (UTF-8, comma, line feed), index first; numbers in their shortest exact form."""
    headings = [name if isinstance(name, str) else repr(float(name)) for name in table.columns]
    cells = [[_guarded(name) for name in table.index]]
    cells += [_cells(table.iloc[:, position]) for position in range(table.shape[1])]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    if header:
        writer.writerow([str(table.index.name), *headings])
    writer.writerows(zip(*cells, strict=True))
    return text.getvalue().encode("utf-8")


def decode_table(
    data: bytes,
    fields: Sequence[Mapping[str, Any]],
    *,
    source: str,
    guarded: bool = True,
    encoding: str = "utf-8",
    delimiter: str = ",",
    decimal: str = ".",
    missing: Sequence[str] = ("",),
) -> pd.DataFrame:
    """Read a table from CSV by its fields; the first field becomes the index."""
    try:
        rows = list(csv.reader(io.StringIO(data.decode(encoding), newline=""), delimiter=delimiter, strict=True))
    except (UnicodeDecodeError, LookupError, csv.Error) as error:
        raise ReferenceSetError(f"{source} is no CSV text in {encoding}: {error}") from error
    names = [str(field["name"]) for field in fields]
    heading = [cell.lstrip("\ufeff") for cell in rows[0]] if rows else []
    if heading != names:
        raise ReferenceSetError(
            f"{source} is headed {_short(heading)}; its schema says {_short(names)}; restore the file or its schema"
        )
    body = [row for row in rows[1:] if row]
    for row in body:
        if len(row) != len(names):
            line = rows.index(row) + 1
            raise ReferenceSetError(f"{source} line {line} has {len(row)} cells; expected {len(names)}")
    columns = list(zip(*body, strict=True)) if body else [()] * len(names)
    read = [
        _column(
            cells, str(field.get("type", "string")), f"{source} column {field['name']!r}", guarded, decimal, missing
        )
        for field, cells in zip(fields, columns, strict=True)
    ]
    index = pd.Index([str(cell) for cell in read[0]], dtype=object, name=names[0])
    table = pd.DataFrame(dict(enumerate(read[1:])), index=index)
    table.columns = pd.Index(names[1:], dtype=object)
    return table


def csv_line(cells: Sequence[str]) -> bytes:
    """Return texts as a line of CSV."""
    line = io.StringIO(newline="")
    csv.writer(line, lineterminator="\n").writerow(cells)
    return line.getvalue().encode()


def _guarded(cell: str) -> str:
    return GUARD + cell if cell.startswith(_GUARDED) else cell


def _cells(column: pd.Series) -> list[str]:
    kind = type_of(column)
    if kind == "number":
        # repr of a float is the shortest text that reads back as the same float
        return ["" if cell != cell else repr(cell) for cell in column.tolist()]
    if kind == "string":
        # a column says the same thing in many rows
        guarded = {cell: _guarded(cell) for cell in set(column)}
        return [guarded[cell] for cell in column]
    return [str(cell).lower() for cell in column.tolist()]


def _column(
    cells: Sequence[str], kind: str, where: str, guarded: bool, decimal: str, missing: Sequence[str]
) -> Sequence[Any] | np.ndarray:
    if kind == "number":
        if decimal != ".":
            cells = [cell.replace(decimal, ".") for cell in cells]
        return _floats(cells, where, missing)
    if kind in ("integer", "boolean"):
        convert = int if kind == "integer" else _BOOLEANS.__getitem__
        try:
            return np.array([convert(cell) for cell in cells], dtype=np.int64 if kind == "integer" else bool)
        except (ValueError, KeyError, OverflowError):
            # a file from elsewhere may leave whole numbers empty: then they are numbers
            return _floats(cells, where, missing)
    blank = set(missing) - {""}
    text = ["" if cell in blank else cell for cell in cells]
    return np.array([cell.removeprefix(GUARD) if guarded else cell for cell in text], dtype=object)


def _floats(cells: Sequence[str], where: str, missing: Sequence[str]) -> np.ndarray:
    gaps = set(missing)
    try:
        return np.array([np.nan if cell in gaps else float(cell) for cell in cells], dtype=np.float64)
    except ValueError as error:
        raise ReferenceSetError(f"{where} holds text among its numbers: {error}") from error


def _short(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:4])
    return f"{shown}, … ({len(names)} columns)" if len(names) > 4 else shown or "nothing"


# Content of a large set, hashed in blocks of rows: what is added later leaves the hashes of full blocks as they are.
# The hash of the whole is over the hashes of its blocks, so it says the same however many files the rows stand in.

BLOCK_ROWS = 4096
# what a large set is told apart by: scans, pours and samples must not share a name with others of their kind
_KINDS = ("scan", "pour", "sample")


def block_digests(values: Floats, scans: pd.DataFrame) -> list[str]:
    """Return the hash of each block of rows, spectra and scans together; the last block may be short."""
    # values (n, p)
    blocks = (slice(start, start + BLOCK_ROWS) for start in range(0, len(values), BLOCK_ROWS))
    return [sha256_of([encode_table(scans.iloc[block]), plain_bytes(values[block])]) for block in blocks]


def plain_bytes(values: Floats) -> bytes:
    """Return numbers as bytes, every kind of NaN as one and the same."""
    missing = np.isnan(values)
    return (np.where(missing, np.nan, values) if missing.any() else values).astype("<f8", copy=False).tobytes()


def hash_of_blocks(
    digests: Sequence[str],
    n_rows: int,
    wavelength_nm: Floats,
    tables: Sequence[pd.DataFrame | None],
    settings: Sequence[object],
) -> str:
    """Return the hash of a large set from those of its blocks and of its small tables."""
    return _hashed([*settings, n_rows, BLOCK_ROWS, *digests], tables, wavelength_nm).hexdigest()


def _hashed(head: Sequence[object], tables: Sequence[pd.DataFrame | None], wavelength_nm: Floats) -> Any:
    digest = hashlib.sha256(json.dumps(head).encode())
    for table in tables:
        digest.update(hashlib.sha256(b"" if table is None else encode_table(table)).digest())
    digest.update(wavelength_nm.astype("<f8").tobytes())
    return digest


def name_keys(scans: pd.DataFrame) -> np.ndarray:
    """Return 64 bits of the hash of each name of a scan, pour and sample, sorted: to see whether a name is taken."""
    # -> (m,) uint64
    columns = zip(_KINDS, (scans.index, scans["pour"], scans["sample"]), strict=True)
    names = (f"{kind}\0{name}".encode("utf-8", "surrogatepass") for kind, cells in columns for name in set(cells))
    hashes = b"".join(hashlib.blake2b(name, digest_size=8).digest() for name in names)
    return np.unique(np.frombuffer(hashes, "<u8")).astype(np.uint64)


# The descriptor of a set on disk: written in version 2 of the Data Package standard, read in versions 1 and 2.
# Standard: https://datapackage.org (Data Package, Data Resource, Table Schema). One hash stands for what a set holds,
# the same in memory and on disk, whatever its name and history.


def content_hash(spectra: pd.DataFrame, tables: Sequence[pd.DataFrame | None], settings: Sequence[object]) -> str:
    """Return the SHA-256 of spectra, tables and settings."""
    # spectra (n, p)
    digest, values = _hashed([*settings, spectra.shape], tables, spectra.columns.to_numpy()), spectra.to_numpy()
    for start in range(0, len(values), BLOCK_ROWS):
        digest.update(plain_bytes(values[start : start + BLOCK_ROWS]))
    return str(digest.hexdigest())


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
        schema["foreignKeys"] = [{"fields": [column], "reference": {"resource": parent, "fields": [column]}}]
    return schema


def encode_descriptor(content: Mapping[str, Any]) -> bytes:
    """Write a descriptor as JSON whose last entry is the hash of everything else in it."""
    whole = {"$schema": _PROFILE, **content, "sha256": "0" * 64}
    data = (json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")
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
