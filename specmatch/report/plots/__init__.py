"""Figures of sets, models and readings, each on a matplotlib axis; without it (extra `plot`) `MissingExtraError`."""

from specmatch.public_names import attached

__getattr__, __dir__, __all__ = attached(__name__, __file__)
