"""The house as built against its plan: data flows up, rooms and sub-rooms without circles, one idea a file."""

import ast
from itertools import pairwise
from pathlib import Path
from types import ModuleType

from source_trees import tree_of

import specmatch

ROOT = Path(specmatch.__file__).parent
# from the ground up; what stands on one floor does not import its neighbour, single files of the ground aside
FLOORS = (
    {"errors", "warning_codes", "storage", "wording", "long_jobs", "array_types", "public_names"},
    {"maths"},
    {"colour"},
    {"spectra", "batches"},
    {"models", "measurement"},
    {"reference"},
    {"house"},
    {"line"},
    {"report"},
    {"demo"},
    {"cli", "__main__", ""},
)
SIDE_BY_SIDE = {
    "errors", "warning_codes", "storage", "wording", "long_jobs", "array_types", "public_names", "spectra",
    "batches",
}  # fmt: skip
MOST_CODE, MOST_LINES_A_FUNCTION, MOST_FILES = 400, 60, 15
FILES = sorted(ROOT.rglob("*.py"))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


PATHS = {module_of(path): path for path in FILES}


def room_of(module: str) -> str:
    """Return the room: the first folder, or the file itself on the top level."""
    return module.split(".")[1] if "." in module else ""


def sub_room_of(module: str) -> str:
    """Return the folder of a file; a file that stands in a room beside its sub-rooms is a place of its own."""
    parts = PATHS[module].relative_to(ROOT).with_suffix("").parts
    folder = parts[:-1]
    has_sub_rooms = len(folder) == 1 and any(
        p.is_dir() and p.name != "__pycache__" for p in (ROOT / folder[0]).iterdir()
    )
    return ".".join(parts if has_sub_rooms or not folder else folder)


def imports_of(path: Path) -> set[str]:
    """Modules of this package that a file imports anywhere: inside functions and for type checking too."""
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "specmatch":
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found.update(name if name in PATHS else str(node.module) for name in names)
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names if alias.name.split(".")[0] == "specmatch")
    # the version stands in the package's own file, which imports nothing until it is asked
    return found - {"specmatch"}


IMPORTS = {module: imports_of(path) for module, path in PATHS.items()}


def circle(arrows: dict[str, set[str]]) -> list[str]:
    """Return one circle of arrows, or nothing."""
    done: set[str] = set()

    def visit(place: str, path: list[str]) -> list[str]:
        if place in path:
            return [*path[path.index(place) :], place]
        if place in done:
            return []
        for other in sorted(arrows.get(place, ())):
            found = visit(other, [*path, place])
            if found:
                return found
        done.add(place)
        return []

    return next((found for place in sorted(arrows) if (found := visit(place, []))), [])


def test_every_import_is_of_a_file_that_is_there():
    assert not {(module, used) for module, all_used in IMPORTS.items() for used in all_used if used not in PATHS}


def test_every_room_stands_on_a_floor():
    assert {room_of(module) for module in PATHS} == set().union(*FLOORS)


def test_rooms_import_from_lower_floors_only():
    floor = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}
    wrong = []
    for module, used in IMPORTS.items():
        for other in used:
            here, there = room_of(module), room_of(other)
            beside = floor[here] == floor[there] and {here, there} <= SIDE_BY_SIDE | {"cli", "__main__"}
            if here and here != there and floor[there] >= floor[here] and not beside:
                wrong.append(f"{module} imports {other}")
    assert not wrong, "\n".join(sorted(wrong))


def test_no_file_imports_itself_through_others():
    # the facade imports everything, for type checking only
    found = circle({module: used - {module} for module, used in IMPORTS.items() if module != "specmatch"})
    assert not found, " -> ".join(found)


def test_no_sub_room_imports_itself_through_others():
    arrows: dict[str, set[str]] = {}
    for module, used in IMPORTS.items():
        if module != "specmatch":
            here = sub_room_of(module)
            arrows.setdefault(here, set()).update(sub_room_of(other) for other in used)
    found = circle({here: others - {here} for here, others in arrows.items()})
    assert not found, "\n".join(f"{a} -> {b}" for a, b in pairwise(found))


GROUND_OF_MATHS = {"maths.spectra", "maths.optics", "maths.statistics"}


def test_the_ground_of_the_maths_room_imports_none_of_its_other_rooms():
    for module, used in IMPORTS.items():
        if sub_room_of(module) in GROUND_OF_MATHS:
            above = {other for other in used if room_of(other) == "maths"} - {
                other for other in used if sub_room_of(other) in GROUND_OF_MATHS
            }
            assert not above, f"{module} imports {sorted(above)}"


def test_the_maths_room_knows_numpy_and_scipy_only():
    for path in (ROOT / "maths").rglob("*.py"):
        for node in ast.walk(tree_of(path)):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            outside = {name.split(".")[0] for name in names} & {"pandas", "sklearn", "joblib", "matplotlib"}
            assert not outside, f"{path.name} imports {sorted(outside)}"


def test_no_room_shares_a_public_functions_name():
    # the files of cli/ are named for their commands and are never imported by users; a room that is public is itself
    files = {path.stem if path.stem != "__init__" else path.parent.name for path in FILES if path.parent.name != "cli"}
    rooms = {name for name in specmatch.__all__ if isinstance(getattr(specmatch, name), ModuleType)}
    homes = {name: home for name, home in specmatch._PUBLIC.items() if name not in rooms}
    assert not {name for name, home in homes.items() if name in files and not home.endswith(f".{name}")}


def test_no_room_is_named_for_nothing():
    forbidden = {"utils", "util", "helpers", "base", "common", "misc"}
    assert not forbidden & {part for path in FILES for part in path.relative_to(ROOT).with_suffix("").parts}


def test_no_sub_room_holds_more_files_than_one_can_look_over():
    rooms: dict[Path, int] = {}
    for path in FILES:
        rooms[path.parent] = rooms.get(path.parent, 0) + 1
    # the command line has one file a command
    crowded = {str(room.relative_to(ROOT)): n for room, n in rooms.items() if n > MOST_FILES and room.name != "cli"}
    assert not crowded


def docstring_lines(tree: ast.AST) -> set[int]:
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    lines: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, kinds) and ast.get_docstring(node) is not None:
            text = node.body[0]
            lines |= set(range(text.lineno, (text.end_lineno or text.lineno) + 1))
    return lines


def test_a_file_holds_one_idea_and_a_function_one_step():
    too_long = []
    for path in FILES:
        text, tree = path.read_text(encoding="utf-8"), tree_of(path)
        words = docstring_lines(tree)
        held = {
            number
            for number, line in enumerate(text.splitlines(), 1)
            if line.strip() and not line.strip().startswith("#") and number not in words
        }
        if len(held) > MOST_CODE:
            too_long.append(f"{path.relative_to(ROOT)}: {len(held)} lines of code")
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                length = sum(number in held for number in range(node.lineno, (node.end_lineno or node.lineno) + 1))
                if length > MOST_LINES_A_FUNCTION:
                    too_long.append(f"{path.relative_to(ROOT)}, {node.name}: {length} lines")
    assert not too_long
