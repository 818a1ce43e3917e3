"""Shared switches of the test suite."""

import gc
import json
import os
import platform
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

# before NumPy is loaded, and for every process that a test starts: matrices are small, threads wait for one another
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402
import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402

ROOT = Path(__file__).parents[1]
# last, so that an installed package is not hidden by the folder's own: tests need the benchmarks that stand beside it
sys.path.append(str(ROOT))
_SHOWN = ("numpy", "scipy", "scikit-learn", "pandas", "joblib", "matplotlib", "pytest")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full-size", action="store_true", help="run statistical tests over all their seeds")
    parser.addoption("--whole", action="store_true", help="run tests marked `whole` too, and every draw of the others")
    parser.addoption("--claims", metavar="FILE", help="write down what tests of claims measured")
    parser.addoption("--installed", action="store_true", help="stop unless an installed package is what is tested")


def pytest_configure(config: pytest.Config) -> None:
    """Draw fewer examples of a property in every run than where all is asked for."""
    settings.register_profile("every run", max_examples=20, deadline=None)
    settings.register_profile("whole", max_examples=100, deadline=None)
    settings.load_profile("whole" if _whole(config) else "every run")


def pytest_sessionstart(session: pytest.Session) -> None:
    """Say what is tested, by which versions; stop where the folder would stand in for the installed package."""
    if not session.config.getoption("--installed"):
        return
    import specmatch

    where = Path(specmatch.__file__).resolve().parent
    if where == ROOT / "specmatch" or not sys.flags.safe_path:
        pytest.exit(f"--installed was asked for, and {where} is tested; install the package, set PYTHONSAFEPATH=1", 4)
    print(f"tested: {where}, on Python {platform.python_version()}")
    print(", ".join(f"{name} {_version(name)}" for name in _SHOWN))


def _whole(config: pytest.Config) -> bool:
    return bool(config.getoption("--whole") or config.getoption("--full-size"))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests marked `whole` unless all are asked for, or single ones by name."""
    if _whole(config) or any("::" in one for one in config.args):
        return
    left_out = [item for item in items if item.get_closest_marker("whole")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("whole")]


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def pytest_collection_finish() -> None:
    """Keep the collector of garbage from looking at what was imported again and again."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def numbers_print_whole():
    """Undo a library's import that makes NumPy print, and pandas write, twelve figures of a number only."""
    np.set_printoptions(legacy=False)


@pytest.fixture(scope="session")
def full_size(request: pytest.FixtureRequest) -> bool:
    """True when statistical tests are to run whole; otherwise they run a small version of themselves."""
    return bool(request.config.getoption("--full-size"))


@pytest.fixture
def claim(request: pytest.FixtureRequest, full_size: bool):
    """Hold a figure to what is claimed of it, at full size, and write it down where `--claims` asks for it."""
    from claims import CLAIMS

    from specmatch.maths.statistics.levels import binomial_bounds

    def hold(key: str, figure: float, n: int, *, bounds: tuple[float, float] | None = None, share: bool = True) -> None:
        if not full_size:
            return
        stated = next(one for one in CLAIMS if one.key == key)
        if share and bounds is None:
            bounds = tuple(float(x) for x in binomial_bounds(round(figure * n), n))
        low, high = bounds or (None, None)
        told = {"key": key, "figure": float(figure), "n": int(n), "low": low, "high": high}
        if request.config.getoption("--claims"):
            with Path(request.config.getoption("--claims")).open("a", encoding="utf-8") as file:
                file.write(json.dumps(told) + "\n")
        assert stated.least <= figure <= stated.most, told

    return hold


@pytest.fixture(scope="session")
def whole(request: pytest.FixtureRequest) -> bool:
    """True when nothing is cut for time: a test over many draws or seeds takes fewer of them otherwise."""
    return _whole(request.config)


@pytest.fixture
def undrawn(monkeypatch, whole):
    """Put an empty drawing in the place of each figure of a page, for tests that read its words; `--whole` draws it."""
    if not whole:
        from html import escape

        def drawing(ax, *, name: str, says: str) -> str:
            return f'<svg role="img" aria-label="{escape(says, quote=True)}"></svg>'

        for user in ("html", "readings"):
            monkeypatch.setattr(f"specmatch.report.pages.{user}.drawing", drawing)


@pytest.fixture(scope="session")
def small_house():
    """A model of the invented brewery (12 beers, 6 batches, 3 pours) and two new batches of each beer."""
    import specmatch as sm
    from specmatch.demo.brewery import Brewery

    brewery = Brewery(seed=1)
    past, new = brewery.draw(6), brewery.draw(2, draw=1)
    return sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")), new


@pytest.fixture(scope="session")
def line_room(small_house):
    """What a packaging line needs in tests; see `tests.line_room`."""
    from line_room import LineRoom

    from specmatch.demo.brewery import Brewery

    return LineRoom(small_house[0], Brewery(seed=1))
