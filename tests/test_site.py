"""The documents build as a site without a warning, and every public name and command is found by its search."""

import importlib.util
import inspect
import json
import re
from pathlib import Path

import pytest

import specmatch as sm
from specmatch.cli import COMMANDS

pytest.importorskip("sphinx", reason="the `docs` extra is not installed: the site is not built")
for needed in ("myst_parser", "furo", "matplotlib"):
    pytest.importorskip(needed, reason="the `docs` and `plot` extras are not installed: the site is not built")

SCRIPT = Path(__file__).parent.parent / "docs" / "build_site.py"
spec = importlib.util.spec_from_file_location("build_site", SCRIPT)
build_site = importlib.util.module_from_spec(spec)
spec.loader.exec_module(build_site)


def test_every_public_name_has_a_page():
    shown = {name for room in build_site.ROOMS for name in build_site.public_names(room)}
    # what is no class and no function is told in its room
    rooms = {name for name in sm.__all__ if inspect.ismodule(getattr(sm, name))}
    assert len(rooms) == 5 and set(sm.__all__) - {"__version__", "WARNING_CODES", *rooms} <= shown
    assert {"SavitzkyGolay", "ebc_from_srm", "UnknownBeerError", "plot_spectra", "set_page"} <= shown


@pytest.mark.whole
@pytest.mark.filterwarnings("ignore")  # the builder's own libraries warn of their own matters
def test_it_builds_without_a_warning_and_finds_every_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert build_site.build_site(tmp_path / "site") == ""
    text = (tmp_path / "site" / "searchindex.js").read_text(encoding="utf-8")
    index = json.loads(re.search(r"Search\.setIndex\((.*)\)", text, flags=re.DOTALL).group(1))
    titles = set(index["alltitles"])
    assert {f"specmatch {name}" for name in COMMANDS} <= titles
    for room in build_site.ROOMS:
        assert {f"{room}.{name}" for name in build_site.public_names(room)} <= titles
    assert {name for name in build_site.public_names("specmatch.plots")} <= titles
    first = (tmp_path / "site" / "api" / "specmatch.HouseModel.html").read_text(encoding="utf-8")
    assert "verify_chunks" in first and "read_chunks" in first
    # built anywhere it says nothing of where
    pages = [page.read_text(encoding="utf-8") for page in (tmp_path / "site").rglob("*.html")]
    assert not [page for page in pages if re.search(r"/(tmp|home|root|work)/", page)]
