"""Estimators and transformers that keep scikit-learn's contract: thin shells over `specmatch.maths`."""

# They load on first use, because reading with a fitted model never imports scikit-learn.

from typing import Any

from specmatch.public_names import NEW_NAMES, attach, new_name

_PUBLIC, _load, __dir__ = attach(__name__, __file__)
__all__ = [*_PUBLIC]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    return _load(new_name(name) if name in NEW_NAMES else name)
