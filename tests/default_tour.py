"""The demo, run once for all tests that look at what it left: with its default seed, or small."""

import contextlib
import functools
import io
import shutil
import tempfile
import weakref
from pathlib import Path
from typing import Any
from unittest.mock import patch

from specmatch.cli import demo as command
from specmatch.cli import main
from specmatch.demo import tour as tours
from specmatch.demo.tour import Tour, run_tour
from specmatch.house.assessment.evaluation import Evaluation, evaluate
from specmatch.house.house_model import HouseModel
from specmatch.reference.reference_set import ReferenceSet


@functools.cache
def default_tour() -> Tour:
    """Run the demo as its command does, into a folder `demo_brewery` that goes when the tests end."""
    folder = Path(tempfile.mkdtemp(prefix="default-tour-"))
    weakref.finalize(default_tour, shutil.rmtree, folder, ignore_errors=True)
    made: list[Tour] = []

    def keep(*given: Any, **options: Any) -> Tour:
        made.append(run_tour(*given, **options))
        return made[-1]

    quiet = io.StringIO()  # what it says is no part of what the test that asks first looks at
    with patch.object(command, "run_tour", keep), contextlib.redirect_stdout(quiet), contextlib.redirect_stderr(quiet):
        assert main(["demo", "--out", str(folder / "demo_brewery")]) == 0
    (tour,) = made
    return tour


@functools.cache
def small_tour() -> Tour:
    """Run the demo on a year of two batches a beer, few of them evaluated, nothing drawn: it says the same things."""
    folder = Path(tempfile.mkdtemp(prefix="small-tour-"))
    weakref.finalize(small_tour, shutil.rmtree, folder, ignore_errors=True)

    def of_four_beers(house: HouseModel, refs: ReferenceSet) -> Evaluation:
        others = refs.batches.index[~refs.batches["beer"].isin(refs.batches["beer"].unique()[:4])]
        return evaluate(house, refs.drop(list(others), reason="a small tour"), n_folds=2)

    with patch.object(tours, "evaluate", of_four_beers), patch.object(tours, "_write_page", lambda *_: None):
        return run_tour(folder / "demo_brewery", n_batches=2)
