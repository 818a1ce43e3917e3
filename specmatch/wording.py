"""Words that several rooms share: cautions, numbers with their nouns, text that steers no terminal or spreadsheet."""

import csv
import math
import re
from collections.abc import Sequence
from difflib import get_close_matches
from html import escape
from pathlib import Path

# controls but for tab and line end, the marks that turn the direction of writing, breaks that are no line end
_STEERING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
PLAIN_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\Z")

CAUTIONS = (
    "Colour identity is a screening check: it cannot prove what a liquid is, and says nothing about alcohol, "
    "allergens, gluten, contaminants or microbiology. A label, safety or legal release rests on the site's own "
    "procedures, licensed practice and local rules. Keep glass and chromed parts out of the open-bottle area where "
    "the site's glass policy says so, and discard the poured sample."
)

# A spreadsheet runs a cell that begins with one of these (also in full width) as a formula.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

_PLURALS = {"batch": "batches", "held-out batch": "held-out batches", "entry": "entries", "new batch": "new batches"}


def text_beside(module: str, name: str) -> str:
    """Return the text of a file that stands beside a module, which is given by its `__file__`."""
    return Path(module).with_name(name).read_text(encoding="utf-8")


def rows_beside(module: str, name: str) -> list[list[str]]:
    """Return the rows of a table in such a file, without its header."""
    return list(csv.reader(text_beside(module, name).splitlines()))[1:]


COLOUR_UNITS = ("EBC", "SRM")


def in_digits(value: float, unit: str) -> str:
    """Return a colour to a tenth of its unit, any other value in four digits, as its size may be any."""
    return "no limit" if not math.isfinite(value) else f"{value:.1f}" if unit in COLOUR_UNITS else f"{value:.4g}"


def counted(number: int, noun: str) -> str:
    """Write a number with its noun, in the singular after 1."""
    return f"{number} {noun if number == 1 else _PLURALS.get(noun, f'{noun}s')}"


def p_in_words(p: float) -> str:
    """Say how rare a p-value is: of how many true samples one lies as far out."""
    # a p-value of 0.000 would claim more than any set of batches can tell
    if p < 0.0005:
        return "p < 0.001, fewer than one true sample in 1000 lies as far out"
    one_in = f"{1.0 / p:.0f}" if p < 0.1 else f"{1.0 / p:.1f}"
    return f"p = {p:.3f}, one true sample in {one_in} lies as far out" if p < 0.5 else f"p = {p:.2f}"


def cut(value: object, longest: int) -> str:
    """Return a text on one line, cut with the number of its letters where it is long."""
    text = "" if value is None else " ".join(str(value).split())
    return text if len(text) <= longest else f"{text[:longest]}… ({len(text)} letters)"


def cut_sentence(value: object, longest: int) -> str:
    """Return a sentence likewise, with a capital."""
    said = cut(value, longest)
    return said[:1].upper() + said[1:]


def listed(names: Sequence[str], most: int) -> str:
    """Write the first of some names, and how many more there are."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def in_ten_lines(first: str, lines: Sequence[str]) -> str:
    """Return a headline and lines under it as HTML for a notebook, escaped, ten lines at most."""
    shown = lines if len(lines) <= 9 else [*lines[:8], f"and {len(lines) - 8} more"]
    items = "".join(f"<li>{escape(printable(line))}</li>" for line in shown)
    return f"<p><code>{escape(printable(first))}</code></p>" + (f"<ul>{items}</ul>" if items else "")


def printable(text: str) -> str:
    """Return a text with its control characters spelled out, as JSON spells them; line ends and tabs stay."""
    return _STEERING.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


def guarded_cell(cell: object) -> object:
    """Return a cell of an exported table with an apostrophe before text that a spreadsheet would run as a formula."""
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) and not PLAIN_NUMBER.match(cell):
        return f"'{cell}"
    return cell


def nearest_name(said: str, names: Sequence[str]) -> str:
    """Ask whether the nearest of some names is meant, or say nothing where none is near."""
    folded = {name.casefold(): name for name in names}
    near = get_close_matches(str(said).casefold(), folded, n=1)
    return f" (is {folded[near[0]]!r} meant?)" if near else ""
