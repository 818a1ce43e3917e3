"""The oldest versions that are tested are those that are stated, and the machine's Pythons those of the project."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PYTHONS = [name[-4:] for name in PROJECT["classifiers"] if re.search(r"Python :: 3\.\d+$", name)]
# checkers of the code; nobody who uses the library meets them. Measured data, whose package wants a younger NumPy
NOT_TESTED = {"lint", "measured"}


def lower_bounds():
    """The version that each dependency is asked for at least; one and the same wherever it is asked for."""
    extras = PROJECT["optional-dependencies"]
    asked = [*PROJECT["dependencies"], *(line for name in extras if name not in NOT_TESTED for line in extras[name])]
    bounds = {}
    for requirement in map(Requirement, asked):
        (bound,) = requirement.specifier
        assert bound.operator == ">=", requirement
        assert bounds.setdefault(requirement.name, bound.version) == bound.version, requirement
    return bounds


def pins(python):
    """What the list of oldest versions holds for one Python; other bounds than exact ones are not of its first part."""
    lines = (ROOT / ".ci" / "oldest.txt").read_text(encoding="utf-8").splitlines()
    found = {}
    for requirement in (Requirement(line) for line in lines if line and not line.startswith("#")):
        (bound,) = requirement.specifier
        if bound.operator != "==" or (
            requirement.marker and not requirement.marker.evaluate({"python_version": python})
        ):
            continue
        assert requirement.name not in found, f"two versions of {requirement.name} for Python {python}"
        found[requirement.name] = bound.version
    return found


def test_the_oldest_versions_are_the_lower_bounds():
    oldest, bounds = pins(PYTHONS[0]), lower_bounds()
    assert set(oldest) == set(bounds)
    assert not {name for name in bounds if Version(oldest[name]) != Version(bounds[name])}


@pytest.mark.parametrize("python", PYTHONS[1:])
def test_younger_pythons_get_no_older_versions(python):
    oldest, bounds = pins(python), lower_bounds()
    assert set(oldest) == set(bounds)
    assert not {name for name in bounds if Version(oldest[name]) < Version(bounds[name])}


def test_the_pythons_that_are_stated_are_the_pythons_that_are_tested():
    assert Version(PYTHONS[0]) in Requirement(f"python{PROJECT['requires-python']}").specifier
    (tested,) = re.findall(r"^stated=\((.*)\)", (ROOT / ".ci" / "versions").read_text(encoding="utf-8"), re.MULTILINE)
    assert tested.split() == PYTHONS
