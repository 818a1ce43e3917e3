"""The public names: all there, loaded on first use, heavy imports only when used."""

import ast
import json
import re
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

import specmatch as sm


@pytest.mark.parametrize("name", sm.__all__)
def test_every_public_name_loads(name):
    assert getattr(sm, name) is not None
    assert name in dir(sm)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = sm.nothing


def modules_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_importing_the_package_loads_nothing_heavy():
    assert not {"numpy", "pandas", "scipy", "sklearn"} & modules_after("import specmatch")


def test_loading_and_reading_never_import_scikit_learn(tmp_path, small_house):
    house, new = small_house
    house.save(tmp_path / "house.model")
    new.spectra.to_pickle(tmp_path / "spectra.pkl")
    code = (
        "import specmatch as sm, pandas as pd\n"
        f"house = sm.HouseModel.load({str(tmp_path / 'house.model')!r})\n"
        f"spectra = pd.read_pickle({str(tmp_path / 'spectra.pkl')!r})\n"
        "house.read(spectra)\n"
        "house.verify(spectra, claimed=house.beers_[0])"
    )
    loaded = modules_after(code)
    assert "specmatch.house.house_model" in loaded
    assert not {"sklearn", "matplotlib", "specmatch.measurement.session"} & loaded


def test_the_room_of_estimators_loads_nothing_heavy():
    assert not {"numpy", "pandas", "sklearn"} & modules_after("import specmatch.models; dir(specmatch.models)")


@pytest.mark.whole
def test_an_estimator_loads_scikit_learn():
    assert "sklearn" in modules_after("from specmatch.models import SavitzkyGolay")


def test_the_package_names_every_kind_of_file_that_it_holds():
    """What is no module goes into a wheel only by the patterns of `pyproject.toml`."""
    patterns = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))
    (package,) = patterns["tool"]["setuptools"]["package-data"].values()
    folder = PROJECT / "specmatch"
    named = {path for pattern in package for path in folder.glob(pattern)}
    others = [path for path in folder.rglob("*.*") if path.is_file() and path.suffix not in (".py", ".pyc")]
    assert others and set(others) <= named


def test_estimators_are_all_in_their_room_and_sit_in_pipelines():
    from sklearn.base import BaseEstimator

    names = {
        name
        for module in set(sm.models._PUBLIC.values())
        for name, value in vars(import_module(module)).items()
        if isinstance(value, type) and issubclass(value, BaseEstimator) and value.__module__ == module
    }
    assert {name for name in names if not name.startswith("_")} == set(sm.models.__all__)
    assert all(getattr(sm.models, name).__name__ == name for name in sm.models.__all__)


# what a reader may import; every other path may change with any version
ROOMS = {"specmatch", "specmatch.models", "specmatch.colour", "specmatch.errors"}
PROJECT = Path(__file__).parent.parent


def names_of(room):
    if hasattr(room, "__all__"):
        return set(room.__all__)
    return {name for name in vars(room) if not name.startswith("_")}


def code_shown():
    """Each piece of Python that readers are shown: where it stands, and its text."""
    for page in [*PROJECT.glob("*.md"), *(PROJECT / "docs").glob("*.md"), *(PROJECT / "reference_sets").glob("*.md")]:
        for block in re.findall(r"```python\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.DOTALL):
            yield page.name, block
    for path in sorted((PROJECT / "notebooks").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        yield path.name, "\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")


def not_public(code):
    """Names of the package that some code takes and that no reader may rely on."""
    found, rooms = [], {}
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.split(".")[0] == "specmatch":
                    found += [] if alias.name in ROOMS else [alias.name]
                    rooms[alias.asname or "specmatch"] = sm
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "specmatch":
            known = names_of(import_module(node.module)) if node.module in ROOMS else set()
            found += [f"{node.module}.{alias.name}" for alias in node.names if alias.name not in known]
    # sm.plots.plot_spectra: each step of the way
    for node in ast.walk(ast.parse(code)):
        way = []
        while isinstance(node, ast.Attribute):
            way.insert(0, node.attr)
            node = node.value
        if isinstance(node, ast.Name) and (node.id in rooms or (node.id == "sm" and "sm" not in rooms)):
            room = sm
            for name in way:
                if name not in names_of(room):
                    found.append(f"{room.__name__}.{name}")
                    break
                room = getattr(room, name)
                if not isinstance(room, ModuleType):
                    break
    return list(dict.fromkeys(found))


def test_readers_are_shown_public_names_only():
    shown = list(code_shown())
    assert {name for name, _ in shown} >= {"README.md", "how_to.md", "reference.md", "1_first_reference_set.ipynb"}
    assert {name: wrong for name, code in shown if (wrong := not_public(code))} == {}


@pytest.mark.parametrize(
    ("code", "wrong"),
    [
        ("import specmatch as sm\nsm.plots.plot_spectra(sm.Brewery(seed=1))", []),
        ("from specmatch.models import SavitzkyGolay\nfrom specmatch.errors import UnitError", []),
        ("from specmatch.line.journal.journal import Journal", ["specmatch.line.journal.journal.Journal"]),
        ("from specmatch.models import rows", ["specmatch.models.rows"]),
        ("from specmatch import line", ["specmatch.line"]),
        ("import specmatch.house", ["specmatch.house"]),
        ("import specmatch\nspecmatch.house.evaluation.evaluate()", ["specmatch.house"]),
        ("import specmatch as s\ns.plots.plot_nothing(s)", ["specmatch.report.plots.plot_nothing"]),
        ("sm.line", ["specmatch.line"]),
    ],
)
def test_other_names_are_seen(code, wrong):
    assert not_public(code) == wrong


def test_prose_names_no_path_that_cannot_be_imported_for_good():
    """Methods may be named by the module that holds them; what readers are to call stands under a public name."""
    for page in [PROJECT / "README.md", PROJECT / "docs" / "how_to.md"]:
        paths = re.findall(r"\bspecmatch\.(\w+)\.\w+", page.read_text(encoding="utf-8"))
        assert set(paths) <= {"models", "colour", "errors", "plots", "pages"}, page.name


def test_the_index_gives_each_command_its_names_in_python():
    from specmatch.cli import COMMANDS

    page = (PROJECT / "docs" / "index.md").read_text(encoding="utf-8")
    rows = [row.split("|")[1:3] for row in page.split("## Each command in Python")[1].splitlines() if "| `" in row]
    assert sorted(name for commands, _ in rows for name in re.findall(r"`(\w+)`", commands)) == sorted(COMMANDS)
    named = [re.findall(r"`sm\.(\w+)`", names) for _, names in rows]
    assert all(named)
    every = {name for names in named for name in names} | {"models", "errors", "WARNING_CODES"}
    # what stands in models and errors as well is not named twice
    twice = {"__version__", *sm.models.__all__, "SpecmatchError", "MissingGroupsWarning"}
    assert every == set(sm.__all__) - twice
