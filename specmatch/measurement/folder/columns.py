"""Columns of the sheets: the known ones, and what an unknown one may be meant for."""

import csv
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

from specmatch.errors import SheetError
from specmatch.wording import text_beside

# every known column: its sheets, whether it names something or is only kept, the range beyond which a number is a slip
# of the pen or of a decimal mark, its unit, and what people of the trade write for it in their languages
_KNOWN = list(csv.DictReader(text_beside(__file__, "columns.csv").splitlines()))
SCAN_COLUMNS, BATCH_COLUMNS, MATERIAL_COLUMNS = (
    tuple(row["column"] for row in _KNOWN if sheet in row["sheets"].split())
    for sheet in ("scans", "batches", "materials")
)
RANGES = {row["column"]: (float(row["low"]), float(row["high"])) for row in _KNOWN if row["low"]}
UNITS = {row["column"]: row["unit"] for row in _KNOWN if row["unit"]}
SCAN_NUMBERS = ("integration_ms", "fill_ml", "fill_sd_ml", "cup_mm", "temperature_c")
LAB_NUMBERS = ("colour", "colour_sd", "colour_n")
_NAMED = tuple(row["column"] for row in _KNOWN if row["kind"] == "name")
NAMES = (*_NAMED, "material_lot")  # which a spreadsheet may have spoilt
# kept with the scans or batches, but no answer rests on them: a slip in these names is only told
_ONLY_KEPT = tuple(row["column"] for row in _KNOWN if row["kind"] == "kept")
_ALIASES = {row["column"]: row["aliases"].split() for row in _KNOWN if row["aliases"]}
ROLES = ("sample", "dark", "reference", "control", "check")
# the two kinds of reference, each with what people of the trade write for it
REFERENCE_KINDS = {
    "water": "water wasser eau agua acqua vand vatten cup_with_water water_cup water_ref water_reference",
    "base": "base bare_base basis mirror spiegel miroir espejo specchio spejl",
}
# titles of spectra that say what they are
ROLE_TITLES = dict.fromkeys(("dark", "dark_scan", "dark_spectrum", "dunkel"), "dark") | dict.fromkeys(
    ("reference", "reference_scan", "reference_spectrum", "ref", "referenz", "white", "white_reference"), "reference"
)
EVERY_COLUMN = frozenset((*SCAN_COLUMNS, *BATCH_COLUMNS, *MATERIAL_COLUMNS))
_TARGET = {alias: known for known, aliases in _ALIASES.items() for alias in aliases} | {
    f"{known}_{tail}": known for known in _NAMED for tail in ("id", "name", "no", "nr", "number")
}
TIME_NAMES = frozenset(("measured_at", *_ALIASES["measured_at"]))
# `SampleID` is `sample_id`
_TARGET |= {alias.replace("_", ""): known for alias, known in _TARGET.items()}
# words of the language that lie one letter from a known name and are none
_ORDINARY = frozenset(text_beside(__file__, "ordinary_words.txt").split())
_BRACKET = re.compile(r"(.*?)[\s_]*[\[(]\s*([^\])]*?)\s*[\])]\s*\Z", re.S)


@dataclass(frozen=True)
class UnknownColumn:
    """A column of a sheet that is not known."""

    name: str  # as it stands in the sheet
    nearest: str  # the known name that it is nearest to
    meant: bool  # whether it is a near miss of that name
    same_fact: bool  # whether it says the same by another name (alias, unit in brackets), no slip of the pen
    unit: str = ""  # that stands in brackets or at its end
    elsewhere: str = ""  # the column of another sheet that says the same


def folded(name: str) -> str:
    """Return a name of a column without case, accents, and marks between words."""
    plain = unicodedata.normalize("NFKD", name.casefold())
    letters = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return re.sub(r"[\s\-./_,:;]+", "_", letters).strip("_")


def reference_kinds(cells: Sequence[str], lines: Sequence[int], name: str) -> list[str]:
    """Return kinds of reference by their known names; one that is none would be told from no other."""
    kind = {word: known for known, words in REFERENCE_KINDS.items() for word in words.split()} | {"": ""}
    for line, cell in zip(lines, cells, strict=True):
        if folded(cell) not in kind or (cell and not folded(cell)):
            raise SheetError(
                f"{name}, line {line}, column reference_kind: {cell!r} is not known; write water (a cup with water) or "
                "base (the bare base), or leave it blank"
            )
    return [kind[folded(cell)] for cell in cells]


def known_name(name: str, known: Sequence[str]) -> str:
    """Return the known name of a column that differs from it in case or marks only; else the name as it is."""
    plain = folded(name)
    return plain if plain in known else name


def unknown_column(name: str, known: Sequence[str]) -> UnknownColumn:
    """Say what a column that is not known may be meant for."""
    plain, unit = folded(name), ""
    bracket = _BRACKET.match(name)
    if bracket is not None and folded(bracket.group(1)):
        plain, unit = folded(bracket.group(1)), bracket.group(2)
        if plain in known:
            # `cup (mm)` is the diameter, not the name
            with_unit = f"{plain}_{folded(unit)}"
            return UnknownColumn(name, with_unit if with_unit in known else plain, True, True, unit)
    target = _TARGET.get(plain, "")
    if bracket is not None and f"{plain}_{folded(unit)}" in known:
        target = f"{plain}_{folded(unit)}"
    if target in known:
        return UnknownColumn(name, target, target not in _ONLY_KEPT, True, unit or plain)
    if target:
        return UnknownColumn(name, target, False, False, elsewhere=target)
    nearest = max(known, key=lambda other: (SequenceMatcher(None, plain, other).ratio(), other))
    if plain in _ORDINARY or plain in EVERY_COLUMN:
        return UnknownColumn(name, nearest, False, False)
    distance, closest = min((_edits(plain, other), other) for other in known)
    near = distance <= (2 if len(closest) >= 7 else 1) and distance < len(plain)
    if near:
        nearest = closest
    return UnknownColumn(name, nearest, near and nearest not in _ONLY_KEPT, False)


def _edits(one: str, other: str) -> int:
    """Edits between two words, two letters changed about being one (optimal string alignment, Damerau 1964)."""
    if abs(len(one) - len(other)) > 2:
        return 3
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, 1):
        last, row, older = row, [i], before
        for j, mark in enumerate(other, 1):
            row.append(min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (letter != mark)))
            if i > 1 and j > 1 and letter == other[j - 2] and one[i - 2] == mark:
                row[j] = min(row[j], older[j - 2] + 1)
        before = last
    return row[-1]
