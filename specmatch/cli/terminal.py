"""Words to a terminal: nothing in them can steer it, and a pipe that is closed at the other end is no error."""

import os
import shutil
import sys

from specmatch.wording import printable


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
