"""Figures of sets, models and readings, each on a matplotlib axis; without it (extra `plot`) `MissingExtraError`."""

from specmatch.public_names import attach

_PUBLIC, __getattr__, __dir__ = attach(__name__, __file__)
__all__ = [*_PUBLIC]  # noqa: PLE0604
