"""Words to a terminal: nothing in them can steer it, and a pipe that is closed at the other end is no error."""

import os
import sys

from specmatch.wording import printable


def say(text: str, *, error: bool = False, flush: bool = False) -> None:
    """Print text with its control characters spelled out."""
    print(printable(text), file=sys.stderr if error else sys.stdout, flush=flush)


def let_go_of_closed_pipe() -> None:
    """Point standard output at nothing, so that nobody complains of it when the program ends."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, sys.stdout.fileno())
    os.close(nothing)
