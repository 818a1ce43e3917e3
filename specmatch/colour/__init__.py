"""Beer colour by transmission, for the eye, and straight from the optics of the cup."""

from specmatch.public_names import attached

__getattr__, __dir__, __all__ = attached(__name__, __file__)
