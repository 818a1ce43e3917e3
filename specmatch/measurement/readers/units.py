"""What a file says of its wavelength unit, its quantity and its scale, and what its values say."""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import AmbiguousScanFileError, ScanFileError, UnitError
from specmatch.spectra import in_nm
from specmatch.wording import rows_beside

X_UNITS = ("nm", "um", "1/cm", "angstrom", "pixel")
SCALES = ("fraction", "percent")
ASSUMED_FRACTION = "fraction assumed"
# without a stated unit only values that can be nothing else are taken as nanometres
_UNSTATED_NM = (200.0, 1200.0)
# with a stated unit: the range of silicon and InGaAs instruments; outside it the stated unit is wrong
_STATED_NM = (150.0, 3500.0)

_X_WORDS = re.compile(
    r"wave\s{0,9}-?length|wellenl|longueur|longitud\s+de|comprimento|lunghezza|golflengte|v\u00e5gl\u00e4ngd|"
    r"b\u00f8lgel|aallonpit|d\u0142ugo\u015b\u0107|vlnov|hull\u00e1mhossz|lambda|\u03bb|wave\s{0,9}-?number|wellenzahl|"
    r"\bwl(?![a-z])|\bnm\b|pixel|abscissa",
    re.I,
)
# a length that was measured, such as a slit of 5 nm or a range, names no column
_MEASURED = re.compile(
    r"(?<![\w/])(?<!\d[.,])\d[\d.,]{0,30}(?:\s{0,9}(?:-|\u2013|to|\.\.{1,3})\s{0,9}\d[\d.,]{0,30})?"
    r"\s{0,9}(?:nm|um|[\u00b5\u03bc]m)\b",
    re.I,
)
_X_UNIT_PATTERNS = (
    (
        "1/cm",
        re.compile(
            r"1\s{0,9}/\s{0,9}cm|cm\s{0,9}\^?\s{0,9}[-\u2212\u207b]\s{0,9}[1\u00b9]|wave\s{0,9}-?number|wellenzahl",
            re.I,
        ),
    ),
    ("um", re.compile(r"\b(?:um|micron|microns|micromet(?:er|re)s?)\b|[\u00b5\u03bc]\s{0,9}m\b", re.I)),
    ("angstrom", re.compile(r"\b(?:angstrom|\u00e5ngstr\u00f6m)s?\b|(?<!\w)[\u00c5\u212b](?!\w)", re.I)),
    ("nm", re.compile(r"\bnm\b|(?<![a-z])nm(?![a-z])|nanomet(?:er|re)s?", re.I)),
    ("pixel", re.compile(r"\b(?:pixel|pixels|pix|px|channel|pixelnummer)\b", re.I)),
)
# what an axis is headed with that is of no wavelength, though its numbers may lie where nanometres do
_NO_WAVELENGTH = re.compile(
    r"freq|\b[kmgtp]?hz\b|energ|\bk?ev\b|\btime\b|\bzeit\b|\btemps\b|\bseconds?\b|[\[(](?:m?s|min|\u00b0c)[\])]", re.I
)
# Words, written without accents, that state a quantity: strong ones wherever they stand as a word; weak ones are beers
# and towns as well, and do so where nothing but such words stands in the title; short ones are units.
_STRONG_OF, _WEAK_OF, _SHORT_OF = (
    {word: quantity for word, quantity, own in rows_beside(__file__, "quantity_words.csv") if own == kind}
    for kind in ("strong", "weak", "short")
)
_PERCENT_WORDS = frozenset(["%", "percent", "prozent", "procent", "pourcent", "procente", "%r", "r%", "%t", "t%"])
_FRACTION_WORDS = frozenset(["fraction", "ratio"])
_FILLING = frozenset(["in", "of", "the", "unit", "units", "a.u."])
_TOKEN = re.compile(r"%[rt](?![^\W_])|(?<![^\W_])[rt]%|[^\W_]+|%", re.I)
_BRACKETED = re.compile(r"[\[(]([^\[\]()]*)[\])]")
_UNITY = re.compile(r"\[\s*[-\u20131]\s*\]|\(\s*[-\u2013]\s*\)")
_ZERO_TO_ONE = re.compile(r"[\[(]\s*0\s*(?:-|\u2013|\.\.+|to)\s*1(?:\.0)?\s*[\])]", re.I)
_LOG_OF_INVERSE = re.compile(r"log\s*\(?\s*1\s*/\s*r", re.I)


@dataclass(frozen=True)
class Label:
    """What the words above a column say of it."""

    quantity: str = ""  # one of `QUANTITIES`; "" where they say nothing
    scale: str = ""  # one of `SCALES`; "" where they say nothing


@lru_cache(maxsize=1024)
def names_wavelength(text: str) -> bool:
    """Say whether a header cell names the wavelength axis."""
    if _MEASURED.search(text):
        return False
    return _X_WORDS.search(text) is not None or stated_x_unit(text) != ""


@lru_cache(maxsize=1024)
def stated_x_unit(text: str) -> str:
    """Return the wavelength unit that a header cell states."""
    text = text.replace("_", " ")
    return next((unit for unit, pattern in _X_UNIT_PATTERNS if pattern.search(text)), "")


@lru_cache(maxsize=1024)
def read_label(text: str, *, field: bool = False) -> Label:
    """Return the quantity and scale that a title states: by a whole word, in brackets, or by a unit alone."""
    # field: true for a field that holds a unit and never a name (`YUNITS`), where `A` and `R` are units too
    if text.strip() == "scan_id":
        return Label("reflectance", "fraction")  # the corner of a spectra table of our own, which holds nothing else
    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)).lower()
    plain = re.sub(r"pour\s+cent\b", "percent", plain.replace("optical density", "absorbance"))
    tokens = _TOKEN.findall(plain)
    found = {_STRONG_OF[token] for token in tokens if token in _STRONG_OF}
    if _LOG_OF_INVERSE.search(plain):
        return Label("absorbance" if not found - {"absorbance"} else "", "")
    units_alone = _all_units(tokens, short=field)
    if units_alone:
        found |= {_WEAK_OF[token] for token in tokens if token in _WEAK_OF}
        if not found:
            found |= {_SHORT_OF[token] for token in tokens if token in _SHORT_OF}
    brackets = [_TOKEN.findall(inside) for inside in _BRACKETED.findall(plain)]
    inside = [token for group in brackets if _all_units(group, short=True) for token in group]
    found |= {(_WEAK_OF | _SHORT_OF)[token] for token in inside if token in _WEAK_OF or token in _SHORT_OF}
    quantity = found.pop() if len(found) == 1 else ""
    scale = _stated_scale(plain, tokens, inside, bool(quantity) or units_alone)
    if scale == "percent" and quantity == "absorbance":
        return Label("", scale)  # a sample named A or Abs: no absorbance is a percentage
    return Label(quantity, scale)


def _all_units(tokens: list[str], *, short: bool) -> bool:
    """True if a title holds unit words only; a short one such as `A` is a name unless another stands beside it."""
    sure = [token in _STRONG_OF or token in _WEAK_OF or token in _PERCENT_WORDS | _FRACTION_WORDS for token in tokens]
    known = all(s or t in _SHORT_OF or t in _FILLING for s, t in zip(sure, tokens, strict=True))
    return bool(tokens) and known and (any(sure) or short)


def _stated_scale(plain: str, tokens: list[str], inside: list[str], stated: bool) -> str:
    """Return the scale; `stated` says that the title states a quantity or holds nothing but units."""
    after_number = [i > 0 and (tokens[i - 1].isdigit() or tokens[i - 1] in ("hundred", "hundert", "cent"))
                    for i in range(len(tokens))]  # fmt: skip
    percent = [t in _PERCENT_WORDS and not late and (stated or t == "%")
               for t, late in zip(tokens, after_number, strict=True)]  # fmt: skip
    attached = re.search(r"[^\W_]%", plain) is not None and not stated
    if any(token in _PERCENT_WORDS for token in inside) or (any(percent) and not attached):
        return "percent"
    if any(token in _FRACTION_WORDS for token in inside) or _ZERO_TO_ONE.search(plain):
        return "fraction"
    if stated and (_UNITY.search(plain) or any(token in _FRACTION_WORDS for token in tokens)):
        return "fraction"
    return ""


def refuse_other_axis(text: str) -> None:
    """Refuse an axis that is headed as frequency, energy or time."""
    if _NO_WAVELENGTH.search(text) and not _X_WORDS.search(text):
        raise ScanFileError(
            f"the axis is headed {text!r}, expected wavelengths; export the scan over nm, or give x_unit= one of "
            f"{', '.join(map(repr, X_UNITS))} if the heading is wrong"
        )


def to_nanometres(x: Floats, unit: str, *, stated: bool) -> Floats:
    """Convert a wavelength axis to nm and refuse one that cannot be what it is taken for."""
    # x (p,) -> (p,)
    if not np.isfinite(x).all() or (x <= 0).any():
        raise ScanFileError(
            f"the wavelength column holds {x.min():g}, and wavelengths are positive numbers; give wavelength_column=, "
            "or pixel_polynomial= for a file of pixels"
        )
    nm = x / 10.0 if unit == "angstrom" else in_nm(x, unit if unit in ("1/cm", "um") else "nm")
    low, high = _STATED_NM if stated else _UNSTATED_NM
    if nm.min() < low or nm.max() > high:
        said = f"in {unit}" if stated else "with no unit"
        raise ScanFileError(
            f"the first column runs from {x[0]:g} to {x[-1]:g} {said}, expected {low:g}-{high:g} nm; name the unit "
            f"with x_unit= one of {', '.join(map(repr, X_UNITS))}, or check the file"
        )
    return nm


def same_axis(columns: Floats, words: Sequence[str]) -> bool:
    """True for two columns that are one axis in two units, or twice in one; `words` stand above them."""
    # columns (p, 2)
    try:
        one, other = (
            to_nanometres(x, stated_x_unit(said), stated=True) for x, said in zip(columns.T, words, strict=True)
        )
    except ScanFileError:
        return False
    # in another unit an axis may be written with three digits; in one and the same, another axis is another detector's
    same_unit = stated_x_unit(words[0]) == stated_x_unit(words[1])
    return bool(np.allclose(one, other, rtol=1e-9 if same_unit else 2e-3, atol=0.0))


def settle_scale(
    values: Floats, label: Label, *, quantity: str | None, scale: str | None
) -> tuple[Floats, str, str, list[str]]:
    """Decide quantity and scale from the header, the caller and the values; return fractions."""
    # values (p,) -> (p,)
    found = quantity or label.quantity or ("reflectance" if label.scale or scale else "unknown")
    stated = scale or label.scale
    if found not in ("reflectance", "transmittance"):
        return values, found, "", [] if found != "unknown" else ["the file does not say what its values are"]
    present = values[np.isfinite(values)]
    if present.size == 0:
        return values, found, "", []
    low, high, middle = float(present.min()), float(present.max()), float(np.median(present))
    if stated == "percent":
        return values / 100.0, found, stated, ["percent, as stated: divided by 100"]
    if stated == "fraction":
        # 2: far above any glossy reading, far below any beer in percent
        if middle > 2.0 and scale is None:
            raise UnitError(
                f"the header says fraction but the values run from {low:g} to {high:g}, as percent do; correct the "
                "header, or in Python give scale='percent' or scale='fraction'"
            )
        return values, found, stated, ["fraction, as stated"]
    # a beer never reflects more than its reference by more than a few percent, so values up to 1.05 are a
    # fraction unless the beer is nearly black all over; a median above 2 can only be percent; between the
    # two lie dark beers in percent and faulty scans in fraction, which are told apart only by values that the glare
    # of the surface (0.5 % and more) would not let a percentage reach
    if high <= 1.05 or (middle <= 2.0 and low < 0.2):
        said = f"{ASSUMED_FRACTION}: values {low:g} to {high:g}; the file does not say"
        return values, found, ASSUMED_FRACTION, [said]
    if middle > 2.0 and low >= -5.0:
        said = f"percent taken from the values, {low:g} to {high:g}; the file does not say"
        return values / 100.0, found, "percent", [said]
    raise AmbiguousScanFileError(
        f"{found} from {low:g} to {high:g} with no scale stated: a fraction (up to {high:.0%}) or percent (a dark "
        f"beer, {low:g} % to {high:g} %); in Python give scale='fraction' or scale='percent'"
    )
