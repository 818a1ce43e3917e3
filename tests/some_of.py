"""The first of several cases in every run, all of them with `--whole`."""

from collections.abc import Iterable
from typing import Any

import pytest


def some_of(n: int, cases: Iterable[Any]) -> list[Any]:
    """Return cases, a tuple of arguments or one argument each, those after the first `n` left to `--whole`."""
    params = [case if isinstance(case, tuple) else (case,) for case in cases]
    return [pytest.param(*one, marks=() if at < n else pytest.mark.whole) for at, one in enumerate(params)]
