"""The demo with its default seed, run once for all tests that look at what it left."""

import functools
import shutil
import tempfile
import weakref
from pathlib import Path

from specmatch.demo.tour import Tour, run_tour


@functools.cache
def default_tour() -> Tour:
    """Run the demo into a folder that goes when the tests end."""
    folder = Path(tempfile.mkdtemp(prefix="default-tour-"))
    weakref.finalize(default_tour, shutil.rmtree, folder, ignore_errors=True)
    return run_tour(folder / "out")
