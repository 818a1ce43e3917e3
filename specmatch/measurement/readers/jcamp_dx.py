"""JCAMP-DX text to spectra, with every declaration of the file held against what is found."""
# The decoder is our own: readers in general use return short or shifted spectra for repeat counts of two digits, print
# failed checks instead of raising, and stop at decimal commas; the tests hold it against one of them where that is
# right. McDonald and Wilks, Applied Spectroscopy 42:151-162, 1988 (version 4.24); Lampen and others, Applied
# Spectroscopy 53:96A-99A, 1999 (version 5.01). Both citations from memory.

import re
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.errors import AmbiguousScanFileError, ScanFileError
from specmatch.measurement.readers.scan import Notes, RawSpectrum, refuse_count, told_of
from specmatch.wording import PLAIN_NUMBER

# lines of a table to ordinates: plain numbers (AFFN) and the packed forms PAC, SQZ, DIF and DUP, whose pseudo-digits
# are those of the standard (McDonald and Wilks, 1988)

MOST_POINTS = 1_000_000
# what each letter stands for: a sign and a digit
_SQZ = dict(zip("@ABCDEFGHI", map(str, range(10)), strict=True)) | {c: f"-{n}" for n, c in enumerate("abcdefghi", 1)}
_DIF = dict(zip("%JKLMNOPQR", map(str, range(10)), strict=True)) | {c: f"-{n}" for n, c in enumerate("jklmnopqr", 1)}
_DUP = dict(zip("STUVWXYZs", map(str, range(1, 10)), strict=True))
_PACKED = re.compile(r"[@A-DF-Ia-df-i%J-Rj-rS-Zs]")
_AFFN_TOKEN = re.compile(r"[\s;,]*(\?|[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)")
_ASDF_TOKEN = re.compile(r"[\s;,]*(\?|[@A-Ia-i%J-Rj-r]\d*(?:\.\d*)?|[S-Zs]\d*|[+-]?(?:\d+\.?\d*|\.\d+))")
_FIRST_X = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)")
_FIRST_X_PACKED = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))")


@dataclass
class _Ordinates:
    """Decoded table."""

    values: list[float] = field(default_factory=list)  # naN for `?`
    lines: list[int] = field(default_factory=list)  # line of each value
    # abscissa at the head of each line, its digits after the decimal mark, and which value it stands for
    x_checks: list[tuple[int, float, int, int]] = field(default_factory=list)


def is_packed(table: Sequence[tuple[int, str]]) -> bool:
    """Say whether a table holds letters that only packed forms have."""
    return any(_PACKED.search(text) for _, text in table)


def decode_ordinates(table: Sequence[tuple[int, str]], *, packed: bool) -> _Ordinates:
    """Decode the lines of `(X++(Y..Y))`."""
    out = _Ordinates()
    by_difference = False
    for line, text in table:
        head = (_FIRST_X_PACKED if packed else _FIRST_X).match(text)
        if head is None:
            raise ScanFileError(f"line {line}: {text[:40]!r} does not begin with an abscissa; the line is damaged")
        x_text = head.group(1)
        digits = len(x_text.split("e")[0].split("E")[0].partition(".")[2])
        checked = by_difference
        out.x_checks.append((line, float(x_text), digits, len(out.values) - checked))
        values, by_difference = _line_values(text[head.end() :], packed, line)
        if not values:
            raise ScanFileError(f"line {line}: no ordinate after the abscissa; the line is cut or damaged")
        if checked:
            before, again = out.values[-1], values.pop(0)
            # the check repeats an ordinate digit by digit
            if before != again:
                raise ScanFileError(
                    f"line {line}: y check failed: the line before ends at {before:g}, this one begins with "
                    f"{again:g}; a line is lost or damaged: copy the file again"
                )
            if not values:
                by_difference = False
        _refuse_endless(len(out.values) + len(values), line)
        out.values += values
        out.lines += [line] * len(values)
    return out


def _refuse_endless(n: int, line: int) -> None:
    """Refuse a table of more points than a scan has; a few repeat counts make millions."""
    if n > MOST_POINTS:
        raise ScanFileError(f"line {line}: {n} points or more, which no scan has; the line is damaged")


def _line_values(text: str, packed: bool, line: int) -> tuple[list[float], bool]:
    """Return the ordinates of one line, and whether its last one was given by difference."""
    token = _ASDF_TOKEN if packed else _AFFN_TOKEN
    values: list[float] = []
    difference: float | None = None
    at, end = 0, len(text.rstrip(" \t;,"))
    while at < end:
        match = token.match(text, at)
        if match is None:
            raise ScanFileError(f"line {line}: {text[at : at + 12].strip()!r} is no ordinate; the line is damaged")
        at = match.end()
        word = match.group(1)
        first = word[0]
        if word == "?":
            values.append(float("nan"))
            difference = None
        elif packed and first in _DUP:
            times = int(_DUP[first] + word[1:])
            if not values or times < 2:
                raise ScanFileError(f"line {line}: {word!r} repeats nothing; the line is damaged")
            _refuse_endless(len(values) + times, line)
            for _ in range(times - 1):
                values.append(values[-1] if difference is None else values[-1] + difference)
        elif packed and first in _DIF:
            if not values:
                raise ScanFileError(f"line {line}: a difference {word!r} with nothing before it; the line is damaged")
            difference = float(_DIF[first] + word[1:])
            values.append(values[-1] + difference)
        else:
            values.append(float(_SQZ[first] + word[1:] if packed and first in _SQZ else word))
            difference = None
    return values, difference is not None


def decode_pairs(
    table: Sequence[tuple[int, str]], *, decimal_comma: bool
) -> tuple[list[float], list[float], list[int]]:
    """Decode the lines of `(XY..XY)`."""
    x: list[float] = []
    y: list[float] = []
    lines: list[int] = []
    for line, text in table:
        for group in text.split(";"):
            words = [word for word in re.split(r"\s+" if decimal_comma else r"[\s,]+", group.strip()) if word]
            numbers = [_affn(word.replace(",", ".") if decimal_comma else word, line) for word in words]
            if len(numbers) % 2:
                raise ScanFileError(
                    f"line {line}: {len(numbers)} numbers where pairs are expected; the line is damaged"
                )
            x += numbers[::2]
            y += numbers[1::2]
            lines += [line] * (len(numbers) // 2)
    return x, y, lines


def _affn(word: str, line: int) -> float:
    match = _AFFN_TOKEN.fullmatch(word)
    if match is None:
        raise ScanFileError(f"line {line}: {word!r} is no number; the line is damaged")
    return float("nan") if word == "?" else float(word)


_LABEL = re.compile(r"\s*##([^=]*)=(.*)\Z", re.DOTALL)

# labels whose value is a table: its lines are kept with their numbers
_TABLES = ("XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "DATATABLE", "RADATA")

# a line that begins so without its ## would be lost in the value before it, and the number with it
_NUMBERS = ("XFACTOR", "YFACTOR", "FIRSTX", "LASTX", "DELTAX", "NPOINTS", "FIRSTY", "MAXY", "MINY", "MAXX", "MINX")
_KNOWN = ("TITLE", "JCAMPDX", "DATATYPE", "BLOCKS", "END", "XUNITS", "YUNITS", *_NUMBERS, *_TABLES)


@dataclass
class Block:
    """One block between `##TITLE` and `##END`."""

    line: int  # line of its title
    # values by label, spelled without case, blanks, `-`, `/` and `_`
    labels: dict[str, str] = field(default_factory=dict)
    form: str = ""  # what the table's label says of its form, such as `(X++(Y..Y))`; "" where there is no table
    table_label: str = ""
    table: list[tuple[int, str]] = field(default_factory=list)
    children: list["Block"] = field(default_factory=list)
    closed: bool = False  # whether its `##END` was found


def is_jcamp(text: str) -> bool:
    r"""Say whether a text begins as JCAMP-DX does."""
    return re.match(r"\s*(?:\$\$[^\n]*\n\s*)*##", text) is not None


def plain_label(text: str) -> str:
    """Return a label in the spelling that labels are compared in."""
    return re.sub(r"[\s\-/_]", "", text).upper()


def read_blocks(text: str) -> list[Block]:
    r"""Return the outermost blocks of a text, each with the blocks inside it."""
    blocks: list[Block] = []
    open_blocks: list[Block] = []
    for line, label, value, rest in _records(text):
        if label == "TITLE":
            block = Block(line)
            (open_blocks[-1].children if open_blocks else blocks).append(block)
            open_blocks.append(block)
        if not open_blocks:
            raise ScanFileError(f"line {line}: ##{label} stands before any ##TITLE; the file's beginning is lost")
        block = open_blocks[-1]
        if label == "END":
            block.closed = True
            open_blocks.pop()
            continue
        if label in _TABLES:
            if block.table_label and "NTUPLES" not in block.labels:
                raise ScanFileError(f"line {line}: a second table ##{label} in one block; save one spectrum a block")
            block.form, block.table_label, block.table = re.sub(r"\s", "", value).upper(), label, rest
            continue
        full = "\n".join([value, *(text for _, text in rest)]).strip()
        # pages of one block repeat their labels; such a block is refused as a whole
        if block.labels.get(label, full) != full and "NTUPLES" not in block.labels:
            raise ScanFileError(f"line {line}: ##{label} stands twice in one block with different values")
        block.labels[label] = full
    return blocks


def _is_known_label(line: str) -> bool:
    return "=" in line and plain_label(line.split("=", 1)[0]) in _KNOWN


def _records(text: str) -> Iterator[tuple[int, str, str, list[tuple[int, str]]]]:
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
            raise ScanFileError(f"line {number}: text before the first label; the file's beginning is damaged")
        elif re.match(r"\s*#", bare) or "##" in bare or _is_known_label(bare):
            raise ScanFileError(
                f"line {number}: {bare.strip()[:40]!r} is a label that has lost a mark; copy the file again"
            )
        else:
            current[3].append((number, bare.strip()))
    if current is not None:
        yield current


_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?\Z")
Numbers = dict[str, tuple[float, float] | None]  # value and one unit of its last digit
Table = tuple[Floats, Floats, Ints]
_FORMS = ("(X++(Y..Y))", "(XY..XY)")


def jcamp_spectra(text: str) -> tuple[list[tuple[RawSpectrum, dict[str, str], Notes]], Notes]:
    r"""Read every spectrum of a JCAMP-DX text."""
    blocks = read_blocks(text)
    notes = Notes()
    found = _spectra_blocks(blocks, notes)
    if not found:
        raise ScanFileError("no spectrum in the file: no ##XYDATA and no ##XYPOINTS")
    comma = _decimal_comma(found)
    if comma:
        notes.add("decimal ','")
    spectra = []
    for block in found:
        title = block.labels.get("TITLE", "")
        with told_of(f"block {title!r}") if title else nullcontext():
            spectra.append(_spectrum(block, comma))
    return spectra, notes


def _spectra_blocks(blocks: list[Block], notes: Notes) -> list[Block]:
    """Return the blocks that hold a spectrum, at whatever depth, in the order of the file."""
    found: list[Block] = []
    waiting = blocks[::-1]
    while waiting:
        block = waiting.pop()
        if block.children:
            declared = block.labels.get("BLOCKS", "")
            if declared and declared != str(len(block.children)) and declared != str(len(block.children) + 1):
                notes.add(f"##BLOCKS={declared} but {len(block.children)} blocks are found; all of them are read")
            if not block.closed:
                raise ScanFileError(
                    f"truncated: the block {block.labels.get('TITLE', '')!r} has no ##END; copy the file again"
                )
            waiting += block.children[::-1]
        elif _holds_spectrum(block):
            found.append(block)
    return found


def _holds_spectrum(block: Block) -> bool:
    """True for a block with a table that is a spectrum; refuse a table of another kind, and a block that is cut."""
    if block.table_label in ("XYDATA", "XYPOINTS"):
        return True
    if block.table_label or "NTUPLES" in block.labels:
        kind = block.table_label or "NTUPLES"
        raise ScanFileError(
            f"line {block.line}: a block of ##{kind}, which is no spectrum of one beer; export ##XYDATA"
        )
    if not block.closed:
        raise ScanFileError(f"truncated: no table and no ##END in the block of line {block.line}; copy the file again")
    return False


def _decimal_comma(blocks: list[Block]) -> bool:
    """True if the file writes decimal commas, which must then hold for all of it."""
    values = [(label, block.labels[label]) for block in blocks for label in _NUMBERS if label in block.labels]
    commas = [label for label, value in values if _COMMA_NUMBER.match(value)]
    if not commas:
        return False
    points = next((label for label, value in values if "." in value), None)
    rows = [(line, text) for block in blocks for line, text in block.table if "." in text]
    if points is not None or rows:
        where = f"##{points}" if points is not None else f"line {rows[0][0]}"
        raise ScanFileError(f"##{commas[0]} has a decimal comma, {where} a decimal point; export the file again")
    return True


def _number(block: Block, label: str, comma: bool) -> tuple[float, float] | None:
    """The value of a numeric label and one unit of its last digit; None where the label is absent."""
    text = block.labels.get(label)
    if text is None or text == "":
        return None
    plain = text.replace(",", ".") if comma else text
    if not PLAIN_NUMBER.match(plain):
        raise ScanFileError(f"##{label}={text[:40]!r} is no number; the label is damaged, or a mark is lost after it")
    mantissa, _, exponent = plain.lower().partition("e")
    return float(plain), 10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2]))


def _spectrum(block: Block, comma: bool) -> tuple[RawSpectrum, dict[str, str], Notes]:
    title = block.labels.get("TITLE", "")
    if block.form not in _FORMS:
        raise ScanFileError(f"the table's form {block.form!r} is not known; expected {' or '.join(_FORMS)}")
    numbers = {label: _number(block, label, comma) for label in _NUMBERS}
    points = numbers["NPOINTS"]
    declared = None if points is None else int(points[0])
    if declared is not None and (points is None or declared != points[0] or declared < 1):
        raise ScanFileError(f"##NPOINTS={block.labels['NPOINTS']} is no count of points")
    notes = Notes()
    if block.form == "(XY..XY)":
        x, y, lines = _pairs(block, numbers, comma, declared, notes)
    else:
        x, y, lines = _steps(block, numbers, comma, declared, notes)
    _check_first_y(y, numbers)
    _check_extremes(y, numbers)
    unknown = np.full(x.size, -1)
    x_unit, y_unit = (block.labels.get(label, "") for label in ("XUNITS", "YUNITS"))
    spectrum = RawSpectrum(title, x, y, np.zeros(x.size, bool), x_unit, y_unit, unknown, unknown, lines)
    return spectrum, block.labels, notes


def _factor(numbers: Numbers, label: str, notes: Notes) -> float:
    given = numbers[label]
    if given is None:
        notes.doubt(f"no ##{label}: 1 assumed")
        return 1.0
    if given[0] == 0.0:
        raise ScanFileError(f"##{label}=0; the label is damaged")
    return given[0]


def _check_count(found: int, declared: int | None, block: Block) -> None:
    end = "" if block.closed else ", no ##END"
    refuse_count(found, declared, end, "lines are repeated or the label is damaged")
    if not block.closed:
        raise ScanFileError(f"truncated: {found} points found but no ##END; copy the file again")


def _pairs(block: Block, numbers: Numbers, comma: bool, declared: int | None, notes: Notes) -> Table:
    x_list, y_list, line_list = decode_pairs(block.table, decimal_comma=comma)
    _check_count(len(x_list), declared, block)
    if declared is None:
        notes.add(f"no ##NPOINTS: {len(x_list)} points found")
    x = np.array(x_list) * _factor(numbers, "XFACTOR", notes)
    y = np.array(y_list) * _factor(numbers, "YFACTOR", notes)
    if x.size == 0 or not np.isfinite(x).all():
        raise ScanFileError("points without an abscissa; export the file again")
    for label, value in (("FIRSTX", x[0]), ("LASTX", x[-1])):
        given = numbers[label]
        if given is not None and abs(given[0] - value) > given[1] + 1e-6 * abs(value):
            raise ScanFileError(f"##{label}={given[0]:g} but the table has {value:g}; points are lost or damaged")
    return x, y, np.array(line_list)


def _steps(block: Block, numbers: Numbers, comma: bool, declared: int | None, notes: Notes) -> Table:
    table = [(line, text.replace(",", ".")) for line, text in block.table] if comma else block.table
    if not table:
        raise ScanFileError("truncated: the table has no lines; copy the file again")
    first, last, step = numbers["FIRSTX"], numbers["LASTX"], numbers["DELTAX"]
    if first is None or (last is None and step is None):
        raise ScanFileError("##FIRSTX and ##LASTX (or ##DELTAX) are needed to place the points; export the file again")
    decoded = _decode(table, declared)
    n = len(decoded.values)
    _check_count(n, declared, block)
    if declared is None:
        if last is None or step is None or abs((last[0] - first[0]) / step[0] - (n - 1)) > 0.01 * n:
            raise ScanFileError(f"no ##NPOINTS, and the {n} points found do not fill ##FIRSTX to ##LASTX")
        notes.add(f"no ##NPOINTS: {n} points found, as many as ##DELTAX asks")
    end = last[0] if last is not None else first[0] + (step[0] if step is not None else 0.0) * (n - 1)
    if last is None:
        notes.add(f"no ##LASTX: the axis steps by ##DELTAX from ##FIRSTX to {end:g}")
    if n < 2 or end == first[0]:
        raise ScanFileError(f"{n} point(s) from {first[0]:g} to {end:g}; a spectrum needs two or more")
    x = np.linspace(first[0], end, n)
    found_step = (end - first[0]) / (n - 1)
    if step is not None and last is not None:
        # a writer rounds the step to its last digit; some leave out its sign on falling axes
        apart = abs(abs(found_step) - abs(step[0]))
        if apart > step[1] + (first[1] + last[1]) / (n - 1) + 1e-6 * abs(found_step):
            raise ScanFileError(
                f"##DELTAX={step[0]:g} but {n} points from {first[0]:g} to {end:g} step by {found_step:g}; a label is "
                "damaged or points are lost"
            )
    x_factor = _factor(numbers, "XFACTOR", notes)
    for line, written, digits, index in decoded.x_checks:
        # abscissas at the heads of lines are rounded or cut to their last digit: a rough check, never the axis
        slack = 10.0**-digits * abs(x_factor) + first[1] + 0.02 * abs(found_step)
        if index < n and abs(written * x_factor - x[index]) > slack:
            raise ScanFileError(
                f"line {line}: x check failed: the line says {written * x_factor:g}, the points before it lead to "
                f"{x[index]:g}; a line is lost, repeated or damaged"
            )
    y = np.array(decoded.values) * _factor(numbers, "YFACTOR", notes)
    if numbers["YFACTOR"] is None and numbers["FIRSTY"] is None:
        raise ScanFileError("neither ##YFACTOR nor ##FIRSTY: the size of the values is not known")
    return x, y, np.array(decoded.lines)


def _decode(table: list[tuple[int, str]], declared: int | None) -> _Ordinates:
    """Decode a table; where only an E could be a pseudo-digit, the count of points must tell."""
    if is_packed(table):
        return decode_ordinates(table, packed=True)
    readings: list[_Ordinates] = []
    problem: ScanFileError | None = None
    for packed in (False, True) if any(re.search(r"\d[eE]\d", text) for _, text in table) else (False,):
        try:
            readings.append(decode_ordinates(table, packed=packed))
        except ScanFileError as error:
            problem = problem or error
    if problem is not None and not readings:
        raise problem
    if len(readings) == 1:
        return readings[0]
    plain, squeezed = readings
    fits = [len(reading.values) == declared for reading in (plain, squeezed)]
    if fits[0] == fits[1]:
        raise AmbiguousScanFileError(
            "an E among the digits may mark a power of ten or a packed digit, and the count of points does not tell; "
            "export without packing"
        )
    return plain if fits[0] else squeezed


def _check_first_y(y: Floats, numbers: Numbers) -> None:
    given = numbers["FIRSTY"]
    if given is None or y.size == 0 or np.isnan(y[0]):
        return
    factor = numbers["YFACTOR"]
    # rounded to the last digit of the label and of the factor
    slack = given[1] + (factor[0] if factor else 0.0) * 0.51 + 1e-6 * abs(given[0])
    if abs(given[0] - y[0]) > slack:
        raise ScanFileError(
            f"##FIRSTY={given[0]:g} but the first value is {y[0]:g}; a factor or the first line is wrong"
        )


def _check_extremes(y: Floats, numbers: Numbers) -> None:
    for label, value in (("MAXY", np.nanmax(y, initial=-np.inf)), ("MINY", np.nanmin(y, initial=np.inf))):
        given = numbers[label]
        factor = numbers["YFACTOR"]
        if given is None or not np.isfinite(value):
            continue
        slack = given[1] + abs(factor[0] if factor else 0.0) + 1e-4 * abs(given[0])
        if abs(given[0] - value) > slack:
            raise ScanFileError(f"##{label}={given[0]:g} but the table has {value:g}; a value or a label is damaged")
