"""Beer colour by transmission, for the eye, and straight from the optics of the cup."""

from specmatch.public_names import attach

_PUBLIC, __getattr__, __dir__ = attach(__name__, __file__)
__all__ = [*_PUBLIC]  # noqa: PLE0604
