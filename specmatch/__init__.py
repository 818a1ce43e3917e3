"""specmatch: match reflectance spectra of beer to a brewery's own past batches; public names load on first use."""

from specmatch.public_names import loading, names_beside

__version__ = "0.1.0"

_PUBLIC = names_beside(__file__)
__all__ = [*_PUBLIC, "__version__"]  # noqa: PLE0604
__getattr__ = loading(__name__, _PUBLIC)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
