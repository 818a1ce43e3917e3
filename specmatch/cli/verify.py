"""`specmatch verify`: is it the beer that the line says it is?"""

import argparse

from specmatch.cli.outcome import Outcome

COMMAND = "verify"
HELP = "judge the claims of a measured folder: consistent, hold or rescan"
EXAMPLE = "specmatch verify house.model monday/ --claim 'House Pils'"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `verify`."""
    parser.add_argument("model", metavar="MODEL", help="model file")
    parser.add_argument("source", metavar="FOLDER|FILE", help="measured folder, or a file of reflectance spectra")
    parser.add_argument("--claim", metavar="BEER", help="beer that every sample is said to be (default: the folder's)")
    parser.add_argument("--unit", choices=("EBC", "SRM"), help="colour unit to show (default: the set's)")


def run(args: argparse.Namespace) -> Outcome:
    """Verify and lay out the decisions."""
    from specmatch.cli.sources import in_unit, load_source
    from specmatch.house.decision import CONSISTENT
    from specmatch.house.house_model import HouseModel
    from specmatch.report.text import CAUTIONS, readings_text

    house = HouseModel.load(args.model)
    source = load_source(args.source)
    verified = house.verify(source.scans_or_session, claimed=args.claim, scans=source.scans)
    verified = in_unit(verified, args.unit)
    # a sample without a claim is no decision, but someone may have forgotten to write the claim down
    look = bool(source.left_out) or bool((verified["decision"] != CONSISTENT).any())
    return Outcome(verified, f"{readings_text(verified)}\n\n{CAUTIONS}", source.left_out, needs_look=look)
