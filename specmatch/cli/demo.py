"""`specmatch demo`: an invented brewery from raw scans to a verified shift."""

import argparse
from textwrap import fill

from specmatch.cli.outcome import Outcome, fields_of, tell
from specmatch.demo.tour import ANSWERS, MODEL, PAGE, READINGS, SET, SHIFT, YEAR, control_line, run_tour
from specmatch.errors import OptionError
from specmatch.report.text import figures_line, readings_text
from specmatch.wording import CAUTIONS

# the first thing that many see of this library, in whatever terminal they have
_WIDTH = 100


def run(args: argparse.Namespace) -> Outcome:
    """Run the tour and lay out what it found."""
    if args.seed < 0:
        raise OptionError(f"--seed is {args.seed}; give a whole number of 0 or more")
    tour = run_tour(args.out, seed=args.seed, tell=tell)
    folder, figures = tour.folder, tour.evaluation.figures
    page = folder / PAGE if (folder / PAGE).exists() else None
    next_step = f"specmatch build {folder / YEAR} --out sets/house"
    parts = [
        "A shift at the packaging line of an invented brewery; beers, instrument and numbers are invented.",
        readings_text(tour.readings, width=_WIDTH),
        *(fill(said, _WIDTH) for said in (control_line(tour.controls), figures_line(figures), CAUTIONS)),
        f"Everything was written to {folder}:\n"
        f"  {YEAR}/ raw scans of {figures['n_batches']} batches    {SET}/ the reference set made of them\n"
        f"  {MODEL} the house model    {SHIFT}/ raw scans of the shift\n"
        f"  {READINGS} the table above in full    {ANSWERS} what was really in the cups,\n"
        "  which the judging never saw\n"
        f"Next, a set of your own made of the raw scans: {next_step}\n"
        + (
            f"Open first, in a browser: {page}"
            if page
            else f"Open first: {folder / READINGS} (a page comes with pip install '.[plot]')"
        ),
    ]
    results = {
        "invented": True, "folder": folder, "figures": figures, **fields_of(tour, "readings", "controls", "answers"),
        "page": page, "next": next_step,
    }  # fmt: skip
    return Outcome(results, "\n\n".join(parts), tour.left_out.to_dict("records"))
