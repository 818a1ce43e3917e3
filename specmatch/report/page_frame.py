"""Parts of a page: escaped text, tables, figures as drawings with a text alternative, and the frame around them."""

from __future__ import annotations

import io
import platform
import re
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch import __version__
from specmatch.report.figure_style import whole_figure
from specmatch.report.page_style import STYLE
from specmatch.report.text import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_PARTS = ("numpy", "scipy", "scikit-learn", "pandas", "matplotlib")


@dataclass(frozen=True)
class Section:
    """A part of a page under a heading.

    Attributes
    ----------
    anchor, title : str
    body : str
        HTML that is safe already.
    sheet : bool
        Whether it starts on a sheet of paper of its own.
    """

    anchor: str
    title: str
    body: str
    sheet: bool = False


def text(value: Any) -> str:
    """Return a value as escaped text: four figures for a number, commas between items.

    Parameters
    ----------
    value : object

    Returns
    -------
    str

    Examples
    --------
    >>> text("<Pale & Co>"), text(3.14159), text(("a", "b"))
    ('&lt;Pale &amp; Co&gt;', '3.142', 'a, b')
    """
    return escape(show(value), quote=True)


def table(rows: pd.DataFrame, caption: str) -> str:
    """Return a table that can be reached and scrolled by keyboard; its first column names the row.

    Parameters
    ----------
    rows : DataFrame
        A named index is shown first.
    caption : str

    Returns
    -------
    str

    Examples
    --------
    >>> '<th scope="row">b1</th>' in table(pd.DataFrame({"n": [3]}, index=pd.Index(["b1"], name="batch")), "Batches")
    True
    """
    shown = rows.reset_index() if rows.index.name else rows
    number = [pd.api.types.is_numeric_dtype(shown.iloc[:, i]) for i in range(shown.shape[1])]
    mark = [' class="number"' if is_number else "" for is_number in number]
    head = "".join(
        f'<th scope="col"{mark[i]}>{text(str(name).replace("_", " "))}</th>' for i, name in enumerate(shown.columns)
    )
    body = []
    for row in shown.itertuples(index=False):
        cells = [f'<th scope="row"{mark[0] or _long(row[0])}>{text(row[0])}</th>']
        cells += [f"<td{mark[i] or _long(value)}>{text(value)}</td>" for i, value in enumerate(row) if i > 0]
        body.append(f"<tr>{''.join(cells)}</tr>")
    label = escape(caption, quote=True)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{label}"><table><caption>{label}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table></div>"
    )


def _long(value: Any) -> str:
    # a sentence squeezed to a word a line on a narrow screen is unreadable: it gets room, and the table scrolls
    return ' class="long"' if isinstance(value, str) and len(value) > 30 else ""


def bullets(sentences: Iterable[str]) -> str:
    """Return a list of plain sentences, escaped.

    Parameters
    ----------
    sentences : iterable of str

    Returns
    -------
    str

    Examples
    --------
    >>> bullets(["a < b"])
    '<ul><li>a &lt; b</li></ul>'
    """
    return f"<ul>{''.join(f'<li>{text(sentence)}</li>' for sentence in sentences)}</ul>"


def figure(ax: Axes, *, name: str, caption: str, says: str, numbers: pd.DataFrame | None = None) -> str:
    """Return a drawing inside the page, with what it says in words and, where given, its numbers as a table.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    name : str
        A word of letters and digits, different for every figure of a page: marks inside drawings must not clash.
    caption : str
        Shown to everyone.
    says : str
        Read out in place of the drawing.
    numbers : DataFrame, optional

    Returns
    -------
    str

    Examples
    --------
    >>> from specmatch.report.figure_style import new_figure
    >>> made = figure(new_figure().subplots(), name="empty", caption="An empty axis", says="Nothing is drawn.")
    >>> "<figcaption>An empty axis</figcaption>" in made
    True
    """
    behind = ""
    if numbers is not None:
        behind = f"<details><summary>The numbers of this figure</summary>{table(numbers, caption)}</details>"
    return (
        f'<figure><div class="drawing wide" tabindex="0" role="group" aria-label="{text(caption)}">'
        f"{drawing(ax, name=name, says=says)}</div><figcaption>{text(caption)}</figcaption>{behind}</figure>"
    )


def drawing(ax: Axes, *, name: str, says: str) -> str:
    """Return the figure of an axis as SVG for use inside a page, the same bytes for the same figure.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    name, says : str
        As in `figure`.

    Returns
    -------
    str

    Examples
    --------
    >>> from specmatch.report.figure_style import new_figure
    >>> 'role="img" aria-label="Nothing."' in drawing(new_figure().subplots(), name="empty", says="Nothing.")
    True
    """
    from matplotlib import rc_context

    out, whole = io.StringIO(), whole_figure(ax)
    # text stays text: small, sharp, and shown with whatever letters the reader's machine has, which may be more than
    # the drawing library's; it then warns of letters that it cannot measure
    # matplotlib makes marks of printed numbers, and how NumPy prints them is anybody's to set
    printed = np.printoptions(legacy=False)
    with printed, rc_context({"svg.fonttype": "none", "svg.hashsalt": name}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        whole.savefig(out, format="svg", metadata={"Date": None})
    svg = out.getvalue()
    svg = svg[svg.index("<svg") :]
    # letters are as large on every drawing: it is shown as wide as it was made, and no wider than there is room
    width_in = whole.get_size_inches()[0]
    svg = re.sub(r"<!--.*?-->|<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = re.sub(r'href="#', f'href="#{name}-', svg)
    svg = re.sub(r"url\(#", f"url(#{name}-", svg)
    opening, rest = svg.split(">", 1)
    view = re.search(r'viewBox="[^"]*"', opening)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'{view.group(0) if view else ""} style="--in:{width_in:.2f}" role="img" aria-label="{text(says)}">'
        f"{rest.strip()}"
    )


def versions(more: Mapping[str, str]) -> str:
    """Return a table of versions and hashes.

    Parameters
    ----------
    more : mapping of str to str
        Such as the hash of the set.

    Returns
    -------
    str

    Examples
    --------
    >>> "specmatch" in versions({})
    True
    """
    rows = {**more, "specmatch": __version__, "Python": platform.python_version()}
    for part in _PARTS:
        try:
            rows[part] = version(part)
        except PackageNotFoundError:
            rows[part] = "not installed"
    return table(
        pd.DataFrame({"value": list(rows.values())}, index=pd.Index(list(rows), name="what")),
        "What this page was made with",
    )


def whole_page(title: str, lead: str, first: str, sections: Sequence[Section]) -> str:
    """Return a page that needs nothing outside itself.

    Parameters
    ----------
    title, lead : str
        Plain text.
    first : str
        HTML that stands before everything else.
    sections : sequence of Section

    Returns
    -------
    str

    Examples
    --------
    >>> page = whole_page("A set", "Ten batches.", "", [Section("a", "First", "<p>Text.</p>")])
    >>> page.startswith("<!DOCTYPE html>"), "script" in page
    (True, False)
    """
    # the policy forbids everything but the style in the page: no script, no image, no address can be reached from it
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    links = "".join(f'<li><a href="#{part.anchor}">{text(part.title)}</a></li>' for part in sections)
    body = "".join(
        f'<section{" class=sheet" if part.sheet else ""} aria-labelledby="{part.anchor}">'
        f'<h2 id="{part.anchor}">{text(part.title)}</h2>{part.body}</section>\n'
        for part in sections
    )
    nav = f'<nav aria-label="On this page"><ul>{links}</ul></nav>' if len(sections) > 1 else ""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{text(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        '<a class="skip" href="#content">Skip to the content</a>\n'
        f'<header><h1>{text(title)}</h1><p class="quiet">{text(lead)}</p></header>\n'
        f'<main id="content">\n{first}\n{nav}\n{body}</main>\n</body>\n</html>\n'
    )
