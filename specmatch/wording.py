"""Words that several rooms share: the cautions of every record and page, numbers with their nouns."""

CAUTIONS = (
    "Colour identity is a screening check: it cannot prove what a liquid is, and says nothing about alcohol, "
    "allergens, gluten, contaminants or microbiology. A label, safety or legal release rests on the site's own "
    "procedures, licensed practice and local rules. Keep glass and chromed parts out of the open-bottle area where "
    "the site's glass policy says so, and discard the poured sample."
)

_PLURALS = {"batch": "batches", "held-out batch": "held-out batches", "entry": "entries", "new batch": "new batches"}


def counted(number: int, noun: str) -> str:
    """Write a number with its noun, in the singular after 1."""
    return f"{number} {noun if number == 1 else _PLURALS.get(noun, f'{noun}s')}"
