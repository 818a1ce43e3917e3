"""What a lab puts under a module to commission it: pieces, published lines of filters and lamps, the bench's sheet."""

import re
from dataclasses import dataclass

from specmatch.wording import text_beside

HOLMIUM, DIDYMIUM = "holmium glass", "didymium glass"
MERCURY, TUBE = "mercury lamp", "fluorescent tube"
CUT_OFF, OPAQUE = "cut-off filter", "opaque cup"
LADDER, DILUTION = "integration ladder", "dilution"
STEADY, EMPTY, WATER = "steady light", "empty cup", "refilled water"
KINDS = (HOLMIUM, DIDYMIUM, MERCURY, TUBE, CUT_OFF, OPAQUE, LADDER, DILUTION, STEADY, EMPTY, WATER)
GLASSES, LAMPS = (HOLMIUM, DIDYMIUM), (MERCURY, TUBE)


@dataclass(frozen=True)
class Line:
    """A line of a lamp or a band of a glass: where, how wide by itself, and how well its place is known, nm."""

    nm: float
    width_nm: float = 0.0  # full width at half height
    sd_nm: float = 0.001
    counts: bool = True  # whether the axis is judged by it; others only help to describe the spectrum


def _glass(*bands: tuple[float, float]) -> tuple[Line, ...]:
    # bands of two melts of one glass differ by about 0.1 nm: common practice, no source
    return tuple(Line(nm, width, 0.1) for nm, width in bands)


# Mercury, in air: NIST Atomic Spectra Database. Holmium glass: bands as makers of such filters state them, after NBS.
# Didymium glass: bands as NBS stated them for SRM 2009. Terbium and europium in tubes: their phosphors vary, so they
# count for nothing. All values and widths from memory: those of a filter's own certificate go before them.
_MERCURY = tuple(Line(nm) for nm in (404.656, 435.833, 546.074, 576.960, 579.066))
LINES: dict[str, tuple[Line, ...]] = {
    HOLMIUM: _glass((418.5, 7.0), (446.0, 8.0), (453.4, 7.0), (460.0, 6.0), (484.5, 7.0), (536.4, 7.0), (637.5, 8.0)),
    DIDYMIUM: _glass(
        (441.0, 6.0), (472.7, 8.0), (478.8, 7.0), (513.4, 9.0), (529.6, 8.0), (572.7, 9.0), (585.4, 12.0),
        (684.7, 10.0), (739.9, 10.0), (748.3, 10.0),
    ),
    MERCURY: _MERCURY,
    TUBE: (
        *_MERCURY, Line(487.7, 8.0, 0.5, counts=False), Line(542.4, 4.0, 0.5, counts=False),
        Line(587.0, 8.0, 0.5, counts=False), Line(611.6, 4.0, 0.5, counts=False), Line(631.0, 6.0, 0.5, counts=False),
    ),
}  # fmt: skip
LINES_SOURCE = (
    "published lines (mercury: NIST Atomic Spectra Database; holmium glass: as filter makers state after NBS; didymium "
    "glass: NBS SRM 2009), values from memory; lines of your own certificate go before them"
)


@dataclass(frozen=True)
class Piece:
    """One piece, as the sheet names it, and the number that its name states: cut in nm, share of a dilution."""

    name: str
    kind: str
    number: float | None = None


def piece_of(material: str) -> Piece | str:
    """Return the piece that a material names, or why it names none."""
    plain = re.sub(r"[\s_]+", " ", material.strip().lower()).replace("cutoff", "cut-off").replace("cut off", "cut-off")
    if not plain:
        return f"a check scan without a material; write one of {', '.join(KINDS)}"
    kind = next((kind for kind in KINDS if plain.startswith(kind)), None)
    if kind is None:
        return f"material {material!r} names no piece that is known; write one of {', '.join(KINDS)}"
    rest = plain[len(kind) :].strip()
    found = re.fullmatch(r"([0-9]+(?:[.][0-9]+)?)\s*(nm|%)?", rest)
    number = float(found.group(1)) / (100.0 if found.group(2) == "%" else 1.0) if found else None
    if kind == CUT_OFF and (number is None or not 300.0 <= number <= 1200.0):
        return f"material {material!r} does not say where the filter begins to pass; write 'cut-off filter 550'"
    if kind == DILUTION and (number is None or not 0.0 < number <= 1.0):
        return f"material {material!r} does not say the share of the liquid; write 'dilution 0.5' for one half"
    return Piece(plain, kind, number)


CAUTIONS = (
    "Local rules and licensed practice come first. Glass filters break: handle them by the rim, off the line's floor. "
    "A mercury lamp or fluorescent tube holds mercury, shines in the ultraviolet and gets hot: never open one, "
    "shield the eyes, follow the site's rules for hazardous waste. Holmium and didymium are used here as sealed glass; "
    "solutions of them, and dyes, are lab chemicals: only by those trained for them, with the maker's safety sheet. "
    "What was in a cup of a bench test is never drunk or put back."
)


def bench_sheet() -> str:
    """Return the sheet for the bench as text."""
    return f"{text_beside(__file__, 'bench_sheet.txt')}\nLines: {LINES_SOURCE}.\n\nCautions: {CAUTIONS}"
