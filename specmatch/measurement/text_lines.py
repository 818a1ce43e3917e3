"""The lines of a text one by one: their separator and cells, whether they hold numbers, and what a header says."""

import csv
import re
from collections.abc import Sequence

from specmatch.errors import OptionError
from specmatch.measurement.number_marks import looks_numeric, token_kind
from specmatch.measurement.units import names_wavelength, read_label

SEPARATORS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "blanks"}
_UNIT = re.compile(r"[\[(]?(?:nm|\u00b5m|\u03bcm|um|1/cm|cm-1|%|-|1|counts?|a\.?u\.?|fraction|percent|)[\])]?\Z", re.I)

Row = list[str]


def split_line(line: str, separator: str) -> Row:
    """Split one line; quotes shield a separator, and outer blanks go.

    Parameters
    ----------
    line : str
    separator : str
        One of `SEPARATORS`; a blank stands for any run of blanks and tabs.

    Returns
    -------
    list of str

    Examples
    --------
    >>> split_line(' 400 ; "a; b" ;0,25', ";")
    ['400', 'a; b', '0,25']
    """
    if separator == " ":
        # not every blank: a no-break blank groups digits
        return [cell for cell in re.split(r"[ \t]+", line) if cell]
    if '"' in line:
        cells = next(csv.reader([line.strip()], delimiter=separator, skipinitialspace=True))
        return [cell.strip() for cell in cells]
    return [cell.strip() for cell in line.split(separator)]


def candidate_separators(text: str, separator: str | None) -> list[str]:
    """Return the separators worth trying on a text, the plainest first.

    Parameters
    ----------
    text : str
    separator : str or None
        What the caller has said.

    Returns
    -------
    list of str
        Blanks always among them, as the last; only `separator` where one is given.

    Raises
    ------
    OptionError
        If the separator given is not one of `SEPARATORS`.

    Examples
    --------
    >>> candidate_separators("400;0,25", None)
    [';', ',', ' ']
    """
    if separator is not None:
        if separator not in SEPARATORS:
            raise OptionError(f"separator={separator!r} is not known; use one of {', '.join(map(repr, SEPARATORS))}")
        return [separator]
    return [mark for mark in SEPARATORS if mark == " " or mark in text]


def is_value(cell: str) -> bool:
    """Say whether a cell is a number or stands for one (missing, over the range).

    Parameters
    ----------
    cell : str

    Returns
    -------
    bool

    Examples
    --------
    >>> [is_value(cell) for cell in ("0,25", "---", "OVER", "Amber Lane")]
    [True, True, True, False]
    """
    return looks_numeric(cell) or token_kind(cell) != ""


def is_data_line(cells: Row) -> bool:
    """Say whether a split line is a row of numbers: at least two cells, the first of them a number.

    Parameters
    ----------
    cells : list of str

    Returns
    -------
    bool
        True as well where the first of four cells or more is empty: other pairs of columns may be longer.

    Examples
    --------
    >>> is_data_line(["400", "OVER"]), is_data_line(["400", "Amber Lane"]), is_data_line(["beer", "0,25"])
    (True, False, False)
    """
    if len(cells) < 2 or not (looks_numeric(cells[0]) or (cells[0] == "" and len(cells) >= 4)):
        return False
    return any(map(looks_numeric, cells)) and all(map(is_value, cells[1:]))


def names_over_units(names: Row, units: Row) -> bool:
    """Say whether a line names the columns whose units stand in the line below it.

    Parameters
    ----------
    names, units : list of str
        Two lines, split.

    Returns
    -------
    bool
        False where the upper of two lines of two cells is a line of the header, above a line that names the columns
        by their units.

    Examples
    --------
    >>> names_over_units(["Wavelength", "Absorbance"], ["nm", "a.u."])
    True
    >>> names_over_units(["operator", "KA"], ["nm", "counts"])
    False
    """
    if len(names) != len(units) or not any(units) or any(map(looks_numeric, names)):
        return False
    if not all(map(_UNIT.match, units)):
        return False
    if len(units) > 2 or not names_wavelength(units[0]) or names_wavelength(names[0]):
        return True
    # a wavelength named in a language that is not known here still stands beside a quantity that its unit does not say
    return read_label(names[1]).quantity != "" and read_label(units[1]).quantity == ""


def read_meta(lines: Sequence[str], *, first_line: int) -> dict[str, str]:
    """Read header lines such as `key: value`, `key=value` or `key;value` as text.

    Parameters
    ----------
    lines : sequence of str
    first_line : int
        Number of the first of them, from 1.

    Returns
    -------
    dict of str to str
        A line of another form stands under `line` and its number; of keys that repeat the first counts.

    Examples
    --------
    >>> read_meta(["# operator: KA", "a remark"], first_line=1)
    {'operator': 'KA', 'line 2': 'a remark'}
    """
    meta: dict[str, str] = {}
    for number, line in enumerate(lines, first_line):
        text = line.strip().lstrip("#%!/").strip().strip(",;\t")
        if not text:
            continue
        parts = re.split(r"\s*[:=;\t]\s*|\s*,\s*", text, maxsplit=1)
        if len(parts) == 2 and parts[0]:
            meta.setdefault(parts[0].strip().strip('"'), parts[1].strip().strip('"').strip(",;\t "))
        else:
            meta.setdefault(f"line {number}", text)
    return meta
