"""`specmatch read`: colour and identity of samples, without a claim."""

import argparse

import specmatch as sm
from specmatch.cli.arguments import in_unit, load_source
from specmatch.cli.outcome import Outcome


def run(args: argparse.Namespace) -> Outcome:
    """Read and lay out the readings."""
    from specmatch.report.text import readings_text

    house = sm.HouseModel.load(args.model)
    scans_or_session, left_out = load_source(args.source, dates=args.dates)
    readings = house.read(scans_or_session, lab=args.lab)
    if args.correction:
        from specmatch.house.assessment.validation import ColourCorrection

        readings = ColourCorrection.load(args.correction).apply(readings, house, lab=args.lab)
    readings = in_unit(readings, args.unit)
    return Outcome(readings, readings_text(readings), left_out, needs_look=any(readings["warnings"].map(len) > 0))
