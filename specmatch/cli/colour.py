"""`specmatch colour`: beer colour by the transmission method."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome, fields_of

LONGEST_CM = 5.0  # common practice, no source: beer is measured in cells of 1 cm or half an inch


def run(args: argparse.Namespace) -> Outcome:
    """Return SRM and EBC, and whether the beer was clear enough."""
    from specmatch.colour.transmission import LINEAR_TO

    srm = sm.colour.srm_from_absorbance(args.a430, args.path_cm, args.dilution)
    ebc = sm.colour.ebc_from_absorbance(args.a430, args.path_cm, args.dilution)
    clear = None if args.a700 is None else bool(sm.colour.clear_enough(args.a430, args.a700))
    text, limit = f"colour  {ebc:.2f} EBC  =  {srm:.2f} SRM", f"{sm.colour.CLEAR_RATIO} x A430"
    if off := min(args.a430, args.a700 or 0.0) < 0:
        text += "\nless than no light is absorbed: the blank is wrong or dirty; measure blank and beer again"
    if dilute := args.a430 > LINEAR_TO:
        text += (
            f"\nA430 above {LINEAR_TO:g}: beyond where many instruments are linear; dilute and measure again "
            "(--dilution), or show that yours is linear there"
        )
    if long := args.path_cm > LONGEST_CM:
        text += (
            f"\na path of {args.path_cm:g} cm is long for beer: a cell of {args.path_cm:g} mm is {args.path_cm / 10:g}"
        )
    if clear is False:
        text += (
            f"\nnot clear: A700 {args.a700:g} is above {limit} {args.a430:g}; clarify and measure again, the number "
            "does not strictly apply"
        )
    elif clear and not off:
        text += f"\nclear enough: A700 {args.a700:g} is at most {limit}"
    given = fields_of(args, "a430", "a700", "path_cm", "dilution")
    return Outcome(
        given | {"ebc": ebc, "srm": srm, "clear_enough": clear, "dilute": dilute},
        text,
        needs_look=clear is False or off or long or dilute,
    )
