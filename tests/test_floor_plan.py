"""The house as built against its plan: data flows up, a room imports from lower floors only, files stay small."""

import ast
from pathlib import Path

import pytest

import specmatch

ROOT = Path(specmatch.__file__).parent
FLOORS = {
    "errors": 1, "warning_codes": 1, "storage": 1, "wording": 1, "array_types": 1,
    "maths": 2,
    "colour": 3, "spectra": 3, "batches": 3,
    "models": 4, "measurement": 4,
    "reference": 5,
    "house": 6,
    "line": 7,
    "report": 8,
    "demo": 9,
    "cli": 10, "__main__": 10,
}  # fmt: skip
# single files stand side by side on these floors and may lean on each other, without a circle
FILES_SIDE_BY_SIDE = {1, 3, 10}
FILES = sorted(ROOT.rglob("*.py"))
# lines of code: blank lines, comments and docstrings aside
LONGEST = 400


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def imports_of(path: Path) -> set[str]:
    """Modules of this package that a file imports anywhere, inside functions too, type checking aside."""
    found: set[str] = set()

    def walk(node: ast.AST) -> None:
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            return
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("specmatch"):
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found.update(name for name in names if name in MODULES)
            if not names <= MODULES:
                found.add(node.module)
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names if alias.name.startswith("specmatch"))
        for child in ast.iter_child_nodes(node):
            walk(child)

    walk(ast.parse(path.read_text(encoding="utf-8")))
    return found


def code_lines(text: str) -> int:
    tree = ast.parse(text)
    told: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            told.update(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    lines = enumerate(text.splitlines(), start=1)
    return sum(1 for n, line in lines if n not in told and line.strip() and not line.strip().startswith("#"))


MODULES = {module_of(path) for path in FILES}
IMPORTS = {module_of(path): imports_of(path) for path in FILES}


def test_every_room_stands_on_a_floor():
    assert {room_of(module) for module in MODULES} - {""} <= set(FLOORS)


def test_rooms_import_from_lower_floors_only():
    wrong = []
    for module, used in IMPORTS.items():
        room = room_of(module)
        for other in used:
            other_room = room_of(other)
            if not room or not other_room or room == other_room:
                continue
            beside = FLOORS[room] == FLOORS[other_room] and FLOORS[room] in FILES_SIDE_BY_SIDE
            if FLOORS[other_room] > FLOORS[room] or (FLOORS[other_room] == FLOORS[room] and not beside):
                wrong.append(f"{module} (floor {FLOORS[room]}) imports {other} (floor {FLOORS[other_room]})")
    assert not wrong, "\n".join(sorted(wrong))


def test_no_file_imports_itself_through_others():
    waiting, done, path = {m: set(u) for m, u in IMPORTS.items()}, set(), []

    def visit(module: str) -> None:
        assert module not in path, " -> ".join([*path[path.index(module) :], module])
        if module in done:
            return
        path.append(module)
        # a package's own __init__ is run by importing anything inside it, so only files count here
        for other in waiting.get(module, ()):
            if other != module:
                visit(other)
        path.pop()
        done.add(module)

    for module in waiting:
        visit(module)


def test_the_maths_room_knows_numpy_and_scipy_only():
    for path in (ROOT / "maths").glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            outside = {name.split(".")[0] for name in names} & {"pandas", "sklearn", "joblib", "matplotlib"}
            assert not outside, f"{path.name} imports {sorted(outside)}"


def test_no_room_shares_a_public_functions_name():
    # the files of cli/ are named for their commands and are never imported by users
    names = set(specmatch._PUBLIC)
    assert not names & {path.stem for path in FILES if path.parent.name != "cli"}


def test_no_room_is_named_for_nothing():
    forbidden = {"utils", "util", "helpers", "base", "common", "misc"}
    assert not forbidden & {part for path in FILES for part in path.relative_to(ROOT).with_suffix("").parts}


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_files_stay_small_enough_to_find_ones_way_in(path):
    assert code_lines(path.read_text(encoding="utf-8")) <= LONGEST


def test_lines_of_code_are_told_from_the_rest():
    text = '"""Of a module.\n\nMore.\n"""\n\n# a remark\nx = """two\n\nlines"""  # 2\n'
    text += '\n\ndef f():\n    """Of f."""\n    return x\n'
    assert code_lines(text) == 4
