"""The one registry of warning codes: what each means, what it does to a decision, and what is said of each fault.

A code is added here or nowhere; codes are never renamed, because other programs branch on them.
"""

from collections.abc import Iterable
from dataclasses import dataclass

# a `hold` code never lets a claim pass, a `rescan` code sends the sample back to be measured again
NOTE, HOLD, RESCAN = "note", "hold", "rescan"
# what a decision is called beside `HOLD` and `RESCAN`
CONSISTENT = "consistent"


@dataclass(frozen=True)
class WarningCode:
    """One code."""

    code: str  # its name, never changed
    effect: str  # what it does to a decision
    sentence: str  # what it means, and what to do


_ROWS = (
    ("saturated", RESCAN, "counts reached the limit of the converter or a flat top: shorten the integration time"),
    ("low_light", RESCAN, "the reference carries too little light: check lamp, base and integration time"),
    ("no_beer", RESCAN, "the scan looks like the reference itself: the cup holds water or nothing"),
    ("repeated_scan", RESCAN, "the same counts as an earlier scan: the cup was not changed or the file was copied"),
    ("spike", RESCAN, "a narrow spike stands in the spectrum: measure again"),
    ("flat", RESCAN, "the spectrum has no shape: the light or the detector did not work"),
    ("hot_pixels", NOTE, "single pixels read far off their neighbours; they were masked"),
    (
        "reflectance_out_of_range",
        RESCAN,
        "reflectance lies below 0 or above 1: wrong or dirty reference, or a wrong dark",
    ),
    ("stale_dark", NOTE, "the dark scan is older than stated: take a new one"),
    ("stale_reference", NOTE, "the reference scan is older than stated: take a new one"),
    ("ambient_light", NOTE, "light from outside reached the detector: close the cover and take a new dark"),
    (
        "lamp_drift",
        NOTE,
        "the lamp or the base changed against earlier references: clean the base, take a new reference",
    ),
    ("wavelength_shift", NOTE, "the spectrum is shifted along the wavelength axis: have the instrument checked"),
    ("stray_light", NOTE, "stray light lifts the dark end of the spectrum"),
    ("foam", NOTE, "the departure looks like foam or bubbles: degas, pour down the wall, wait, measure again"),
    ("path_long", NOTE, "the departure looks like too much beer in the cup, or a stronger batch: pour again"),
    ("path_short", NOTE, "the departure looks like too little beer in the cup, or a weaker batch: pour again"),
    ("haze", NOTE, "the departure looks like haze: warm, degas and pour again; A430 may not apply"),
    (
        "missing_channels",
        NOTE,
        "some wavelengths of the model are missing in the scan; the reading rests on the others",
    ),
    (
        "sheet_disagrees_with_file",
        HOLD,
        "the sheet and the header of a scan file state one thing differently; the sheet's was used: correct the one "
        "that is wrong",
    ),
    ("replicates_disagree", NOTE, "pours of one sample, or scans of one pour, differ by more than they should"),
    (
        "outside_conditions",
        NOTE,
        "measured under conditions (stage, cup, fill, temperature) that the set does not hold",
    ),
    (
        "other_instrument",
        HOLD,
        "measured on a module that the model does not know: teach it with batches of the set (specmatch transfer)",
    ),
    (
        "depth_unknown",
        NOTE,
        "the filling is not recorded and the set's is: the set's depth was taken; write fill_ml, cup and cup_mm down",
    ),
    (
        "path_out_of_range",
        HOLD,
        "the depth of beer is more than a factor of two from the set's, or too little light is left to compare: pour "
        "again near the set's filling",
    ),
    (
        "colour_unknown",
        HOLD,
        "the colour is missing, without limits, or known no better than the set's whole range: measure by transmission",
    ),
    ("outside_colour_range", NOTE, "the colour lies outside the lab colours of the set: measure by transmission"),
    ("unlike_any_beer", NOTE, "the spectrum is unlike every beer of the set: measure by transmission, then add it"),
    ("ambiguous_beer", NOTE, "more than one beer of the set is plausible on this scan"),
    ("too_few_batches", NOTE, "the beer has too few batches in the set for a scatter of its own"),
    (
        "interval_not_covered",
        NOTE,
        "the colour interval holds for spectra like those of the set only, and this is not one of them",
    ),
    ("normal_errors_assumed", NOTE, "too few batches for a distribution-free interval: normal errors were assumed"),
    (
        "colour_not_fit",
        NOTE,
        "held-out batches of this beer err far more than others (haze, fruit, nitro): its identity "
        "holds, take its colour by transmission",
    ),
    ("routes_disagree", NOTE, "the regression and the optical route give different colours"),
    ("clock_doubtful", HOLD, "the scan is dated in the future, or before the last one: set the clock, measure again"),
    # a line's own: they rest on earlier readings, so only the line gives them
    ("first_departure", RESCAN, "the first departure of this run: pour again, all its pours will be judged together"),
    ("control_overdue", RESCAN, "the control of this line is overdue: measure it before anything else"),
    ("control_out", RESCAN, "the last control of this line was outside its limits: find the cause, measure it again"),
)


@dataclass(frozen=True)
class FaultWords:
    """What is said of one known fault of a scan; several faults may share a code."""

    name: str  # of the fault in `specmatch.maths.optics.cup`
    code: str  # of `WARNING_CODES`
    phrase: str  # what was found, `{size}` of it
    advice: str  # what to do about it
    alike: str = ""  # what no spectrum can tell it from, added where `{pours}` agree


_FAULTS = (
    ("path_long", "path_long", "about {size:.0%} more beer in the cup than usual",
     "pour again", ", or a stronger batch: {pours} cannot tell these apart"),
    ("path_short", "path_short", "about {size:.0%} less beer in the cup than usual",
     "pour again", ", or a paler batch, or water in it: {pours} cannot tell these apart"),
    ("foam", "foam", "about {size:.1%} of the surface under foam",
     "degas, pour down the wall, wait, measure again"),
    ("haze", "haze", "haze that sends back about {size:.1%} of the reference's light",
     "warm, degas and pour again; the lab colour is that of clear beer"),
    ("haze_inside", "haze", "haze that sends back about {size:.1%} of the reference's light and swallows more",
     "warm, degas and pour again; the lab colour is that of clear beer"),
    ("lamp_brighter", "lamp_drift", "about {size:.0%} more light from the lamp than at its reference",
     "clean the base, take a new reference"),
    ("lamp_dimmer", "lamp_drift", "about {size:.0%} less light from the lamp than at its reference",
     "clean the base, take a new reference"),
    ("ambient_light", "ambient_light", "light from outside, about {size:.1%} of the reference's peak",
     "close the cover, take a new dark, measure again"),
    ("shift_to_blue", "wavelength_shift",
     "a wavelength axis about {size:.1f} nm off its reference's, spectrum towards the blue",
     "take a new reference; if it stays, have the instrument checked"),
    ("shift_to_red", "wavelength_shift",
     "a wavelength axis about {size:.1f} nm off its reference's, spectrum towards the red",
     "take a new reference; if it stays, have the instrument checked"),
    ("axis_to_blue", "wavelength_shift",
     "a wavelength axis about {size:.1f} nm off the set's, spectrum towards the blue",
     "have the instrument checked"),
    ("axis_to_red", "wavelength_shift",
     "a wavelength axis about {size:.1f} nm off the set's, spectrum towards the red",
     "have the instrument checked"),
    ("stray_light", "stray_light", "stray light, about {size:.1%} of the mean light",
     "look for a light path past the cup, have the instrument checked"),
    ("clipped", "saturated", "highest counts cut off by about {size:.0%}",
     "shorten the integration time, measure again"),
)  # fmt: skip

FAULT_WORDS: dict[str, FaultWords] = {row[0]: FaultWords(*row) for row in _FAULTS}
WARNING_CODES: dict[str, WarningCode] = {row[0]: WarningCode(*row) for row in _ROWS}


def worst_effect(codes: Iterable[str]) -> str:
    """Return the strongest effect among codes: `"rescan"`, `"hold"`, `"note"`, or `""` for none."""
    effects = {WARNING_CODES[code].effect for code in codes}
    return next((effect for effect in (RESCAN, HOLD, NOTE) if effect in effects), "")
