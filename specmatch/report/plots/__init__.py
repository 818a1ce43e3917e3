"""Figures of sets, models and readings: each takes data and an optional matplotlib axis, and returns the axis.

Nothing is imported from matplotlib until a figure is drawn; without it each raises `MissingExtraError`, which says how
to install it.
"""

from specmatch.public_names import loading, names_beside

_PUBLIC = names_beside(__file__)
__all__ = [*_PUBLIC]  # noqa: PLE0604
__getattr__ = loading(__name__, _PUBLIC)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
