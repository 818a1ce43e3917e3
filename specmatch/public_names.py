"""Public names of a package: written once, in the stub beside it that type checkers read, and loaded on first use.

The way of SPEC 1 of the Scientific Python project (lazy loading of submodules and functions).
"""

import sys
from collections.abc import Callable
from importlib import import_module
from typing import Any


def names_beside(init: str) -> dict[str, str]:
    """Return name -> module or package that holds it, of the stub beside an `__init__`, given by its `__file__`."""
    with open(f"{init}i", encoding="ascii") as stub:
        # from HOME import NAME as NAME
        lines = [line.split() for line in stub if line.startswith("from ")]
    return {words[-1]: words[1] for words in lines}


def loading(package: str, homes: dict[str, str]) -> Callable[[str], Any]:
    """Return the `__getattr__` of a package, which loads its public names."""

    def load(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        home = import_module(homes[name])
        # what a package does not hold itself is a room of it
        value = vars(home)[name] if name in vars(home) else import_module(f"{homes[name]}.{name}")
        setattr(sys.modules[package], name, value)
        return value

    return load
