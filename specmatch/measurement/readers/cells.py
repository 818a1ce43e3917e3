"""From the bytes of a text to lines, cells and numbers: encoding, separators, header lines, decimal marks."""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from specmatch.errors import OptionError, ScanFileError
from specmatch.measurement.readers.units import names_wavelength, read_label
from specmatch.wording import rows_beside

BLANKS = " \u00a0\u202f\u2009"  # blank, no-break, narrow no-break, thin
APOSTROPHES = "'\u2019"
_MINUS = str.maketrans({"\u2212": "-"})

# words for no number, and for more than the detector counts; error marks of spreadsheets in eight languages among them
_WORDS = dict(rows_beside(__file__, "cell_words.csv"))
_OVER_NUMBER = re.compile(r"(?:[>\u2265]\s*=?\s*\d[\d.,]*|\d[\d.,]*\s*[*!])\Z")
_HASHES = re.compile(r"(?:#{2,}|\*{2,})\Z")
_LOOSE = re.compile(r"[+\-\u2212]?[.,]?\d[\d.,'\u2019 \u00a0\u202f\u2009]*(?:[eEdD][+-]?\d+)?\Z")


@dataclass(frozen=True)
class NumberMarks:
    """How numbers are written."""

    decimal: str = "."  # the decimal mark
    thousands: str = ""  # the marks between groups of three digits, any one of them; "" for none

    def words(self) -> str:
        """Say the marks in words."""
        return f"decimal {self.decimal!r}" + (f", thousands {self.thousands!r}" if self.thousands else "")


@lru_cache(maxsize=65536)
def token_kind(cell: str) -> str:
    """Say what a cell that is not a number stands for."""
    text = cell.strip().lower()
    if not text or _HASHES.match(text):
        return "missing"
    return "over" if _OVER_NUMBER.match(text) else _WORDS.get(text, "")


@lru_cache(maxsize=65536)
def looks_numeric(cell: str) -> bool:
    """Say whether a cell could be a number under some decimal and thousands mark."""
    return _LOOSE.match(cell) is not None


@lru_cache(maxsize=32)
def _patterns(marks: NumberMarks) -> tuple[re.Pattern[str], re.Pattern[str] | None]:
    decimal = re.escape(marks.decimal)
    exponent = r"(?:[eEdD][+-]?\d+)?"
    plain = re.compile(rf"[+-]?(?:\d+(?:{decimal}\d*)?|{decimal}\d+){exponent}\Z")
    if not marks.thousands:
        return plain, None
    group = f"[{re.escape(marks.thousands)}]"
    return plain, re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:{group}\d{{3}})+(?:{decimal}\d*)?\Z")


def parse_number(cell: str, marks: NumberMarks) -> float | None:
    """Return the value of a cell under given marks."""
    text = cell.strip().translate(_MINUS)
    plain, grouped = _patterns(marks)
    if plain.match(text):
        pass
    elif grouped is not None and grouped.match(text):
        for mark in marks.thousands:
            text = text.replace(mark, "")
    else:
        return None
    if marks.decimal != ".":
        text = text.replace(marks.decimal, ".")
    # Fortran writes exponents with D
    return float(text.replace("D", "E").replace("d", "e"))


def possible_marks(
    cells: Iterable[str],
    *,
    decimal: str | None = None,
    thousands: str | None = None,
    blank_groups: bool = False,
    counts: Collection[str] = (),
) -> list[NumberMarks]:
    """Return every reading of the marks under which all cells are numbers and the readings differ."""
    # A thousands mark is inferred only where it is certain that there is one: a number with both marks (`12.345,6`),
    # with two groups (`1.234.567`), or grouped by a blank or an apostrophe. A lone `1.234` beside nothing that settles
    # it stays possible as 1.234 and as 1234, unless it is one of `counts`, which are whole.
    numbers = sorted({cell.strip().translate(_MINUS) for cell in cells} - {""})
    others = BLANKS + APOSTROPHES if blank_groups else BLANKS[1:] + APOSTROPHES
    seen = set().union(*numbers) if numbers else set()
    if thousands is not None:
        groupings = [thousands]
    else:
        present = "".join(mark for mark in others if mark in seen)
        groupings = [present] if present else ["", ".", ","]
    decimals = [decimal] if decimal is not None else [".", ","]
    found: list[tuple[NumberMarks, list[float | None]]] = []
    for mark in decimals:
        for grouping in groupings:
            if mark in grouping or (thousands is None and grouping in (".", ",") and grouping not in seen):
                continue
            marks = NumberMarks(mark, grouping)
            values = [parse_number(cell, marks) for cell in numbers]
            if None in values or any(values == other for _, other in found):
                continue
            found.append((marks, values))
    if decimal is not None or thousands is not None or len(found) != 1 or found[0][0].thousands not in (".", ","):
        return [marks for marks, _ in found]
    marks = found[0][0]
    certain = any(marks.thousands in cell for cell in counts) or any(
        cell.count(marks.thousands) > 1 or (marks.thousands in cell and marks.decimal in cell) for cell in numbers
    )
    ungrouped = any(re.match(r"[+-]?\d{4,}", cell) for cell in numbers)
    # without a certain sign of grouping the file mixes two decimal marks, and no reading of it can be trusted
    return [marks] if certain and not ungrouped else []


SEPARATORS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blanks"}
_UNIT = re.compile(r"[\[(]?(?:nm|\u00b5m|\u03bcm|um|1/cm|cm-1|%|-|1|counts?|a\.?u\.?|fraction|percent|)[\])]?\Z", re.I)

Row = list[str]


_WITH_UNIT = re.compile(
    r"([+\-\u2212]?[.,]?\d[\d.,'\u2019\u00a0\u202f\u2009]*(?:[eEdD][+-]?\d+)?)\s{0,9}"
    r"(nm|%|\u00b5m|\u03bcm|um|cm-1|cm\^-1|1/cm|counts?|cts|AU|a\.u\.)\Z",
    re.I,
)
_LAST_OF_UNIT = frozenset("mM%1sStTuU.")
# blanks are bounded here and in other patterns of this room, so that the time of a search grows with the text only
AFTER_KEY = re.compile(r"\s{0,99}[:=;\t]\s*|\s{0,99},\s*")
_COMMENT = re.compile(r"\s*(?:[#%!]|//)+\s*")
_SEPARATOR_LINE = re.compile(r'\ufeff?"?sep=(.)"?\s*\Z', re.I)


def separator_line(line: str) -> str:
    """Return the separator that a first line such as `sep=;` states, "" if it is no such line."""
    found = _SEPARATOR_LINE.match(line)
    return found.group(1) if found and found.group(1) in SEPARATORS else ""


def split_table(lines: Sequence[str], separator: str) -> tuple[list[Row], dict[int, str], set[tuple[int, int]]]:
    """Split lines, taking the unit off numbers that carry one; return cells, unit by column, and the cells changed."""
    split = [split_line(line, separator) for line in lines]
    if separator == " ":
        split = [_joined_units(cells) for cells in split]
    plain: Counter[int] = Counter()
    found: dict[int, Counter[str]] = {}
    for cells in split:
        for j, cell in enumerate(cells):
            if looks_numeric(cell):
                plain[j] += 1
            elif cell and cell[-1] in _LAST_OF_UNIT and (match := _WITH_UNIT.match(cell)):
                found.setdefault(j, Counter())[match.group(2)] += 1
    units = {j: kinds.most_common(1)[0][0] for j, kinds in found.items() if kinds.total() > plain[j]}
    changed: set[tuple[int, int]] = set()
    for i, cells in enumerate(split if units else ()):
        for j, unit in units.items():
            match = _WITH_UNIT.match(cells[j]) if j < len(cells) else None
            if match is not None and match.group(2) == unit:
                cells[j] = match.group(1).strip()
                changed.add((i, j))
    return split, units, changed


def _joined_units(cells: Row) -> Row:
    """Join a unit to the number or the name before it, from which a blank parts it."""
    joined: Row = []
    for cell in cells:
        if joined and (cell[0] in "[(" or (looks_numeric(joined[-1]) and _WITH_UNIT.match(f"0 {cell}"))):
            joined[-1] += f" {cell}"
        else:
            joined.append(cell)
    return joined


def split_line(line: str, separator: str) -> Row:
    """Split one line; quotes shield a separator, and outer blanks go."""
    if separator == " ":
        # not every blank: a no-break blank groups digits
        line = line.replace("\t", " ")
        cells = next(csv.reader([line], delimiter=" ", skipinitialspace=True)) if '"' in line else line.split(" ")
        return [cell for cell in cells if cell]
    if '"' in line:
        # spreadsheets keep a number as text by `="400"`; a line may be quoted as a whole
        cells = next(csv.reader([line.strip().replace('="', '"')], delimiter=separator, skipinitialspace=True))
        return [cell.strip() for cell in (cells if len(cells) > 1 else cells[0].split(separator))]
    if line.lstrip()[:1] == "'":
        return [cell.strip().strip("'") for cell in line.split(separator)]
    return [cell.strip() for cell in line.split(separator)]


def candidate_separators(text: str, separator: str | None) -> list[str]:
    """Return the separators worth trying on a text, the plainest first."""
    if separator is not None:
        return [separator]
    return [mark for mark in SEPARATORS if mark == " " or mark in text]


def pass_over_comments(
    lines: Sequence[str], separator: str, split: list[Row], numeric: list[bool], filled: list[bool]
) -> tuple[dict[str, str], list[str]]:
    """Blank lines between numbers that are marked as comments and hold no row of them; return what they say, told."""
    first = numeric.index(True) if any(numeric) else len(lines)
    last = len(lines) - numeric[::-1].index(True) if any(numeric) else 0
    said, told = [""] * len(lines), []
    for i in range(first, last):
        if not filled[i] or numeric[i] or not _COMMENT.match(lines[i]):
            continue
        text = _COMMENT.sub("", lines[i])
        words = _joined_units(split_line(text, " "))
        if any(map(looks_numeric, split_line(text, separator))) or all(
            looks_numeric(word) or _WITH_UNIT.match(word) for word in words
        ):
            continue
        said[i], split[i], filled[i] = lines[i], [], False
        told.append(f"line {i + 1}, {lines[i].strip()[:40]!r}, is a comment among the numbers: passed over")
    # such a line may say how it was measured, as a header does
    return read_meta(said, first_line=1), told


def is_value(cell: str) -> bool:
    """Say whether a cell is a number or stands for one (missing, over the range)."""
    return looks_numeric(cell) or token_kind(cell) != ""


def is_data_line(cells: Row) -> bool:
    """Say whether a split line is a row of numbers: at least two cells, each a number or standing for one."""
    return len(cells) >= 2 and any(map(looks_numeric, cells)) and all(map(is_value, cells))


def names_column(cells: Row) -> bool:
    """True for a header line that names a column of wavelengths, and holds no wavelength itself."""
    return any(map(names_wavelength, cells)) and not any(map(looks_numeric, cells))


def names_over_units(names: Row, units: Row) -> bool:
    """Say whether a line names the columns whose units stand in the line below it."""
    if len(names) != len(units) or not any(units) or any(map(looks_numeric, names)):
        return False
    if not all(map(_UNIT.match, units)):
        return False
    if len(units) > 2 or not names_wavelength(units[0]) or names_wavelength(names[0]):
        return True
    # a wavelength named in a language that is not known here still stands beside a quantity that its unit does not say
    return read_label(names[1]).quantity != "" and read_label(units[1]).quantity == ""


def read_meta(lines: Sequence[str], *, first_line: int) -> dict[str, str]:
    """Read header lines such as `key: value`, `key=value` or `key;value` as text."""
    meta: dict[str, str] = {}
    for number, line in enumerate(lines, first_line):
        text = line.strip().lstrip("#%!/").strip().strip(",;\t")
        if not text:
            continue
        parts = AFTER_KEY.split(text, maxsplit=1)
        if len(parts) == 2 and parts[0]:
            meta.setdefault(parts[0].strip().strip('"'), parts[1].strip().strip('"').strip(",;\t "))
        else:
            meta.setdefault(f"line {number}", text)
    return meta


_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_NOT_TEXT = (
    (b"PK\x03\x04", "a zip or spreadsheet file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet file"),
    (b"\x89PNG", "a picture"),
    (b"%PDF", "a PDF page"),
    (b"\x1f\x8b", "a compressed file"),
    (b"\x80\x04", "a pickle"),
)


def decode_text(raw: bytes, *, encoding: str | None = None) -> tuple[str, str]:
    """Decode the bytes of a text file."""
    text, found = _decode(raw, encoding)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text, found


def _decode(raw: bytes, encoding: str | None) -> tuple[str, str]:
    if encoding is not None:
        try:
            return raw.decode(encoding), encoding
        except LookupError:
            raise OptionError(f"encoding {encoding!r} is not known; use a name such as 'utf-8' or 'cp1252'") from None
        except UnicodeError as error:
            raise ScanFileError(f"not {encoding} text ({error}); leave encoding=None") from None
    for start, kind in _NOT_TEXT:
        if raw.startswith(start):
            raise ScanFileError(f"this is {kind}, not text; export the scan as delimited text or JCAMP-DX")
    if raw.isascii() and b"\0" not in raw:
        return raw.decode("ascii"), "UTF-8"
    for mark, codec, words in _MARKS:
        if raw.startswith(mark):
            return _strict(raw, codec, words), words
    nulls = raw.count(0)
    if nulls:
        # text in UTF-16 has a zero in about every second byte, always on the same side
        for codec, side in (("utf-16-le", 1), ("utf-16-be", 0)):
            if raw[side::2].count(0) == nulls and nulls > len(raw) // 4:
                return _strict(raw, codec, "UTF-16"), "UTF-16 without a mark"
        raise ScanFileError(f"{nulls} zero bytes: this is binary data, not text; export the scan as text")
    try:
        return raw.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        return _strict(raw, "cp1252", "Windows-1252"), "Windows-1252"


def _strict(raw: bytes, codec: str, words: str) -> str:
    try:
        return raw.decode(codec)
    except UnicodeError as error:
        raise ScanFileError(
            f"begins like {words} but does not decode ({error}); the file may be cut or damaged: copy it again, or "
            "in Python give encoding=..."
        ) from None
