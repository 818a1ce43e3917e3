"""`specmatch evaluate`: judge the model of a set with batches held out."""

import argparse

from specmatch.cli.outcome import Outcome

COMMAND = "evaluate"
HELP = "how good a set's model is, with batches held out"
EXAMPLE = "specmatch evaluate sets/house"

WEAKEST_SHOWN = 5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `evaluate`."""
    parser.add_argument("set", metavar="SET", help="folder of a reference set")
    parser.add_argument("--coverage", type=float, default=0.90, help="share of lab values to cover (default 0.90)")
    parser.add_argument(
        "--false-reject-rate", type=float, default=0.05, help="share of right claims that may be held (default 0.05)"
    )
    parser.add_argument("--folds", type=int, default=10, help="parts that the batches are dealt into (default 10)")
    parser.add_argument("--seed", type=int, default=0, help="with the batches' names it fixes the folds (default 0)")


def run(args: argparse.Namespace) -> Outcome:
    """Evaluate and lay out the tables."""
    import pandas as pd

    from specmatch.house.evaluation import evaluate
    from specmatch.house.house_model import HouseModel
    from specmatch.reference.reference_set import ReferenceSet
    from specmatch.report.text import text_table

    house = HouseModel(coverage=args.coverage, false_reject_rate=args.false_reject_rate)
    got = evaluate(house, ReferenceSet.load(args.set), n_folds=args.folds, seed=args.seed)
    results = {
        "figures": got.figures,
        "colour": got.colour,
        "identity": got.identity,
        "mix_ups": got.mix_ups,
        "coverage": got.coverage,
    }
    weakest = pd.concat([part.head(WEAKEST_SHOWN) for _, part in got.mix_ups.groupby("kind", sort=False)])
    figures = got.figures.rename_axis("figure").to_frame("value")
    text = "\n\n".join(
        [
            f"With batches held out ({len(got.identity)} batches, {got.figures['n_folds']} folds)",
            text_table(figures),
            "Do the intervals keep their word?",
            text_table(got.coverage),
            f"Mix-ups least often held (of {len(got.mix_ups)}: pairs of beers, blends with a neighbour, unknown beers)",
            text_table(weakest),
        ]
    )
    return Outcome(results, text)
