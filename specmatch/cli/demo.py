"""`specmatch demo`: an invented brewery from raw scans to a verified shift."""

import argparse
from pathlib import Path
from textwrap import fill

from specmatch.cli.outcome import Outcome, tell

COMMAND = "demo"
HELP = "an invented brewery, from raw scans to a verified shift; leaves every file"
EXAMPLE = "specmatch demo --out demo_brewery"

# the first thing that many see of this library, in whatever terminal they have
_WIDTH = 100


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `demo`."""
    parser.add_argument("--out", metavar="DIR", default="demo_brewery", help="where to write (default: demo_brewery)")
    parser.add_argument("--seed", type=int, metavar="N", default=1, help="another number, another brewery (default 1)")


def run(args: argparse.Namespace) -> Outcome:
    """Run the tour and lay out what it found."""
    from specmatch.demo.tour import ANSWERS, MODEL, PAGE, READINGS, SET, SHIFT, YEAR, control_line, run_tour
    from specmatch.errors import OptionError
    from specmatch.report.text import figures_line, readings_text
    from specmatch.wording import CAUTIONS

    if args.seed < 0:
        raise OptionError(f"--seed is {args.seed}; give a whole number of 0 or more")
    tour = run_tour(args.out, seed=args.seed, tell=tell)
    folder, figures = tour.folder, tour.evaluation.figures
    text = "\n".join(
        [
            "A shift at the packaging line of an invented brewery; beers, instrument and numbers are invented.",
            "",
            readings_text(tour.readings, width=_WIDTH),
            "",
            fill(control_line(tour.controls), _WIDTH),
            "",
            fill(figures_line(figures), _WIDTH),
            "",
            fill(CAUTIONS, _WIDTH),
            "",
            f"Everything was written to {folder}:",
            f"  {YEAR}/ raw scans of {figures['n_batches']} batches    {SET}/ the reference set made of them",
            f"  {MODEL} the house model    {SHIFT}/ raw scans of the shift",
            f"  {READINGS} the table above in full    {ANSWERS} what was really in the cups,",
            "  which the judging never saw",
            f"Next, a set of your own made of the raw scans: specmatch build {folder / YEAR} --out sets/house",
            _to_open(folder / PAGE, folder / READINGS),
        ]
    )
    results = {
        "invented": True,
        "folder": folder,
        "figures": figures,
        "readings": tour.readings,
        "controls": tour.controls,
        "answers": tour.answers,
        "page": folder / PAGE if (folder / PAGE).exists() else None,
        "next": f"specmatch build {folder / YEAR} --out sets/house",
    }
    return Outcome(results, text, tour.left_out.to_dict("records"))


def _to_open(page: Path, table: Path) -> str:
    """Say what to look at first."""
    if page.exists():
        return f"Open first, in a browser: {page}"
    return f"Open first: {table} (a page comes with pip install '.[plot]')"
