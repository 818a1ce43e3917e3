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

from specmatch.cli import main
from specmatch.demo import tour as tours
from specmatch.demo.tour import Tour, run_tour
from specmatch.house.assessment.evaluation import evaluate


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
    with patch.object(tours, "run_tour", keep), contextlib.redirect_stdout(quiet), contextlib.redirect_stderr(quiet):
        assert main(["demo", "--out", str(folder / "demo_brewery")]) == 0
    (tour,) = made
    return tour


@functools.cache
def small_tour() -> Tour:
    """Run the demo on a year of two batches a beer, in two folds: what it says has the same form."""
    folder = Path(tempfile.mkdtemp(prefix="small-tour-"))
    weakref.finalize(small_tour, shutil.rmtree, folder, ignore_errors=True)
    with patch.object(tours, "evaluate", functools.partial(evaluate, n_folds=2)):
        return run_tour(folder / "demo_brewery", n_batches=2)
