"""Lines of a JCAMP-DX table to ordinates: plain numbers (AFFN) and the packed forms PAC, SQZ, DIF and DUP.

The pseudo-digits are those of the standard: McDonald and Wilks, Applied Spectroscopy 42:151-162, 1988.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from specmatch.errors import ScanFileError

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
class Ordinates:
    """Decoded table."""

    values: list[float] = field(default_factory=list)  # naN for `?`
    lines: list[int] = field(default_factory=list)  # line of each value
    # abscissa at the head of each line, its digits after the decimal mark, and which value it stands for
    x_checks: list[tuple[int, float, int, int]] = field(default_factory=list)


def is_packed(table: Sequence[tuple[int, str]]) -> bool:
    """Say whether a table holds letters that only packed forms have."""
    return any(_PACKED.search(text) for _, text in table)


def decode_ordinates(table: Sequence[tuple[int, str]], *, packed: bool) -> Ordinates:
    """Decode the lines of `(X++(Y..Y))`."""
    out = Ordinates()
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
