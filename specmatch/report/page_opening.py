"""What stands first on a page: what it can do, what it cannot, and the cautions."""

from collections.abc import Sequence

from specmatch.report.page_frame import bullets, text
from specmatch.wording import CAUTIONS


def abilities(can: Sequence[str], cannot: Sequence[str]) -> str:
    """Return what must be read first: what it can do, and what it cannot, side by side.

    Parameters
    ----------
    can, cannot : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> abilities(["Read colour."], ["Prove anything."]).count("<h2")
    2
    """
    return (
        '<div class="abilities"><section aria-labelledby="can"><h2 id="can">What it can do</h2>'
        f"{bullets(can)}</section>"
        f'<section class="cannot" aria-labelledby="cannot"><h2 id="cannot">What it cannot do</h2>{bullets(cannot)}'
        "</section></div>"
    )


def cautions() -> str:
    """Return the cautions in their box.

    Returns
    -------
    str

    Examples
    --------
    >>> cautions().startswith('<p class="cautions">')
    True
    """
    return f'<p class="cautions"><strong>Cautions.</strong> {text(CAUTIONS)}</p>'
