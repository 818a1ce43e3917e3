"""The API reference builds from the docstrings, without a warning, and holds every public name."""

import importlib.util
import re
from pathlib import Path

import pytest

import specmatch as sm

pytest.importorskip("pdoc", reason="the `docs` extra is not installed: the API reference is not built")

SCRIPT = Path(__file__).parent.parent / "docs" / "build_api.py"
spec = importlib.util.spec_from_file_location("build_api", SCRIPT)
build_api = importlib.util.module_from_spec(spec)
spec.loader.exec_module(build_api)


def test_the_rooms_are_those_that_are_there():
    there = {path.stem for path in Path(sm.__file__).parent.iterdir() if not path.name.startswith("_")} - {"py"}
    # the public names bring these three; the others explain themselves by being run, or are no part of the interface
    assert there - set(build_api.ROOMS) == {"colour", "errors", "models", "cli", "demo", "storage", "wording"}


@pytest.mark.whole
@pytest.mark.slow
def test_it_builds_and_holds_every_public_name(tmp_path, full_size, monkeypatch):
    # where the project's folder and the installed package differ, the builder warns of the folder
    monkeypatch.chdir(tmp_path)
    rooms = build_api.ROOMS if full_size else ("report", "spectra")
    pages = build_api.build_api(tmp_path, rooms)
    first = (tmp_path / "specmatch.html").read_text(encoding="utf-8")
    for name in set(sm.__all__) - {"__version__", *sm._ROOMS, "WARNING_CODES"}:
        assert f'id="{name}"' in first, name
    assert 'id="HouseModel.verify"' in first
    assert "mean those of a small invented" in first
    assert 'id="plot_spectra"' in (tmp_path / "specmatch/report/plots.html").read_text(encoding="utf-8")
    assert len(pages) > len(rooms)
    # built anywhere it says nothing of where
    assert not [page for page in pages if re.search(r"/(tmp|home|root|work)/", page.read_text(encoding="utf-8"))]
