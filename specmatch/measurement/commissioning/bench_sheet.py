"""What to do at the bench: which pieces to scan, how often, and what to write down."""

from specmatch.measurement.commissioning.pieces import LINES_SOURCE

CAUTIONS = (
    "Local rules and licensed practice come first. Glass filters break: handle them by the rim, off the line's floor. "
    "A mercury lamp or fluorescent tube holds mercury, shines in the ultraviolet and gets hot: never open one, "
    "shield the eyes, follow the site's rules for hazardous waste. Holmium and didymium are used here as sealed glass; "
    "solutions of them, and dyes, are lab chemicals: only by those trained for them, with the maker's safety sheet. "
    "What was in a cup of a bench test is never drunk or put back."
)
_STEPS = (
    ("warm up", "", 0, "let the lamp burn for 30 minutes, or as long as its maker says"),
    ("dark", "role dark", 5, "light off or shutter closed, at each integration time that is used below"),
    ("reference", "role reference", 5, "the cup with water (reference_kind water), or the bare base, never both"),
    ("holmium glass", "material holmium glass", 5, "flat in the beam, nothing else moved; didymium glass does as well"),
    ("mercury lamp or fluorescent tube", "material mercury lamp", 5, "own lamp off, light of the tube onto the probe"),
    (
        "integration ladder",
        "material integration ladder",
        3,
        "of each of 5 integration times, top at 80 % of full scale",
    ),
    ("cut-off filter", "material cut-off filter 550", 3, "a filter that passes from 550 nm up; name its own number"),
    ("opaque cup", "material opaque cup", 3, "a cup painted black inside, in its place, lid closed"),
    ("dilutions", "material dilution 0.5", 3, "a dark beer or dye as it is (dilution 1), and at 0.75, 0.5 and 0.25"),
    ("empty cup", "material empty cup", 10, "taken out and put back each time"),
    ("refilled water", "material refilled water", 10, "emptied, wiped and filled anew each time"),
    ("steady light", "material steady light", 13, "the cup with water untouched, a scan every 5 minutes for an hour"),
    ("dark again", "role dark", 5, "as at the start; write temperature_c where it changed"),
)


def bench_sheet() -> str:
    """Return the sheet for the bench as text."""
    lines = [
        "Commissioning a module: what to scan (an hour and a half)",
        "",
        "Write every scan into scans.csv: file, role, material, integration_ms, measured_at, instrument,",
        "temperature_c, reference_kind. Role is check unless the list says another. Leave out what you do not have:",
        "the page says what was not measured.",
        "",
    ]
    for number, (what, name, times, how) in enumerate(_STEPS, 1):
        often = f", {times} scans" if times else ""
        lines += [f"{number:2}. {what}{often}{f' [{name}]' if name else ''}", f"    {how}"]
    return "\n".join([*lines, "", f"Lines: {LINES_SOURCE}.", "", f"Cautions: {CAUTIONS}"])
