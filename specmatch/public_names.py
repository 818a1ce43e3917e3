"""Public names of a package: written once, in the stub beside it that type checkers read, loaded on first use."""
# the way of SPEC 1 of the Scientific Python project (lazy loading of submodules and functions)

import sys
import warnings
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


def attached(package: str, init: str) -> tuple[Callable[[str], Any], Callable[[], list[str]], list[str]]:
    """Return `__getattr__`, `__dir__` and `__all__` of a package whose public names are all in the stub beside it."""
    homes = names_beside(init)
    return loading(package, homes), lambda: sorted({*vars(sys.modules[package]), *homes}), [*homes]


# names that transformers had, and what they are called now
NEW_NAMES = {
    "UnitVariance": "StandardNormalVariate",
    "ScatterCorrection": "MultiplicativeScatterCorrection",
    "Smoothing": "SavitzkyGolay",
    "Derivative": "SavitzkyGolayDerivative",
}
GONE_IN = "0.3.0"


def new_name(old: str) -> str:
    """Return the present name of a transformer, and warn whoever asks a module for the old one."""
    new = NEW_NAMES[old]
    # from here by the module's `__getattr__` to the line that names it
    warnings.warn(f"{old} is now called {new}; the old name goes in release {GONE_IN}", FutureWarning, stacklevel=3)
    return new
