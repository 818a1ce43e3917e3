"""Numbers and the nouns that they count."""

_PLURALS = {"batch": "batches", "held-out batch": "held-out batches", "entry": "entries"}


def counted(number: int, noun: str) -> str:
    """Write a number with its noun, in the singular after 1.

    Parameters
    ----------
    number : int
        0 or more.
    noun : str
        In the singular.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "batch"), counted(2, "batch"), counted(0, "beer")
    ('1 batch', '2 batches', '0 beers')
    """
    return f"{number} {noun if number == 1 else _PLURALS.get(noun, f'{noun}s')}"
