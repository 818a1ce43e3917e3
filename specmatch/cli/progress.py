"""What a command is at, for a person who waits; programs and log files are told nothing."""

import sys


def tell(step: str) -> None:
    """Print a line on what is being done, on stderr, where that is a terminal.

    Parameters
    ----------
    step : str
        Such as "fitting the house model".

    Examples
    --------
    >>> tell("fitting the house model")  # nothing: examples are not run on a terminal
    """
    if sys.stderr.isatty():
        print(f"... {step}", file=sys.stderr, flush=True)
