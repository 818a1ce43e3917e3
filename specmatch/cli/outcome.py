"""What a command hands back: results, text, whether someone must look; and words that cannot steer a terminal."""

import os
import shutil
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from specmatch.storage import write_atomic
from specmatch.wording import printable

# what is said in sentences runs over lines of this length
WIDTH = 116


@dataclass(frozen=True)
class Outcome:
    """The outcome of one command."""

    results: Any  # anything that `specmatch.report.json_document.jsonable` takes: tables, mappings, lists, numbers
    text: str  # what a person reads on the terminal
    left_out: Sequence[Mapping[str, Any]] = ()  # what was not used, each with its `reason`: exit code 1
    needs_look: bool = False  # true for a hold, a rescan, a finding: exit code 1
    failed: str = ""  # why nothing came of it, for stderr: exit code 2
    shown: bool = False  # true where the command has shown everything while it ran: then nothing more is printed


def fields_of(found: Any, *names: str) -> dict[str, Any]:
    """Return some fields of what was found, as results."""
    return {name: getattr(found, name) for name in names}


def need_drawing(page: str | None) -> None:
    """Refuse a page that nothing here can draw, before the work is done."""
    if page:
        from specmatch.report.plots.style import need_matplotlib

        need_matplotlib()


def written(page: str, html: str) -> str:
    """Write a page whole, and say so."""
    write_atomic(page, html.encode("utf-8"))
    return f"{page}: the page"


def tell(step: str) -> None:
    """Print a line on what is being done, on stderr, where that is a terminal."""
    if sys.stderr.isatty():
        print(f"... {step}", file=sys.stderr, flush=True)


def say(text: str, *, error: bool = False, flush: bool = False) -> None:
    """Print text with its control characters spelled out."""
    print(printable(text), file=sys.stderr if error else sys.stdout, flush=flush)


def screen() -> tuple[int, int]:
    """Return how many letters a line, and lines a screen of this terminal takes; 80 by 24 where it does not say."""
    size = shutil.get_terminal_size((80, 24))
    return max(size.columns, 40), max(size.lines, 12)


def ring() -> None:
    """Ring the bell of a terminal; a file or a pipe has none."""
    if sys.stdout.isatty():
        print("\a", end="", flush=True)


def let_go_of_closed_pipe() -> None:
    """Point standard output at nothing, so that nobody complains of it when the program ends."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, sys.stdout.fileno())
    os.close(nothing)
