"""Pages, each one HTML file that needs no network; figures need matplotlib (extra `plot`), or `MissingExtraError`."""

from specmatch.public_names import attached

__getattr__, __dir__, __all__ = attached(__name__, __file__)
