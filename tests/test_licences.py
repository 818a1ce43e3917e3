"""The licences page names every requirement and nothing else, and says of each what the package says of itself."""

import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution, files, metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
# what classifiers call a licence -> how its name here begins
FAMILIES = {
    "BSD License": "BSD-",
    "MIT License": "MIT",
    "Python Software Foundation License": "PSF-based",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Public Domain": "MIT-0",
}


def cells(line):
    return [cell.strip() for cell in line.strip("|").split("|")]


def stated():
    """Each package of the first table: who asks for it, and its licence."""
    lines = PAGE[: PAGE.index("## Published figures")].splitlines()
    rows = [cells(line) for line in lines if line.startswith("| `")]
    assert len({row[0] for row in rows}) == len(rows)
    return {name.strip("`"): (set(asked.replace("`", "").split(", ")), licence) for name, asked, licence, _ in rows}


def required():
    """Each requirement of the project, and who asks for it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = {
        "every installation": project["project"]["dependencies"],
        "building": project["build-system"]["requires"],
        **project["project"]["optional-dependencies"],
    }
    found = {}
    for who, lines in asked.items():
        for line in lines:
            found.setdefault(Requirement(line).name, set()).add(who)
    return found


def test_the_page_lists_the_requirements_with_who_asks_for_them():
    assert {name: asked for name, (asked, _) in stated().items()} == required()


@pytest.mark.parametrize("name", sorted(stated()))
def test_the_package_says_the_same_licence_of_itself(name):
    licence = stated()[name][1]
    try:
        said = metadata(name)
    except PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    expression, old = said.get("License-Expression"), said.get("License") or ""
    named = [mark.split(" :: ")[-1] for mark in said.get_all("Classifier") or [] if mark.startswith("License :: ")]
    if not (expression or old or named):
        # said nowhere but in the file that is handed out with it, whose first line names it
        texts = (distribution(name).read_text(file) for file in ("licenses/LICENSE", "LICENSE"))
        named = [next(text for text in texts if text).splitlines()[0].strip()]
    families = [FAMILIES[one] for one in named if one in FAMILIES]
    if expression:
        assert licence in re.split(r" AND | OR |[() ]+", expression)
    elif old and "\n" not in old and licence == old.strip():
        return
    else:
        # older packages name a family only, or bring the whole text in place of a name
        assert families, (named, old[:80])
        assert any(licence.startswith(family) for family in families)


def places_of_figures():
    """The files that the tables of figures name as their places."""
    figures = PAGE[PAGE.index("## Published figures") :]
    places = [cells(line)[1] for line in figures.splitlines() if line.startswith("| ")]
    return {path for place in places for path in re.findall(r"`([^`]+)`", place)}


def test_figures_taken_from_print_stand_where_the_page_says():
    places = places_of_figures()
    assert len(places) > 15
    assert not [path for path in places if not (ROOT / path).exists()]
    # every table of numbers that the package ships, or that the tests take from print, is spoken of
    shipped = {path.relative_to(ROOT).as_posix() for path in (ROOT / "specmatch").rglob("*.csv")}
    shipped |= {path.relative_to(ROOT).as_posix() for path in (ROOT / "tests" / "data").glob("*.csv")}
    assert shipped <= places


@pytest.mark.parametrize(
    ("folder", "sources"),
    [("specmatch", "E1272|61966|Angelino|e-Handbook"), ("tests", "NIST|JCGM|deLange, 20|CIE 015|Lucas|Davies")],
)
def test_files_that_name_a_source_of_figures_are_on_the_page(folder, sources):
    naming = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / folder).rglob("*.py")
        if path != Path(__file__) and re.search(sources, path.read_text(encoding="utf-8"))
    }
    assert len(naming) > 4
    assert naming <= places_of_figures()


def test_the_notice_of_the_copied_tables_is_shipped():
    # its licence wants notice, conditions and disclaimer with every copy, the wheel included
    import specmatch.colour.tristimulus as module

    assert "Copyright 2013 Colour Developers" in Path(module.__file__).read_text(encoding="utf-8")
    try:
        said = next(path for path in files("colour-science") or [] if path.name == "LICENSE").read_text("utf-8")
    except PackageNotFoundError:
        pytest.skip("colour-science is not installed")
    theirs, ours = (
        re.sub(r"^\d\. |[\s\"“”]+", " ", text[text.index("Redistribution") :], flags=re.M).split()
        for text in (said, (ROOT / "LICENSE").read_text(encoding="utf-8"))
    )
    assert said.startswith("Copyright 2013 Colour Developers")
    assert " ".join(theirs).rstrip(". ") == " ".join(ours).rstrip(". ")
