"""Estimators and transformers that keep scikit-learn's contract: thin shells over `specmatch.maths`."""

# They load on first use, because reading with a fitted model never imports scikit-learn.

from typing import Any

from specmatch.public_names import NEW_NAMES, loading, names_beside, new_name

_PUBLIC = names_beside(__file__)
__all__ = [*_PUBLIC]  # noqa: PLE0604
_load = loading(__name__, _PUBLIC)


def __getattr__(name: str) -> Any:
    return _load(new_name(name) if name in NEW_NAMES else name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
