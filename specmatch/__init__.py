"""specmatch: match reflectance spectra of beer to a brewery's own past batches.

Public names load on first use, so that importing the package costs next to nothing.
"""

from specmatch.public_names import attach

__version__ = "0.1.0"

_PUBLIC, __getattr__, __dir__ = attach(__name__, __file__)
__all__ = [*_PUBLIC, "__version__"]  # noqa: PLE0604
