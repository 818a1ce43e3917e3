"""Pages, each one HTML file that needs no network; figures need matplotlib (extra `plot`), or `MissingExtraError`."""

from specmatch.public_names import loading, names_beside

_PUBLIC = names_beside(__file__)
__all__ = [*_PUBLIC]  # noqa: PLE0604
__getattr__ = loading(__name__, _PUBLIC)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
