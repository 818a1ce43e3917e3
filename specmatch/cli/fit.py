"""`specmatch fit`: learn a house model from a reference set."""

import argparse

from specmatch.cli.arguments import number
from specmatch.cli.outcome import Outcome
from specmatch.wording import counted

COMMAND = "fit"
HELP = "learn a house model from a reference set"
EXAMPLE = "specmatch fit sets/house --out house.model"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `fit`."""
    parser.add_argument("set", metavar="SET", help="folder of a reference set")
    parser.add_argument("--out", required=True, metavar="MODEL", help="model file to write")
    parser.add_argument("--coverage", type=number, default=0.90, help="share of lab values to cover (default 0.90)")
    parser.add_argument(
        "--false-reject-rate", type=number, default=0.05, help="share of right claims that may be held (default 0.05)"
    )
    parser.add_argument("--who", default="", metavar="NAME", help="who answers for the fit, for the record of a line")


def run(args: argparse.Namespace) -> Outcome:
    """Fit and save."""
    from specmatch.house.house_model import HouseModel
    from specmatch.reference.reference_set import ReferenceSet

    refs = ReferenceSet.load(args.set)
    house = HouseModel(coverage=args.coverage, false_reject_rate=args.false_reject_rate).fit(refs, who=args.who)
    house.save(args.out)
    f = house.fitted
    results = {
        "model": args.out,
        "set": f.set_name,
        "set_hash": f.set_hash,
        "beers": list(f.beers),
        "n_batches": len(f.batches),
        "wavelength_nm": [float(f.wavelength_nm[0]), float(f.wavelength_nm[-1])],
        "colour": f.colour is not None,
        "who": house.fitted_by,
    }
    text = (
        f"{args.out}: {counted(len(f.beers), 'beer')}, {counted(len(f.batches), 'batch')}, "
        f"{f.wavelength_nm[0]:.0f}-{f.wavelength_nm[-1]:.0f} nm\n"
        f"next: specmatch evaluate {args.set}    (how good is it, with batches held out; ten seconds for a hundred)"
    )
    if f.colour is None:
        text += "\nno colour: the set holds too few lab colours; readings give identity only"
    return Outcome(results, text)
