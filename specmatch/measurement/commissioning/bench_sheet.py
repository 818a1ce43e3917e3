"""What to do at the bench: which pieces to scan, how often, and what to write down."""

from specmatch.measurement.commissioning.pieces import LINES_SOURCE
from specmatch.wording import text_beside

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
