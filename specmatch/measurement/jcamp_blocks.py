"""The labels and blocks of a JCAMP-DX text, whatever the spelling of the labels.

McDonald and Wilks, Applied Spectroscopy 42:151-162, 1988 (version 4.24); Lampen and others, Applied Spectroscopy
53:96A-99A, 1999 (version 5.01). Both citations from memory.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from specmatch.errors import ScanFileError

_LABEL = re.compile(r"\s*##([^=]*)=(.*)\Z", re.DOTALL)
# labels whose value is a table: its lines are kept with their numbers
_TABLES = ("XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "DATATABLE", "RADATA")
# a line that begins so without its ## would be lost in the value before it, and the number with it
_KNOWN = (
    "TITLE", "JCAMPDX", "DATATYPE", "BLOCKS", "END", "XUNITS", "YUNITS", "XFACTOR", "YFACTOR", "FIRSTX", "LASTX",
    "DELTAX", "NPOINTS", "FIRSTY", "MAXX", "MINX", "MAXY", "MINY", *_TABLES,
)  # fmt: skip


@dataclass
class Block:
    """One block between `##TITLE` and `##END`.

    Attributes
    ----------
    line : int
        Line of its title.
    labels : dict of str to str
        Values by label, spelled without case, blanks, `-`, `/` and `_`.
    form : str
        What the table's label says of its form, such as `(X++(Y..Y))`; "" where there is no table.
    table_label : str
    table : list of (line, text)
    children : list of Block
    closed : bool
        Whether its `##END` was found.
    """

    line: int
    labels: dict[str, str] = field(default_factory=dict)
    form: str = ""
    table_label: str = ""
    table: list[tuple[int, str]] = field(default_factory=list)
    children: list["Block"] = field(default_factory=list)
    closed: bool = False


def is_jcamp(text: str) -> bool:
    r"""Say whether a text begins as JCAMP-DX does.

    Parameters
    ----------
    text : str

    Returns
    -------
    bool
        True where a label is the first thing after comments.

    Examples
    --------
    >>> is_jcamp("$$ by hand\n##TITLE= Amber Lane\n"), is_jcamp("wavelength;counts\n")
    (True, False)
    """
    return re.match(r"\s*(?:\$\$[^\n]*\n\s*)*##", text) is not None


def plain_label(text: str) -> str:
    """Return a label in the spelling that labels are compared in.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        In capitals, without blanks, `-`, `/` and `_`.

    Examples
    --------
    >>> [plain_label(text) for text in ("DATA TYPE", "DataType", "JCAMP_DX", "x units")]
    ['DATATYPE', 'DATATYPE', 'JCAMPDX', 'XUNITS']
    """
    return re.sub(r"[\s\-/_]", "", text).upper()


def read_blocks(text: str, *, name: str) -> list[Block]:
    r"""Return the outermost blocks of a text, each with the blocks inside it.

    Parameters
    ----------
    text : str
    name : str
        The file's name, for messages.

    Returns
    -------
    list of Block

    Raises
    ------
    ScanFileError
        If a label stands outside a block, twice in a block, or has lost a mark.

    Examples
    --------
    >>> [block] = read_blocks("##TITLE= Amber Lane\n##X UNITS= NANOMETERS\n##END=\n", name="a.jdx")
    >>> block.labels, block.closed
    ({'TITLE': 'Amber Lane', 'XUNITS': 'NANOMETERS'}, True)
    """
    blocks: list[Block] = []
    open_blocks: list[Block] = []
    for line, label, value, rest in _records(text, name):
        if label == "TITLE":
            block = Block(line)
            (open_blocks[-1].children if open_blocks else blocks).append(block)
            open_blocks.append(block)
        if not open_blocks:
            raise ScanFileError(
                f"{name}, line {line}: ##{label} stands before any ##TITLE; the file's beginning is lost"
            )
        block = open_blocks[-1]
        if label == "END":
            block.closed = True
            open_blocks.pop()
            continue
        if label in _TABLES:
            if block.table_label:
                raise ScanFileError(
                    f"{name}, line {line}: a second table ##{label} in one block; save one spectrum a block"
                )
            block.form, block.table_label, block.table = re.sub(r"\s", "", value), label, rest
            continue
        full = "\n".join([value, *(text for _, text in rest)]).strip()
        if block.labels.get(label, full) != full:
            raise ScanFileError(f"{name}, line {line}: ##{label} stands twice in one block with different values")
        block.labels[label] = full
    return blocks


def _is_known_label(line: str) -> bool:
    return "=" in line and plain_label(line.split("=", 1)[0]) in _KNOWN


def _records(text: str, name: str) -> Iterator[tuple[int, str, str, list[tuple[int, str]]]]:
    """Yield (line, label, value, following lines) with comments cut."""
    current: tuple[int, str, str, list[tuple[int, str]]] | None = None
    for number, line in enumerate(text.split("\n"), 1):
        bare = line.split("$$", 1)[0].rstrip()
        if not bare.strip():
            continue
        match = _LABEL.match(bare)
        if match is not None:
            if current is not None:
                yield current
            current = (number, plain_label(match.group(1)), match.group(2).strip(), [])
        elif current is None:
            raise ScanFileError(f"{name}, line {number}: text before the first label; the file's beginning is damaged")
        elif re.match(r"\s*#", bare) or "##" in bare or _is_known_label(bare):
            raise ScanFileError(
                f"{name}, line {number}: {bare.strip()[:40]!r} is a label that has lost a mark; copy the file again"
            )
        else:
            current[3].append((number, bare.strip()))
    if current is not None:
        yield current
