"""The sheets of a folder that has none, begun from the names of its scan files, for a person to look through."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from specmatch.errors import MissingScanError, SheetError, SpecmatchError
from specmatch.measurement.folder.sheets import find_sheet
from specmatch.measurement.readers.files import read_scans
from specmatch.storage import write_atomic
from specmatch.wording import guarded_cell

_DAY = re.compile(r"(?<!\d)(20\d\d)-?(0[1-9]|1[0-2])-?(0[1-9]|[12]\d|3[01])(?!\d)")
# words that say a role in a file's name; not the German `dunkel`, which is a beer as well
_ROLE_WORDS = {"dark": "dark", "ref": "reference", "reference": "reference", "referenz": "reference"}
# what may stand beside such a word; beside anything else it is a part of a beer's name (`Dark Ale`)
_BESIDE_ROLE = re.compile(r"\d+(?:ms)?|scan|cup|water|base|wasser")
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
    rows, left_out = [], []
    for path in sorted(folder.iterdir()):
        if not path.is_file() or path.name.startswith(".") or path == own:
            continue
        try:
            read_scans(path)
        except SpecmatchError as error:
            left_out.append({"file": path.name, "reason": str(error).removeprefix(f"{path.name}: ")})
        else:
            rows.append({"file": path.name, **_told_by(path.stem)})
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


def _told_by(stem: str) -> dict[str, str]:
    """Read the name of a file: a day, a role, a last number that counts pours, a word with digits, other words."""
    day = _DAY.search(stem)
    said = {"role": "sample", "measured_at": "-".join(day.groups()) if day else ""}
    rest = stem if day is None else stem[: day.start()] + stem[day.end() :]
    words = [
        word for part in re.split(r"[_\s]+" if re.search(r"[_\s]", rest) else "-", rest) if (word := part.strip("-"))
    ]
    bare = [word.casefold().rstrip("0123456789-") for word in words if not _BESIDE_ROLE.fullmatch(word.casefold())]
    roles = {_ROLE_WORDS.get(word, "") for word in bare}
    if len(roles) == 1 and roles != {""}:
        return {**said, "role": roles.pop(), **dict.fromkeys(("sample", "pour", "batch", "beer"), "")}
    pour = re.fullmatch(r"[pP]?0?([1-9]\d?)", words[-1]) if len(words) > 1 else None
    named = words[:-1] if pour else words
    batches = [word for word in named if re.search(r"\d", word)]
    return {
        **said,
        "sample": "_".join([*([said["measured_at"]] if day else []), *named]),
        "pour": pour[1] if pour else "",
        "batch": batches[0] if len(batches) == 1 else "",
        "beer": " ".join(word for word in named if word not in batches) if len(batches) < 2 else "",
    }


def _write(path: Path, header: Sequence[str], rows: Sequence[dict[str, str]]) -> None:
    table = pd.DataFrame(rows, columns=list(header)).map(guarded_cell)
    write_atomic(path, table.to_csv(index=False, lineterminator="\n").encode("utf-8"))
