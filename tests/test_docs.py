"""The examples of docstrings and README run, and every public name is documented."""

import ast
import doctest
import importlib
import importlib.util
import inspect
import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from default_tour import default_tour
from example_room import furnish, furnish_beforehand
from source_trees import tree_of

import specmatch

PACKAGE = Path(specmatch.__file__).parent
PROJECT = Path(__file__).parent.parent
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__main__.py")


def module_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@pytest.fixture(scope="module")
def example_room(tmp_path_factory):
    folder = tmp_path_factory.mktemp("examples")
    return folder, furnish(folder)


@pytest.fixture(scope="module")
def evaluated(example_room):
    """What some examples draw: it takes seconds, so it is made only where one of them runs."""
    return {"evaluation": specmatch.evaluate(example_room[1]["house"], example_room[1]["refs"])}


@pytest.fixture(scope="module")
def beforehand(example_room):
    """What comes before the first batch: it takes seconds too."""
    return furnish_beforehand(example_room[0])


def public_objects():
    """The functions and classes that users import, and the classes of ours that these are made of."""
    rooms = [getattr(specmatch, name) for name in specmatch.__all__ if inspect.ismodule(getattr(specmatch, name))]
    for room in (specmatch, importlib.import_module("specmatch.models"), *rooms):
        own = [name for name, value in vars(room).items() if getattr(value, "__module__", "") == room.__name__]
        names = getattr(room, "__all__", [name for name in own if not name.startswith("_")])
        for value in (getattr(room, name) for name in names):
            if inspect.isclass(value) or inspect.isfunction(value):
                for one in inspect.getmro(value) if inspect.isclass(value) else [value]:
                    if one.__module__.partition(".")[0] == specmatch.__name__:
                        yield one


def public_names():
    """Names in full, with the module that holds them."""
    return {f"{one.__module__}.{one.__qualname__}" for one in public_objects()}


# what these show takes long: pages, plans, and models that are fitted again and again
LONG = (
    "specmatch.demo.folders",
    "specmatch.demo.brewery",
    "specmatch.house.assessment.choose",
    "specmatch.house.assessment.evaluation",
    "specmatch.house.assessment.evaluation",
    "specmatch.house.assessment.validation",
    "specmatch.house.house_model",
    "specmatch.house.planning.plan",
    "specmatch.line.rules.rates",
    "specmatch.line.watch_folder",
    "specmatch.measurement.commissioning.commission",
    "specmatch.reference.changes",
    "specmatch.reference.changes",
    "specmatch.reference.reference_set",
    "specmatch.report.pages.study_pages",
    "specmatch.report.pages.model_page",
    "specmatch.report.pages.study_pages",
    "specmatch.report.pages.set_page",
    "specmatch.report.pages.study_pages",
    "specmatch.report.plots.studies",
    "specmatch.report.plots.colour",
    "specmatch.report.plots.identity",
    "specmatch.report.plots.spectra",
)


def with_examples():
    """Modules with examples; long ones and those of internals are left to `--whole`: both are tested elsewhere."""
    public = {one.__module__ for one in public_objects()}
    for path in FILES:
        if ">>>" in path.read_text(encoding="utf-8"):
            marks = () if module_of(path) in public and module_of(path) not in LONG else (pytest.mark.whole,)
            yield pytest.param(module_of(path), marks=marks)


@pytest.mark.parametrize("name", list(with_examples()))
def test_docstring_examples_run(name, example_room, monkeypatch, request):
    folder, names = example_room
    monkeypatch.chdir(folder)
    module = importlib.import_module(name)
    text = Path(module.__file__).read_text(encoding="utf-8")
    if find_spec("matplotlib") is None and "figure_style" in name + text:
        pytest.skip("the `plot` extra is not installed: examples that draw are not run")
    for late, named in (("evaluated", "evaluation"), ("beforehand", "made|bench")):
        if re.search(rf">>> .*\b(?:{named})\b", text):
            names = {**names, **request.getfixturevalue(late)}
    # a module's own names come first: `spectra` is a module to one and a table to another
    given = {key: value for key, value in names.items() if key not in vars(module)}
    failed = doctest.testmod(module, extraglobs=given, optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")  # it warns of many that stay open
    assert failed.failed == 0


@pytest.mark.whole
def test_the_reference_tells_how_to_make_what_examples_name(example_room, evaluated):
    """The lines on the page of the reference make the very objects that the examples are run on."""
    (block,) = re.findall(
        r"```python\n(.*?)```", (PROJECT / "docs" / "reference.md").read_text(encoding="utf-8"), re.DOTALL
    )
    made: dict[str, object] = {}
    exec(compile(block, "reference.md", "exec"), made)  # the page's own text
    given = example_room[1]
    assert made["refs"].hash == given["refs"].hash
    assert made["spectra"].equals(given["spectra"]) and made["scans"].equals(given["scans"])
    assert made["house"].read(made["spectra"]).equals(given["house"].read(given["spectra"]))
    assert made["evaluation"].colour.equals(evaluated["evaluation"].colour)


def public_definitions():
    for path in FILES:
        if path.parent.name == "cli":
            continue
        for node in tree_of(path).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                yield f"{module_of(path)}.{node.name}", node
                if isinstance(node, ast.ClassDef):
                    for inner in node.body:
                        if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                            yield f"{module_of(path)}.{node.name}.{inner.name}", inner


def test_every_public_definition_has_a_docstring():
    bare = [name for name, node in public_definitions() if not ast.get_docstring(node)]
    assert not bare


ROOMS = {name for name in specmatch.__all__ if inspect.ismodule(getattr(specmatch, name))}


@pytest.mark.parametrize("name", sorted({*specmatch._PUBLIC} - ROOMS - {"WARNING_CODES"}))
def test_public_names_show_an_example(name):
    value = getattr(specmatch, name)
    if inspect.isclass(value) and issubclass(value, Exception):
        return
    assert "Examples" in (inspect.getdoc(value) or "") or name in {"Scan", "Session"}


def test_the_warnings_page_knows_every_code_and_its_effect():
    page = (PROJECT / "docs" / "warnings.md").read_text(encoding="utf-8")
    rows = [line.split("|") for line in page.splitlines() if line.startswith("| `")]
    told = {code: row[2].strip() for row in rows for code in re.findall(r"`(\w+)`", row[1])}
    assert told == {code: known.effect for code, known in specmatch.WARNING_CODES.items()}


def calls_of(command):
    """Every function of the package that a command calls, by its name within the package, in order."""
    called: list[str] = []
    modules = {str(path): module_of(path).removeprefix("specmatch.") for path in FILES}

    def note(frame, event, _):
        code = frame.f_code
        if event == "call" and code.co_filename in modules:
            called.append(f"{modules[code.co_filename]}.{code.co_qualname}")

    from specmatch.cli import main

    sys.setprofile(note)
    try:
        assert main(command) in (0, 1)
    finally:
        sys.setprofile(None)
    return called


def test_the_way_of_one_scan_is_the_way_that_it_goes(example_room, monkeypatch, capsys):
    """Functions that the page names in a row are called in that order, others between them."""
    monkeypatch.chdir(example_room[0])
    text = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text[text.index("## The way of one scan") : text.index("## Conventions")]
    names = [name for name in re.findall(r"`([a-z_]+(?:\.\w+)+)`", section) if not name.endswith(".model")]
    assert 15 <= len(names) <= 21
    for shown, options in (("report.text.readings_text", []), ("report.json_document.document", ["--json"])):
        rest = iter(calls_of(["verify", "house.model", "tuesday", *options]))
        for name in [name for name in names if not name.startswith("report.")] + [shown]:
            assert name in rest, f"{name} is not called, or before what the page names ahead of it"


def test_links_between_pages_lead_somewhere():
    for page in [*PROJECT.glob("*.md"), *(PROJECT / "docs").glob("*.md"), *(PROJECT / "reference_sets").glob("*.md")]:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_links_into_a_page_lead_to_headings_that_are_there():
    def headings(path):
        told = re.findall(r"^#+ (.*)", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
        return {re.sub(r"[^\w -]", "", said.lower()).replace(" ", "-") for said in told}

    for page in [*PROJECT.glob("*.md"), *(PROJECT / "docs").glob("*.md")]:
        for target, heading in re.findall(r"\]\(([^)#:\s]*\.md|)#([^)\s]+)\)", page.read_text(encoding="utf-8")):
            aim = page.parent / target if target else page
            assert heading in headings(aim), f"{page.name} links to {target}#{heading}"


def test_files_that_pages_name_are_there():
    for page in [*PROJECT.glob("*.md"), *(PROJECT / "docs").glob("*.md")]:
        for name in re.findall(r"`([a-z_]+(?:/\w+)+\.py)`", page.read_text(encoding="utf-8")):
            assert any((root / name).exists() for root in (PROJECT, PACKAGE)), f"{page.name} names {name}"


def readme_blocks(language):
    text = (PROJECT / "README.md").read_text(encoding="utf-8")
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


@pytest.mark.whole
def test_the_readme_example_runs_and_prints_what_it_says():
    """The README's Python, run where its first command leaves the demo brewery, prints the README's output."""
    (code,), outputs = readme_blocks("python"), readme_blocks("text")
    where = default_tour().folder.parent
    done = subprocess.run([sys.executable, "-c", code], cwd=where, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == outputs[0].strip()


@pytest.mark.whole
def test_the_columns_page_names_every_column(small_house):
    from specmatch.demo.brewery import Brewery
    from specmatch.house.assessment.choose import learning_curve

    page = (PROJECT / "docs" / "columns.md").read_text(encoding="utf-8")
    told = {name for line in page.splitlines() for name in re.findall(r"`(\w+)`", line)}
    house, new = small_house
    past = Brewery(seed=1).draw(4, beers=["Chalk Lager", "Amber Lane", "Peat Stout"])
    refs = specmatch.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")
    readings = house.verify(new.spectra, claimed=house.beers_[0], scans=new.scans)
    left = house.changeover(new.spectra, new.scans, before=house.beers_[0], after=house.beers_[1])
    found = specmatch.evaluate(house, refs, n_folds=2)
    tables = [readings, left.drop(columns="sentence"), found.colour, found.identity, found.coverage, found.mix_ups]
    tables.append(learning_curve(refs))
    missing = {str(column) for table in tables for column in [*table.columns, table.index.name or "sample"]} - told
    assert not missing


def test_every_picture_of_the_documents_is_drawn_by_one_command():
    script = Path(__file__).parent.parent / "docs" / "draw_figures.py"
    spec = importlib.util.spec_from_file_location("draw_figures", script)
    draw_figures = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(draw_figures)
    assert {path.stem for path in script.parent.glob("*.png")} == set(draw_figures.FIGURES)
