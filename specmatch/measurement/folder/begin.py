"""The sheets of a folder that has none, begun from the names of its scan files, for a person to look through."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import pandas as pd

from specmatch.errors import MissingScanError, ScanFileError, SheetError, SpecmatchError
from specmatch.measurement.folder.sheets import find_sheet
from specmatch.measurement.readers.files import read_scans
from specmatch.storage import write_atomic
from specmatch.wording import guarded_cell

_DAY = re.compile(
    r"(?<!\d)(20\d\d)-?(0[1-9]|1[0-2])-?(0[1-9]|[12]\d|3[01])"
    r"(?:[T_ -]?([01]\d|2[0-3])([-.]?)([0-5]\d)\5([0-5]\d))?(?!\d)"
)
# a count of pours as it ends a name: surely, and where another word names the batch
_POUR = re.compile(r"(?:p|pour|rep|replicate|run)?0?([1-9]\d?)")
_MAY_BE_POUR = re.compile(r"(?:r|scan)?0{0,2}([1-9]\d?)")
_LETTERS = "abcdefgh"
_BACKUP = re.compile(r"~\$.*|.*(?:~|\.bak|\.tmp|\.old)", re.I)
# words that say a role in a file's name; not the German `dunkel`, which is a beer as well
_ROLE_WORDS = {"dark": "dark", "ref": "reference", "reference": "reference", "referenz": "reference"}
# what may stand beside such a word; beside anything else it is a part of a beer's name (`Dark Ale`)
_BESIDE_ROLE = re.compile(r"\d+(?:ms)?|[a-h]|scan|cup|water|base|wasser")
_HEADER = ("file", "role", "sample", "pour", "batch", "beer", "measured_at")


@dataclass(frozen=True)
class BegunSheets:
    """What the names of the files of a folder told."""

    scans: list[dict[str, str]]  # rows of `scans.csv`
    batches: list[dict[str, str]]  # rows of `batches.csv`, none where one was there
    left_out: list[dict[str, str]]  # files that are no scans, each with its `reason`


def begin_sheets(folder: Path) -> BegunSheets:
    """Write `scans.csv`, and `batches.csv` where names tell batches, of a folder without them."""
    if not folder.is_dir():
        raise MissingScanError(f"{folder}: no such folder; name the folder that holds the scan files")
    if (there := find_sheet(folder, "scans")) is not None:
        raise SheetError(f"{there} is there already and is kept; move it away to begin a new one")
    own = find_sheet(folder, "batches")
    rows, left_out = _listed(folder, [path for path in folder.iterdir() if path != own])
    if not rows:
        below = [path for path in folder.rglob("*") if path.parent != folder and not find_sheet(path.parent, "scans")]
        rows, more = _listed(folder, below)
        left_out += more
    if not rows:
        first = f"; the first: {left_out[0]['file']}: {left_out[0]['reason']}" if left_out else ""
        raise SheetError(
            f"{folder}: no file in it can be read as a scan; name the folder that the instrument writes to{first}"
        )
    beers = dict.fromkeys((row["batch"], row["beer"]) for row in rows if row["batch"])
    batches = [] if own else [{"batch": batch, "beer": beer, "colour": ""} for batch, beer in beers]
    _write(folder / "scans.csv", _HEADER, rows)
    if batches:
        _write(folder / "batches.csv", ("batch", "beer", "colour"), batches)
    return BegunSheets(rows, batches, left_out)


def _listed(folder: Path, paths: Sequence[Path]) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    """Return a row for each file that reads as a scan, and the others with their reasons; a copy is no second scan."""
    rows, left_out = [], []
    known: dict[bytes, str] = {}
    # of copies the shortest name is the original's
    for path in sorted(paths, key=lambda path: (len(path.name), path)):
        file = path.relative_to(folder)
        if not path.is_file() or any(part.startswith(".") for part in file.parts):
            continue
        try:
            if _BACKUP.fullmatch(path.name):
                raise ScanFileError("a backup, by its name")
            read_scans(path)
            original = known.setdefault(sha256(path.read_bytes()).digest(), file.as_posix())
            if original != file.as_posix():
                raise ScanFileError(f"the same bytes as {original}: a copy")
        except SpecmatchError as error:
            left_out.append({"file": file.as_posix(), "reason": str(error).removeprefix(f"{path.name}: ")})
        else:
            told, places = _told_by(path.stem), file.parent.parts
            # a day in the name goes before that of a folder
            where = [place for place in places if not (told["measured_at"] and _DAY.search(place))]
            whole = _told_by("_".join([*where, path.stem]))
            if told["role"] == "sample":
                told = whole
            rows.append({"file": file.as_posix(), **told, "measured_at": whole["measured_at"]})
    return sorted(rows, key=lambda row: row["file"]), sorted(left_out, key=lambda row: row["file"])


def _told_by(stem: str) -> dict[str, str]:
    """Read the name of a file: a day, a role, a last number that counts pours, a word with digits, other words."""
    found = _DAY.search(stem)
    day = "-".join(found.group(1, 2, 3)) if found else ""
    clock = "T" + ":".join(found.group(4, 6, 7)) if found and found[4] else ""
    said = {"role": "sample", "measured_at": day + clock}
    rest = stem if found is None else stem[: found.start()] + stem[found.end() :]
    rest = re.sub(r"[()#\[\]]", " ", rest).strip()
    words = [
        word for part in re.split(r"[_\s]+" if re.search(r"[_\s]", rest) else "-", rest) if (word := part.strip("-"))
    ]
    bare = [word.casefold().rstrip("0123456789-") for word in words if not _BESIDE_ROLE.fullmatch(word.casefold())]
    roles = {_ROLE_WORDS.get(word, "") for word in bare}
    if len(roles) == 1 and roles != {""}:
        return {**said, "role": roles.pop(), **dict.fromkeys(("sample", "pour", "batch", "beer"), "")}
    pour = _pour(words)
    named = words[:-1] if pour else words
    batches = [word for word in named if re.search(r"\d", word)]
    return {
        **said,
        "sample": "_".join([*([day] if day else []), *named]),
        "pour": pour,
        "batch": batches[0] if len(batches) == 1 else "",
        "beer": " ".join(word for word in named if word not in batches) if len(batches) < 2 else "",
    }


def _pour(words: Sequence[str]) -> str:
    """Return the count of pours that ends a name, "" where none does."""
    last = words[-1].casefold() if len(words) > 1 else ""
    count = _POUR.fullmatch(last)
    if count is None and any(re.search(r"\d", word) for word in words[:-1]):
        count = _MAY_BE_POUR.fullmatch(last)
        if len(last) == 1 and last in _LETTERS:
            return str(_LETTERS.index(last) + 1)
    return count[1] if count else ""


def _write(path: Path, header: Sequence[str], rows: Sequence[dict[str, str]]) -> None:
    table = pd.DataFrame(rows, columns=list(header)).map(guarded_cell)
    write_atomic(path, table.to_csv(index=False, lineterminator="\n").encode("utf-8"))
