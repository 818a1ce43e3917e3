"""Columns of the sheets: the known ones, what an unknown one may be meant for, and one fact that two columns state."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from difflib import SequenceMatcher
from functools import lru_cache
from typing import TYPE_CHECKING

from specmatch.colour import ebc_from_srm
from specmatch.errors import SheetError
from specmatch.spectra import tidy_name
from specmatch.wording import listed, text_beside

if TYPE_CHECKING:
    import pandas as pd

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


@lru_cache(maxsize=4096)  # the same few names, on every file's header
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


# One fact stated twice: by two columns of a sheet, or by two sheets of a folder.

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?\Z")
# to the unit of the known column, as a factor
_FACTORS = {
    "integration_ms": {"ms": 1.0, "s": 1e3, "us": 1e-3, "\u00b5s": 1e-3}, "fill_ml": {"ml": 1.0, "l": 1e3, "cl": 10.0},
    "cup_mm": {"mm": 1.0, "cm": 10.0}, "fill_sd_ml": {"ml": 1.0},
}  # fmt: skip
# lab colours are rounded, also after a conversion
_OF_COLOURS, _ELSE = 0.03, 0.005
# columns of the other sheet that mean something else there: the claim is none of the batch's facts
_NO_FACT_OF_BOTH = ("batch", "beer")
# columns in which two spellings of one name part what belongs together
_NAMES = ("batch", "beer", "instrument", "session", "operator", "cup", "lamp", "base", "stage", "site", "material")
MOST_NAMED = 5


def check_columns(table: pd.DataFrame, lines: Sequence[int], unknown: Sequence[UnknownColumn], *, name: str) -> None:
    """Refuse a sheet in which a column says otherwise than the known column that it is another name of."""
    for column in unknown:
        if column.same_fact and column.nearest in table:
            for line, one, other, unit in zip(
                lines, table[column.name], table[column.nearest], _units(table, column), strict=True
            ):
                if not _agree(one, other, column, unit):
                    raise SheetError(
                        f"{name}, line {line}: column {column.name!r} says {one!r} and column {column.nearest!r} says "
                        f"{other!r}, which are one fact; keep the column that is right"
                    )
    _one_diameter_a_cup(table, lines, name)


def check_sheets(scans: pd.DataFrame, batches: pd.DataFrame, *, scans_name: str, batches_name: str) -> None:
    """Refuse a folder whose two sheets state a fact of a batch differently."""
    # scans: a column `batch`; batches: index `batch`
    if "batch" not in scans or batches.empty:
        return
    for column in (c for c in scans if c in batches and c not in _NO_FACT_OF_BOTH and c not in ("time", "order")):
        known = {str(k): v for k, v in batches[column].items() if _said(v)}
        for batch, value in zip(scans["batch"], scans[column], strict=True):
            if _said(value) and batch in known and not _equal(str(value), str(known[batch])):
                raise SheetError(
                    f"{scans_name} and {batches_name}: column {column!r} is {value!r} in {scans_name} and "
                    f"{known[batch]!r} in {batches_name} for batch {batch!r}; keep the one that is right"
                )


LONGEST_SAMPLE = timedelta(hours=12)  # all pours of one sample are poured within a shift


def said_of_names(scans: pd.DataFrame) -> list[str]:
    """Say which batches a sheet claims to be of several beers, and which names are likely one name written twice."""
    claimed = scans[(scans["role"] == "sample") & (scans["batch"] != "") & (scans["beer"] != "")]
    said = [
        f"batch {batch!r} is claimed to be {' and '.join(map(repr, own))}; a lot is of one beer"
        for batch, own in claimed.groupby("batch", sort=False)["beer"].unique().items()
        if len(own) > 1
    ]
    for column in _NAMES:
        said += [f"column {one}" for one in said_of_spellings(column, scans[column].unique())]
    timed = scans[(scans["role"] == "sample") & (scans["sample"] != "") & scans["time"].notna()]
    spans = timed.groupby("sample", sort=False)["time"].agg(lambda own: max(own) - min(own))
    if long := [f"{sample!r}, {span.days or 1} day(s)" for sample, span in spans.items() if span > LONGEST_SAMPLE]:
        said.append(
            "pours of one sample lie far apart, and a sample is taken at one time; if they are several, give each its "
            f"name and batch: {listed(long, MOST_NAMED)}"
        )
    return said


def said_of_spellings(of: str, names: Iterable[str]) -> list[str]:
    """Say which of some different names are likely one written twice."""
    alike: dict[str, list[str]] = {}
    for name in dict.fromkeys(map(tidy_name, names)):
        alike.setdefault(folded(name), []).append(name)
    return [
        f"{of}: {' and '.join(map(repr, several))} differ in case or marks only, and are taken for different names; "
        "write one of them where they are one"
        for plain, several in alike.items()
        if plain and len(several) > 1
    ]


def other_claims(scans: pd.DataFrame, batches: pd.DataFrame) -> list[str]:
    """Say which batches the sheet of scans claims to be another beer than the sheet of batches."""
    if "beer" not in batches or batches.empty:
        return []
    pairs = scans.loc[(scans["role"] == "sample") & (scans["beer"] != ""), ["batch", "beer"]].drop_duplicates()
    own = pairs["batch"].map(batches["beer"]).fillna("")
    pairs = pairs[(own != "") & (own.map(tidy_name) != pairs["beer"].map(tidy_name))]
    each = [f"{batch!r}, there {batches.at[batch, 'beer']!r}, here {beer!r}" for batch, beer in pairs.to_numpy()]
    if not each:
        return []
    named = listed(each, MOST_NAMED)
    return [f"batches claimed to be another beer than in batches.csv, which a set goes by: {named}"]


def _one_diameter_a_cup(table: pd.DataFrame, lines: Sequence[int], name: str) -> None:
    if "cup" not in table or "cup_mm" not in table:
        return
    first: dict[str, tuple[int, str]] = {}
    for line, own, value in zip(lines, table["cup"], table["cup_mm"], strict=True):
        if not own or not value:
            continue
        at, before = first.setdefault(own, (line, value))
        if not _equal(value, before):
            raise SheetError(
                f"{name}, line {line}: column 'cup' says {own!r} and column 'cup_mm' says {value!r}, where line "
                f"{at} has {before!r} for the same cup; give each cup one cup_mm"
            )


def _units(table: pd.DataFrame, column: UnknownColumn) -> list[str]:
    """The unit of the known column's cells, row by row; only a colour's may differ."""
    if column.nearest == "colour" and "colour_unit" in table:
        return [str(unit).upper() or "EBC" for unit in table["colour_unit"]]
    return ["EBC" if column.nearest == "colour" else ""] * len(table)


def _agree(one: str, other: str, column: UnknownColumn, unit: str) -> bool:
    if not one or not other:
        return True
    stated = folded(column.unit)
    if column.nearest != "colour":
        return _equal(one, other, factor=_FACTORS.get(column.nearest, {}).get(stated.rpartition("_")[2], 1.0))
    own = next((known for known in ("SRM", "EBC") if known in stated.upper()), unit)
    to_unit = {("SRM", "EBC"): float(ebc_from_srm(1.0)), ("EBC", "SRM"): 1.0 / float(ebc_from_srm(1.0))}
    return _equal(one, other, factor=to_unit.get((own, unit), 1.0), tolerance=_OF_COLOURS)


def _equal(one: str, other: str, *, factor: float = 1.0, tolerance: float = _ELSE) -> bool:
    """Say whether two cells are one text, or one number after the first of them is brought to the other's unit."""
    a, b = _as_number(one), _as_number(other)
    if a is None or b is None:
        return one.casefold() == other.casefold()
    return abs(a * factor - b) <= tolerance * max(abs(a * factor), abs(b))


def _as_number(cell: str) -> float | None:
    return float(cell.replace(",", ".")) if _NUMBER.match(cell) else None


def _said(value: object) -> bool:
    return value is not None and value == value and str(value) != ""
