"""`specmatch fit`: learn a house model from a reference set."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome
from specmatch.wording import counted


def run(args: argparse.Namespace) -> Outcome:
    """Fit and save."""
    refs = sm.ReferenceSet.load(args.set)
    house = sm.HouseModel(coverage=args.coverage, false_reject_rate=args.false_reject_rate).fit(refs, who=args.who)
    house.save(args.out)
    f = house.fitted
    results = {
        "model": args.out, "set": f.set_name, "set_hash": f.set_hash, "beers": f.beers, "n_batches": len(f.batches),
        "wavelength_nm": f.wavelength_nm[[0, -1]], "colour": f.colour is not None, "who": house.fitted_by,
    }  # fmt: skip
    text = (
        f"{args.out}: {counted(len(f.beers), 'beer')}, {counted(len(f.batches), 'batch')}, "
        f"{f.wavelength_nm[0]:.0f}-{f.wavelength_nm[-1]:.0f} nm\n"
        f"next: specmatch evaluate {args.set}    (how good is it, with batches held out; ten seconds for a hundred)"
    )
    if f.colour is None:
        text += "\nno colour: the set holds too few lab colours; readings give identity only"
    return Outcome(results, text)
