"""What the names that users import say of themselves, in numpydoc form, and that all others say what they are for.

Public are the names of `specmatch`, `specmatch.models`, `specmatch.colour` and `specmatch.errors`, and the methods of
their classes, inherited ones too.

- A function names its parameters, all of them, in order and no others, what it returns, and each error that it raises
  itself; arrays have a shape; an example shows it at work. So do methods.
- A class that holds results names each of its fields.
- Properties need a sentence: with a shape where they give arrays, and the errors they raise.
- No example is skipped, but where it would go on for ever.
- Every other function and class has a sentence, that a full stop ends, and hardly more.

Examples are run by `test_docs.py`. The command line and the invented brewery explain themselves by being run.
"""

import ast
import re

import pytest
from source_trees import tree_of
from test_docs import FILES, module_of, public_definitions, public_names

SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}\n", flags=re.M)
PUBLIC = public_names()
# watching a folder ends when somebody stops it
ENDLESS = ("specmatch.line.watcher.",)
# of an internal name: a sentence, the source of a formula
MOST_LINES = 1
ARRAYS = re.compile(r"\b(Floats|Ints|Codes|Mask|Objects|Names|NDArray|ndarray)\b")
# words, or a tuple such as (n,) or (n_beers, p)
SHAPED = re.compile(r"shape|\(\w+(?: \+ q)?,(?: \w+)?\)")


def is_public(name):
    return name in PUBLIC or name.rpartition(".")[0] in PUBLIC


def described():
    """Yield name, node, docstring and its sections of each public function, class and method."""
    for name, node in public_definitions():
        if not is_public(name):
            continue
        text = ast.get_docstring(node) or ""
        parts = SECTION.split(text)
        yield name, node, text, dict(zip(parts[1::2], parts[2::2], strict=True))


EVERY = list(described())


def in_class(name):
    return name.split(".")[-2][:1].isupper()


def is_property(node):
    marks = {getattr(mark, "id", getattr(mark, "attr", "")) for mark in node.decorator_list}
    return bool(marks & {"property", "cached_property", "setter"})


# functions and methods
WHOLE = [entry for entry in EVERY if isinstance(entry[1], ast.FunctionDef) and not is_property(entry[1])]


def internals():
    """Yield name and docstring of every function, class and method that no user imports."""
    for path in FILES:
        for node in tree_of(path).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                name = f"{module_of(path)}.{node.name}"
                inner = node.body if isinstance(node, ast.ClassDef) else []
                methods = [(f"{name}.{one.name}", one) for one in inner if isinstance(one, ast.FunctionDef)]
                for full, one in [(name, node), *methods]:
                    private = full.rpartition(".")[2].startswith("_")
                    if private or not is_public(full):
                        yield full, ast.get_docstring(one)


def too_long(text):
    return len(text.splitlines()) > MOST_LINES


def parameters(node):
    given = node.args
    every = [*given.posonlyargs, *given.args, given.vararg, *given.kwonlyargs, given.kwarg]
    return [one.arg for one in every if one is not None and one.arg not in ("self", "cls")]


def named_in(section):
    """Return the names that stand before the colon of the entries of a section, in order."""
    heads = [line.partition(":")[0] for line in section.splitlines() if re.match(r"\S", line)]
    return [name for head in heads for name in re.findall(r"\w+", head)]


def raised(node):
    found = {
        getattr(getattr(one.exc, "func", one.exc), "id", "") for one in ast.walk(node) if isinstance(one, ast.Raise)
    }
    return {name for name in found if name[:1].isupper()} - {"AssertionError"}


def gives(node):
    inner = {
        below
        for one in ast.walk(node)
        if isinstance(one, ast.FunctionDef) and one is not node
        for below in ast.walk(one)
    }
    return any(
        isinstance(one, ast.Yield | ast.YieldFrom) or getattr(one, "value", None) is not None
        for one in ast.walk(node)
        if isinstance(one, ast.Return | ast.Yield | ast.YieldFrom) and one not in inner
    )


def says(section, word):
    return re.search(rf"\b{re.escape(word)}\b", section) is not None


def without_shape(sections):
    entries = [
        one for part in ("Parameters", "Returns", "Yields") for one in re.split(r"\n(?=\S)", sections.get(part, ""))
    ]
    return [
        one.splitlines()[0]
        for one in entries
        if re.search(r"\b(ndarray|array_like)\b", one) and not re.search(r"shape|length|scalar|[Aa]s in", one)
    ]


def test_functions_name_their_parameters_and_no_others():
    wrong = {
        name: (parameters(node), named)
        for name, node, _, sections in WHOLE
        if (named := named_in(sections.get("Parameters", ""))) != parameters(node)
    }
    assert not wrong


def test_functions_say_what_they_return():
    assert not [name for name, node, _, found in WHOLE if gives(node) and not found.keys() & {"Returns", "Yields"}]


def test_functions_name_the_errors_that_they_raise():
    silent = {
        name: left
        for name, node, _, sections in WHOLE
        if (left := [one for one in raised(node) if not says(sections.get("Raises", ""), one)])
    }
    assert not silent


def test_functions_show_an_example():
    assert not [name for name, _, _, sections in WHOLE if ">>>" not in sections.get("Examples", "")]


def test_arrays_have_a_shape():
    """Where a parameter or result is said to be an array, its shape is said in the same entry, or in words."""
    assert not {name: left for name, _, _, sections in WHOLE if (left := without_shape(sections))}


def test_methods_and_properties_say_the_shape_of_arrays_and_their_errors():
    silent = {}
    for name, node, text, _ in EVERY:
        if isinstance(node, ast.FunctionDef) and in_class(name):
            arrays = node.returns is not None and ARRAYS.search(ast.unparse(node.returns))
            left = [one for one in raised(node) if not says(text, one)]
            if left or (arrays and not SHAPED.search(text)):
                silent[name] = left or "no shape"
    assert not silent


def test_results_name_every_field():
    silent = {}
    for name, node, _, sections in EVERY:
        if not isinstance(node, ast.ClassDef):
            continue
        fields = [
            one.target.id for one in node.body if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name)
        ]
        told = sections.get("Attributes", "") + sections.get("Parameters", "")
        left = [one for one in fields if not one.startswith("_") and not says(told, one)]
        if left:
            silent[name] = left
    assert not silent


def test_public_names_are_found():
    assert {"specmatch.house.house_model.HouseModel", "specmatch.colour.transmission.ebc_from_srm"} <= PUBLIC
    assert {"specmatch.errors.TableError", "specmatch.models.beer_matcher.BeerMatcher"} <= PUBLIC
    assert "specmatch.maths.classification.class_model.fit_typicality" not in PUBLIC
    assert len(WHOLE) > 40


def test_what_internals_say_begins_with_a_sentence():
    """A private name may be its own explanation; what is said of it is a sentence all the same."""
    first = {name: text.split("\n\n")[0] for name, text in internals() if text}
    assert not {name: said for name, said in first.items() if not re.search(r"[.:]$", said)}


def test_internals_say_it_in_a_line():
    assert not [name for name, text in internals() if text and too_long(text)]


def test_no_example_is_skipped_that_could_run():
    assert not [name for name, _, text, _ in EVERY if "doctest: +SKIP" in text and not name.startswith(ENDLESS)]


# the tests above must be able to see what they look for
LACKING = '''
def scaled(values, factor, *, offset=0.0):
    """Return values times a factor.

    Parameters
    ----------
    factor, values : ndarray

    Returns
    -------
    ndarray
    """
    if factor == 0:
        raise TableError("no factor")
    return values * factor + offset
'''


@pytest.mark.parametrize("form", ["def", "generator"])
def test_what_is_lacking_is_seen(form):
    (node,) = ast.parse(LACKING if form == "def" else LACKING.replace("return values", "yield values")).body
    parts = SECTION.split(ast.get_docstring(node))
    sections = dict(zip(parts[1::2], parts[2::2], strict=True))
    assert parameters(node) == ["values", "factor", "offset"]
    assert named_in(sections["Parameters"]) == ["factor", "values"]
    assert raised(node) == {"TableError"} and "Raises" not in sections
    assert gives(node)
    assert too_long(ast.get_docstring(node)) and not too_long("Return values, after Beer (1852).")
    assert without_shape(sections) == ["factor, values : ndarray", "ndarray"]
