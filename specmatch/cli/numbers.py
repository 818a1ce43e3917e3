"""Numbers as they are typed on a command line."""

import argparse


def number(text: str) -> float:
    """Return a number that was typed with a decimal point.

    Parameters
    ----------
    text : str

    Returns
    -------
    float

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none; a decimal comma is answered with the number as it is to be typed.

    Examples
    --------
    >>> number("0.5")
    0.5
    """
    try:
        return float(text)
    except ValueError:
        pass
    try:
        meant = f"{float(text.replace(',', '.', 1)):g}"
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write one such as 0.5") from None
    raise argparse.ArgumentTypeError(f"{text!r} has a decimal comma; write {meant}")
