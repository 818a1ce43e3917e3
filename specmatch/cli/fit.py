"""`specmatch fit` and `transfer`: learn a house model from a reference set; teach it a second module or lamp."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome
from specmatch.house.transfer import OWN_SET
from specmatch.line.acquisition import measure_source
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


def transfer(args: argparse.Namespace) -> Outcome:
    """Teach, save, and say how well it does on batches left out."""
    session = measure_source(args.folder).session
    both = sm.HouseModel.load(args.model).transfer(session, instrument=args.instrument)
    both.save(args.out)
    told = both.transfers.iloc[-1]
    poor = bool(told["advice"] == OWN_SET)
    lines = [
        f"{args.out}: {told['module']} taught by {counted(told['n_batches'], 'batch')} of the set, by {told['route']}",
        f"on shared batches left out: colour {told['colour_error']:.1%} off (both measurements' pours in it), identity "
        f"{told['identity_error']:.1f} of the scatter within a beer; colour intervals are wider by "
        f"{told['colour_sd']:.1%} (standard deviation)",
    ]
    if poor:
        lines.append(
            "measure a set of its own: what this module sees cannot be had from so few batches; until then its "
            "readings are wide and may be held"
        )
    left_out = session.left_out.to_dict("records")
    results = {"model": args.out, "transfers": both.transfers}
    return Outcome(results, "\n".join(lines), left_out, needs_look=poor)
