"""From the bytes of a text to lines and cells: encoding, line ends, separators, header lines."""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence

from specmatch.errors import OptionError, ScanFileError
from specmatch.measurement.readers.numbers import looks_numeric, token_kind
from specmatch.measurement.readers.scan import Notes
from specmatch.measurement.readers.units import names_wavelength, read_label

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
        if '"' in line:
            cells = next(csv.reader([line.replace("\t", " ")], delimiter=" ", skipinitialspace=True))
            return [cell for cell in cells if cell]
        return [cell for cell in line.replace("\t", " ").split(" ") if cell]
    if '"' in line:
        # spreadsheets keep a number as text by `="400"`; a line may be quoted as a whole
        cells = next(csv.reader([line.strip().replace('="', '"')], delimiter=separator, skipinitialspace=True))
        return (
            [cell.strip() for cell in cells] if len(cells) > 1 else [cell.strip() for cell in cells[0].split(separator)]
        )
    if line.lstrip()[:1] == "'":
        return [cell.strip().strip("'") for cell in line.split(separator)]
    return [cell.strip() for cell in line.split(separator)]


def candidate_separators(text: str, separator: str | None) -> list[str]:
    """Return the separators worth trying on a text, the plainest first."""
    if separator is not None:
        return [separator]
    return [mark for mark in SEPARATORS if mark == " " or mark in text]


def pass_over_comments(
    lines: Sequence[str], separator: str, split: list[Row], numeric: list[bool], filled: list[bool], notes: Notes
) -> dict[str, str]:
    """Blank the lines between numbers that are marked as comments and hold no row of numbers; return what they say."""
    first = numeric.index(True) if any(numeric) else len(lines)
    last = len(lines) - numeric[::-1].index(True) if any(numeric) else 0
    said = [""] * len(lines)
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
        notes.doubt(f"line {i + 1}, {lines[i].strip()[:40]!r}, is a comment among the numbers: passed over")
    # such a line may say how it was measured, as a header does
    return read_meta(said, first_line=1)


def is_value(cell: str) -> bool:
    """Say whether a cell is a number or stands for one (missing, over the range)."""
    return looks_numeric(cell) or token_kind(cell) != ""


def is_data_line(cells: Row) -> bool:
    """Say whether a split line is a row of numbers: at least two cells, each a number or standing for one."""
    return len(cells) >= 2 and any(map(looks_numeric, cells)) and all(map(is_value, cells))


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
            "name its encoding=..."
        ) from None
