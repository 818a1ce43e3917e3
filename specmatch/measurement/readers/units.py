"""What a file says of its wavelength unit, its quantity and its scale, and what its values say."""

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import AmbiguousScanFileError, OptionError, ScanFileError, UnitError
from specmatch.measurement.readers.scan import QUANTITIES

X_UNITS = ("nm", "um", "1/cm", "angstrom", "pixel")
SCALES = ("fraction", "percent")
ASSUMED_FRACTION = "fraction assumed"
# without a stated unit only values that can be nothing else are taken as nanometres
_UNSTATED_NM = (200.0, 1200.0)
# with a stated unit: the range of silicon and InGaAs instruments; outside it the stated unit is wrong
_STATED_NM = (150.0, 3500.0)

_X_WORDS = re.compile(
    r"wave\s*-?length|wellenl|longueur|lambda|\u03bb|wave\s*-?number|wellenzahl|\bwl|\bnm\b|pixel|abscissa", re.I
)
_X_UNIT_PATTERNS = (
    ("1/cm", re.compile(r"1\s*/\s*cm|cm\s*\^?\s*[-\u2212\u207b]\s*[1\u00b9]|wave\s*-?number|wellenzahl", re.I)),
    ("um", re.compile(r"\b(?:um|micron|microns|micromet(?:er|re)s?)\b|[\u00b5\u03bc]\s*m\b", re.I)),
    ("angstrom", re.compile(r"\b(?:angstrom|\u00e5ngstr\u00f6m)s?\b|\u00c5|\u212b", re.I)),
    ("nm", re.compile(r"\bnm\b|(?<![a-z])nm(?![a-z])|nanomet(?:er|re)s?", re.I)),
    ("pixel", re.compile(r"\b(?:pixel|pixels|px|channel|pixelnummer)\b", re.I)),
)
_QUANTITY_PATTERNS = (
    ("absorbance", re.compile(r"absorb|absorpt|extin[ck]t|optical density|log\s*\(?\s*1\s*/\s*r", re.I)),
    ("reflectance", re.compile(r"reflect|reflexion|reflekt|remiss", re.I)),
    ("transmittance", re.compile(r"transmi(?!tter)", re.I)),
    ("counts", re.compile(r"\bcounts?\b|count_|_counts|raw|intensit|\badc?u?\b|\bdn\b|signal|z\u00e4hl", re.I)),
)
_SHORT_QUANTITY = {
    "r": "reflectance", "%r": "reflectance", "r%": "reflectance", "t": "transmittance", "%t": "transmittance",
    "t%": "transmittance", "a": "absorbance", "abs": "absorbance", "au": "absorbance", "od": "absorbance",
}  # fmt: skip
_PERCENT = re.compile(r"%|percent|prozent|pour\s?cent|procent", re.I)
_FRACTION = re.compile(
    r"\bfraction|\b0\s*(?:-|\u2013|\.\.|to)\s*1(?![\d.])|\[\s*(?:-|1)\s*\]|\(\s*(?:-|1)\s*\)|\bratio\b", re.I
)


@dataclass(frozen=True)
class Label:
    """What the words above a column say of it."""

    quantity: str = ""  # one of `QUANTITIES`; "" where they say nothing
    scale: str = ""  # one of `SCALES`; "" where they say nothing


@lru_cache(maxsize=1024)
def names_wavelength(text: str) -> bool:
    """Say whether a header cell names the wavelength axis."""
    return _X_WORDS.search(text) is not None or stated_x_unit(text) != ""


@lru_cache(maxsize=1024)
def stated_x_unit(text: str) -> str:
    """Return the wavelength unit that a header cell states."""
    text = text.replace("_", " ")
    return next((unit for unit, pattern in _X_UNIT_PATTERNS if pattern.search(text)), "")


@lru_cache(maxsize=1024)
def read_label(text: str) -> Label:
    """Return the quantity and scale that the words above a column state."""
    if text.strip() == "scan_id":
        return Label("reflectance", "fraction")  # the corner of a spectra table of our own, which holds nothing else
    found = {quantity for quantity, pattern in _QUANTITY_PATTERNS if pattern.search(text)}
    bare = re.sub(r"[\s\[\]()_]|percent|fraction", "", text).lower()
    quantity = found.pop() if len(found) == 1 else _SHORT_QUANTITY.get(bare, "") if not found else ""
    scale = "percent" if _PERCENT.search(text) else "fraction" if _FRACTION.search(text) else ""
    return Label(quantity, scale)


def to_nanometres(x: Floats, unit: str, *, name: str, stated: bool) -> Floats:
    """Convert a wavelength axis to nm and refuse one that cannot be what it is taken for."""
    # x (p,) -> (p,)
    if not np.isfinite(x).all() or (x <= 0).any():
        raise ScanFileError(f"{name}: the wavelength column holds {x.min():g}; wavelengths are positive numbers")
    if unit == "1/cm":
        nm = 1e7 / x
    elif unit == "um":
        nm = x * 1e3
    elif unit == "angstrom":
        nm = x / 10.0
    else:
        nm = x.astype(float)
    low, high = _STATED_NM if stated else _UNSTATED_NM
    if nm.min() < low or nm.max() > high:
        said = f"in {unit}" if stated else "with no unit"
        raise ScanFileError(
            f"{name}: the first column runs from {x[0]:g} to {x[-1]:g} {said}, expected {low:g}-{high:g} nm; "
            f"name the unit with x_unit= one of {', '.join(map(repr, X_UNITS))}, or check the file"
        )
    return nm


def settle_scale(
    values: Floats, label: Label, *, quantity: str | None, scale: str | None, name: str
) -> tuple[Floats, str, str, list[str]]:
    """Decide quantity and scale from the header, the caller and the values; return fractions."""
    # values (p,) -> (p,)
    if quantity is not None and quantity not in QUANTITIES:
        raise OptionError(f"quantity={quantity!r} is not known; use one of {', '.join(map(repr, QUANTITIES))}")
    if scale is not None and scale not in SCALES:
        raise OptionError(f"scale={scale!r} is not known; use one of {', '.join(map(repr, SCALES))}")
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
                f"{name}: the header says fraction but the values run from {low:g} to {high:g}, as percent do; "
                "correct the header, or give scale='percent' or scale='fraction'"
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
        f"{name}: {found} from {low:g} to {high:g} with no scale stated: a fraction (up to {high:.0%}) or percent "
        f"(a dark beer, {low:g} % to {high:g} %); give scale='fraction' or scale='percent'"
    )
