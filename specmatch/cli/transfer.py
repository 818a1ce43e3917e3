"""`specmatch transfer`: teach a house model a second module, or another lamp, cup or base."""

import argparse

import specmatch as sm
from specmatch.cli.outcome import Outcome
from specmatch.house.transfer import OWN_SET
from specmatch.line.acquisition import measure_source
from specmatch.wording import counted


def run(args: argparse.Namespace) -> Outcome:
    """Teach, save, and say how well it does on batches left out."""
    session = measure_source(args.folder).session
    both = sm.HouseModel.load(args.model).transfer(session, instrument=args.instrument)
    both.save(args.out)
    told = both.transfers.iloc[-1]
    poor = told["advice"] == OWN_SET
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
    return Outcome(
        {"model": args.out, "transfers": both.transfers}, "\n".join(lines), left_out, needs_look=bool(poor or left_out)
    )
