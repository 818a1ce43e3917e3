"""A model file: one zip of plain arrays and a JSON manifest, from which nothing is ever run."""

# hashes catch damage, not malice: no size, shape or name is trusted before it was checked; members are never compressed

import io
import json
import math
import re
import struct
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from specmatch import __version__
from specmatch.errors import ModelFileError
from specmatch.storage import path_of, sha256_of, strict_json, write_atomic

# 2: classes by the field's names; `serialisation` reads format 1
FORMAT = 2
KIND = "specmatch house model"
MANIFEST, SEAL = "manifest.json", "manifest.sha256"
# Settings and names only: numbers live in the arrays. The bound keeps a hostile manifest from filling the memory.
LARGEST_MANIFEST_BYTES = 1 << 20
MOST_MEMBERS = 10_000
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z0-9_]+)*")
_DTYPE = re.compile(r"<f8|<i8|\|b1|<U(?:0|[1-9][0-9]{0,5})")
_HEADER = re.compile(
    rb"\{'descr': '([<|][a-zA-Z][0-9]+)', 'fortran_order': False, 'shape': \(((?:[0-9]+, ?)*[0-9]*)\), \} *\n"
)
_FIXED_TIME = (1980, 1, 1, 0, 0, 0)  # equal models give equal bytes
# What `zipfile` lets through on spoilt bytes besides its own error: RuntimeError for versions that it does not know,
# ValueError for places before the start and names that are no text, the others for lengths that nothing can have.
_ZIP_ERRORS = (zipfile.BadZipFile, RuntimeError, ValueError, EOFError, OverflowError, struct.error)


def save_arrays(path: str | Path, arrays: Mapping[str, np.ndarray], manifest: Mapping[str, Any]) -> None:
    """Write arrays and a manifest as one model file, whole or not at all."""
    members: list[tuple[str, bytes]] = []
    table: dict[str, dict[str, Any]] = {}
    for name, array in arrays.items():
        if not _NAME.fullmatch(name):
            raise ModelFileError(f"array name {name!r} is not made of letters, digits, '_' and single dots")
        plain = _plain(name, np.asarray(array))
        data = _npy(plain)
        holes = bool(plain.dtype.kind == "f" and np.isnan(plain).any())
        entry = {"dtype": plain.dtype.str, "shape": list(plain.shape), "bytes": len(data), "sha256": sha256_of(data)}
        table[name] = {**entry, "nan": holes}
        members.append((_member(name), data))
    versions = {"specmatch": __version__, "numpy": np.__version__}
    content = {"kind": KIND, "format": FORMAT, "versions": versions, "manifest": manifest, "arrays": table}
    try:
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False).encode("utf-8")
    except (TypeError, ValueError) as error:
        raise ModelFileError(f"the manifest cannot be written as JSON: {error}") from error
    if len(text) > LARGEST_MANIFEST_BYTES:
        raise ModelFileError(
            f"the manifest has {len(text)} bytes; at most {LARGEST_MANIFEST_BYTES} are read back: put numbers in arrays"
        )
    members += [(MANIFEST, text), (SEAL, sha256_of(text).encode())]
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as archive:
        for member, data in members:
            archive.writestr(zipfile.ZipInfo(member, _FIXED_TIME), data)
    write_atomic(path, file.getvalue())


def load_arrays(path: str | Path) -> tuple[dict[str, np.ndarray], dict[str, Any]]:
    """Read a model file, checking every size, shape, name and hash before anything is taken from it."""
    path = path_of(path)
    members = _members(path)
    content = _manifest(path, members)
    table = content["arrays"]
    extra = set(members) - {MANIFEST, SEAL} - {_member(name) for name in table}
    if extra:
        raise ModelFileError(f"{path} holds a member {sorted(extra)[0]!r} that its manifest does not name")
    return {name: _array(path, name, entry, members) for name, entry in table.items()}, content["manifest"]


def _plain(name: str, array: np.ndarray) -> np.ndarray:
    target = {"f": "<f8", "i": "<i8", "u": "<i8", "b": "|b1"}.get(array.dtype.kind)
    if target is None:
        if array.dtype.kind not in "UO" or not all(isinstance(cell, str) for cell in array.ravel().tolist()):
            raise ModelFileError(f"array {name!r} has the dtype {array.dtype}; expected float, int, bool or text")
        array = array.astype(np.str_)
        target = f"<U{array.dtype.itemsize // 4}"
    return array.astype(target, order="C", copy=False)


def _npy(array: np.ndarray) -> bytes:
    data = io.BytesIO()
    np.lib.format.write_array(data, array, version=(1, 0), allow_pickle=False)
    return data.getvalue()


def _member(name: str) -> str:
    return f"arrays/{name}.npy"


def _members(path: Path) -> dict[str, bytes]:
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise ModelFileError(f"{path} is not there; fit a model and save it first") from error
    except OSError as error:
        if path.is_dir():
            raise ModelFileError(f"{path} is a folder; a model is a file, made by specmatch fit") from error
        raise ModelFileError(f"cannot read {path}: {error.strerror or error}") from error
    if data[:1] == b"\x80":
        raise ModelFileError(
            f"{path} looks like a pickle; pickles can run code and are never read: fit the model again"
        )
    if not data.startswith(b"PK\x03\x04"):
        raise ModelFileError(f"{path} is no model file: it is no zip; fit a model and save it")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            _check_directory(path, entries, len(data))
            return {entry.filename: archive.read(entry) for entry in entries}
    except ModelFileError:
        raise
    except _ZIP_ERRORS as error:
        raise ModelFileError(
            f"{path} is damaged or cut short: {error}; copy it again or fit the model again"
        ) from error


def _check_directory(path: Path, entries: list[zipfile.ZipInfo], size: int) -> None:
    names = [entry.filename for entry in entries]
    if len(names) != len(set(names)):
        raise ModelFileError(f"{path} holds a member twice; a model file names each once")
    if len(names) > MOST_MEMBERS:
        raise ModelFileError(f"{path} holds {len(names)} members; at most {MOST_MEMBERS} are read")
    for entry in entries:
        stem = entry.filename.removeprefix("arrays/").removesuffix(".npy")
        if entry.filename not in (MANIFEST, SEAL, _member(stem)) or not (_NAME.fullmatch(stem)):
            raise ModelFileError(
                f"{path} holds {entry.filename!r}, which is no part of a model file; it was not opened"
            )
        if entry.compress_type != zipfile.ZIP_STORED or entry.file_size != entry.compress_size or entry.flag_bits & 1:
            raise ModelFileError(f"{path} has {entry.filename!r} compressed or encrypted; members are stored plainly")
    if sum(entry.file_size for entry in entries) > size:
        raise ModelFileError(f"{path} declares more bytes than it has; it is damaged or hostile")
    absent = {MANIFEST, SEAL} - set(names)
    if absent:
        raise ModelFileError(f"{path} lacks {sorted(absent)[0]}; it is no whole model file")


def _manifest(path: Path, members: Mapping[str, bytes]) -> dict[str, Any]:
    text = members[MANIFEST]
    if len(text) > LARGEST_MANIFEST_BYTES:
        raise ModelFileError(f"{path} has a manifest of {len(text)} bytes; at most {LARGEST_MANIFEST_BYTES} are read")
    try:
        content = strict_json(text)
    except (ValueError, RecursionError) as error:
        raise ModelFileError(f"{path} has a manifest that is no JSON: {error}") from error
    if not isinstance(content, dict) or content.get("kind") != KIND:
        raise ModelFileError(f"{path} is no model file: its manifest does not say {KIND!r}")
    number = content.get("format")
    if isinstance(number, int) and number > FORMAT:
        versions = content.get("versions")
        maker = versions.get("specmatch", "unknown") if isinstance(versions, dict) else "unknown"
        raise ModelFileError(
            f"{path} has format {number}, made by specmatch {maker}; this version reads up to format {FORMAT}: "
            "install that version or fit the model again"
        )
    # after the format, because a later one may seal its files in another way
    if members[SEAL].decode("ascii", "replace") != sha256_of(text):
        raise ModelFileError(
            f"{path} has a manifest that does not match its hash; copy it again or fit the model again"
        )
    if isinstance(number, bool) or not isinstance(number, int) or number < 1:
        raise ModelFileError(f"{path} has the format number {number!r}; expected 1 to {FORMAT}")
    if not isinstance(content.get("arrays"), dict) or not isinstance(content.get("manifest"), dict):
        raise ModelFileError(f"{path} has a manifest without its lists of arrays and settings")
    return content


def _array(path: Path, name: str, entry: Any, members: Mapping[str, bytes]) -> np.ndarray:
    data = members.get(_member(name))
    if data is None:
        raise ModelFileError(f"{path} lacks the array {name!r} that its manifest names")
    if not isinstance(entry, dict) or sha256_of(data) != entry.get("sha256"):
        raise ModelFileError(f"{path} has an array {name!r} that does not match its hash; copy it again")
    dtype, shape, start = _npy_header(path, name, data)
    if entry.get("dtype") != dtype.str or entry.get("shape") != list(shape):
        raise ModelFileError(f"{path} has an array {name!r} of another form than its manifest says")
    count = math.prod(shape)  # Python integers: a product of hostile lengths cannot overflow
    if count * dtype.itemsize != len(data) - start:
        raise ModelFileError(f"{path} has an array {name!r} whose shape {shape} does not fit its bytes")
    if dtype.itemsize == 0 and count > len(data):
        raise ModelFileError(f"{path} has an array {name!r} of {count} empty texts")
    # NumPy takes no buffer of empty texts
    array = np.frombuffer(data, dtype, offset=start).reshape(shape).copy() if dtype.itemsize else np.zeros(shape, dtype)
    if dtype.kind == "U" and array.size and array.view(np.uint32).max() > 0x10FFFF:
        raise ModelFileError(f"{path} has an array {name!r} with text that is no Unicode")
    if dtype.kind == "b" and array.size and array.view(np.uint8).max() > 1:
        raise ModelFileError(f"{path} has an array {name!r} with values that are neither true nor false")
    if dtype.kind == "f" and not entry.get("nan") and np.isnan(array).any():
        raise ModelFileError(f"{path} has NaN in the array {name!r}; fit the model again")
    array.flags.writeable = False
    return array


def _npy_header(path: Path, name: str, data: bytes) -> tuple[np.dtype, tuple[int, ...], int]:
    """Read the header of an .npy member by its fixed form; nothing in it is evaluated."""
    start = 10 + int.from_bytes(data[8:10], "little")
    found = _HEADER.fullmatch(data[10:start])
    if data[:8] != b"\x93NUMPY\x01\x00" or start > len(data) or found is None:
        raise ModelFileError(f"{path} has an array {name!r} whose header is no plain .npy header")
    kind = found.group(1).decode()
    if not _DTYPE.fullmatch(kind):
        raise ModelFileError(f"{path} has an array {name!r} of the type {kind!r}; expected float, int, bool or text")
    lengths = [part for part in found.group(2).decode().replace(" ", "").split(",") if part]
    if len(lengths) > 8 or any(len(part) > 18 for part in lengths):
        raise ModelFileError(f"{path} has an array {name!r} with an absurd shape")
    return np.dtype(kind), tuple(int(part) for part in lengths), start
