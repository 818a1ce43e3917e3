"""Syntax trees of the package's files, read once for all tests that look at its source."""

import ast
import functools
from pathlib import Path


@functools.cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))
