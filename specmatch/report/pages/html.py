"""Parts of a page: escaped text, tables, drawings with a text alternative, what it can do, and the frame."""

from __future__ import annotations

import io
import platform
import re
import warnings
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from html import escape
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from specmatch import __version__
from specmatch.report.plots.style import new_figure, whole_figure
from specmatch.report.text import show
from specmatch.wording import CAUTIONS, printable, rows_beside, text_beside

if TYPE_CHECKING:
    from matplotlib.axes import Axes


STYLE = text_beside(__file__, "page.css")
# the one script of a page: tables sort and filter, what is folded opens for print; without it the page is whole
SCRIPT = "\n" + text_beside(__file__, "page.js")
# what a page allows to run: this text and nothing else
ALLOWED = f"'sha256-{b64encode(sha256(SCRIPT.encode()).digest()).decode()}'"
OWN_SCRIPT = f"<script>{SCRIPT}</script>\n"
# size and caption of each figure; one whose size goes with what is drawn has none
_FIGURES = {name: told for name, *told in rows_beside(__file__, "figures.csv")}
_PARTS = ("numpy", "scipy", "scikit-learn", "pandas", "matplotlib")


# more beers than this and a drawing of all of them is a tangle; the tables still hold every one
MOST_DRAWN = 24
# abilities of each kind that a screen shows before it asks
_MOST_SHOWN = 3


@dataclass(frozen=True)
class Markup:
    """Text that is safe HTML already; no kind of `str`, which a column of text would make plain text of."""

    html: str

    def __str__(self) -> str:
        return self.html


@dataclass(frozen=True)
class Section:
    """A part of a page under a heading."""

    anchor: str
    title: str
    body: str  # HTML that is safe already
    sheet: bool = False  # whether it starts on a sheet of paper of its own


def text(value: Any) -> str:
    """Return a value as escaped text: four figures for a number, commas between items; markup as it is."""
    return value.html if isinstance(value, Markup) else escape(show(value), quote=True)


def small_drawing(kind: str, width: float, height: float, says: str, body: str) -> Markup:
    """Return a drawing that stands in a line or a cell, with what it says in words."""
    said = text(says)
    frame = f'class="{kind}" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{said}"'
    return Markup(f"<svg {frame}><title>{said}</title>{body}</svg>")


def table(rows: pd.DataFrame, caption: str, *, cards: str = "") -> str:
    """Return a table that can be reached and scrolled by keyboard; its first column names the row."""
    # cards: classes by which each row stands as a card of its own where the screen is narrow: `cards`, `cards dense`
    shown = rows.reset_index() if rows.index.name else rows
    number = [pd.api.types.is_numeric_dtype(shown.iloc[:, i]) for i in range(shown.shape[1])]
    names = [text(str(name).replace("_", " ")) for name in shown.columns]
    role = (lambda name: f' role="{name}"') if cards else (lambda _: "")
    head = "".join(
        f'<th scope="col"{role("columnheader")}{" class=number" if is_number else ""}>{name}</th>'
        for name, is_number in zip(names, number, strict=True)
    )
    body, place = [], list(shown.columns).index("beer") if "beer" in shown else None
    for row in shown.itertuples(index=False):
        cells = []
        for i, value in enumerate(row):
            said = text(value)
            drawn = "drawn" if isinstance(value, Markup) and said.startswith("<svg") else ""
            # a sentence squeezed to a word a line on a narrow screen is unreadable: it gets room, and the table scrolls
            long = "long" if isinstance(value, str) and len(value) > 30 else ""
            kind = _class("number" if number[i] else "", long, "" if said else "blank", drawn)
            if i == 0:
                cells.append(f'<th scope="row"{role("rowheader")}{kind}>{said}</th>')
            elif cards:
                cells.append(f'<td role="cell"{kind} data-label="{names[i]}"><div>{said}</div></td>')
            else:
                cells.append(f"<td{kind}>{said}</td>")
        of = "" if place is None or isinstance(row[place], Markup) else f' data-beer="{text(row[place])}"'
        body.append(f"<tr{role('row')}{of}>{''.join(cells)}</tr>")
    label, group = escape(caption, quote=True), role("rowgroup")
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{label}">'
        f"<table{_class(cards)}{role('table')}><caption>{label}</caption>"
        f"<thead{group}><tr{role('row')}>{head}</tr></thead><tbody{group}>{''.join(body)}</tbody></table></div>"
    )


def _class(*names: str) -> str:
    kept = " ".join(name for name in names if name)
    return f' class="{kept}"' if kept else ""


def described(kind: str, facts: Mapping[str, Any]) -> str:
    """Return a list of names, each with what is said of it."""
    rows = "".join(f"<div><dt>{text(name)}</dt><dd>{text(said)}</dd></div>" for name, said in facts.items())
    return f'<dl class="{kind}">{rows}</dl>'


def bullets(sentences: Iterable[str]) -> str:
    """Return a list of plain sentences, escaped."""
    return f"<ul>{''.join(f'<li>{text(sentence)}</li>' for sentence in sentences)}</ul>"


def figure(ax: Axes, *, name: str, caption: str, says: str, numbers: pd.DataFrame | None = None) -> str:
    """Return a drawing inside the page, with what it says in words and, where given, its numbers as a table."""
    # name: different for every figure of a page, for marks inside drawings must not clash
    behind = ""
    if numbers is not None:
        behind = f"<details><summary>The numbers of this figure</summary>{table(numbers, caption)}</details>"
    return (
        f'<figure><div class="drawing wide" tabindex="0" role="group" aria-label="{text(caption)}">'
        f"{drawing(ax, name=name, says=says)}</div><figcaption>{text(caption)}</figcaption>{behind}</figure>"
    )


def figure_of(
    name: str, plot: Callable[..., Axes], *drawn: Any, says: str, numbers: pd.DataFrame | None = None, mark: str = "",
    size_in: tuple[float, float] | None = None, words: Mapping[str, str] | None = None, **options: Any,
) -> str:  # fmt: skip
    """Return a figure of figures.csv, which says its size and caption, drawn by a plot of what is given."""
    # mark: where a page holds several of it; words: for the places of the caption; options: of the plot
    width_in, height_in, caption = _FIGURES[name]
    ax = plot(*drawn, ax=new_figure(*(size_in or (float(width_in), float(height_in)))).subplots(), **options)
    return figure(ax, name=mark or name, caption=caption.format_map(words or {}), says=says, numbers=numbers)


def drawing(ax: Axes, *, name: str, says: str) -> str:
    """Return the figure of an axis as SVG for use inside a page, the same bytes for the same figure."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out, whole = io.StringIO(), whole_figure(ax)
    # not by `findobj`, which makes every label of every axis on its way
    told = [artist for axes in whole.axes for artist in axes.get_children() if hasattr(artist, "told")]
    words: list[Sequence[tuple[str, str]]] = []
    for place, artist in enumerate(told):
        artist.set_gid(f"told-{place}")
        words.append(vars(artist)["told"])
    # text stays text: small, sharp, and shown with whatever letters the reader's machine has, which may be more than
    # the drawing library's; it then warns of letters that it cannot measure
    # matplotlib makes marks of printed numbers, and how NumPy prints them is anybody's to set
    printed = np.printoptions(legacy=False)
    plain: dict[Any, Any] = {"svg.fonttype": "none", "svg.hashsalt": name}
    plain |= {"figure.autolayout": False, "figure.constrained_layout.use": False}  # or None below would mean these
    with printed, rc_context(plain), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        layout = whole.get_layout_engine()
        if layout is not None:
            # laid out here as `savefig` would, which draws the whole once more for it
            FigureCanvasSVG(whole)
            layout.execute(whole)
            whole.set_layout_engine(None)
        whole.savefig(out, format="svg", metadata={"Date": None})
    svg = out.getvalue()
    svg = svg[svg.index("<svg") :]
    for place, said in enumerate(words):
        svg = _with_titles(svg, f'<g id="told-{place}">', said)
    # letters are as large on every drawing: it is shown as wide as it was made, and no wider than there is room
    width_in = whole.get_size_inches()[0]
    svg = re.sub(r"<!--.*?-->|<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", svg)
    # a hundredth of a point is finer than any screen: the rest would be half of the page
    svg = re.sub(r' (?:d|x|y)="[^"]*"', lambda places: re.sub(r"(\.\d\d)\d+", r"\1", places.group()), svg)
    opening, rest = svg.split(">", 1)
    view = re.search(r'viewBox="[^"]*"', opening)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'{view.group(0) if view else ""} style="--in:{width_in:.2f}" role="img" aria-label="{text(says)}">'
        f"{rest.strip()}"
    )


def _with_titles(svg: str, opening: str, said: Sequence[tuple[str, str]]) -> str:
    """Put words and beers into a drawing where a pointer finds them: on each mark of a group, or on the whole of it."""
    start = svg.find(opening)
    if start < 0:
        return svg
    depth = re.compile(r"<g\b|</g>")
    at, level = start, 0
    for found in depth.finditer(svg, start):
        level += 1 if found.group() != "</g>" else -1
        if level == 0:
            at = found.start()
            break
    inside = svg[start + len(opening) : at]
    # clipped marks are not drawn: then nothing tells which words belong to which
    patterns = (r"<use [^>]*/>", r"<path [^>]*/>")
    marks = [pattern for pattern in patterns if len(re.findall(pattern, inside)) == len(said)]
    if len(said) == 1:
        inside = f"{_mark(*said[0])}{inside}</g>"
    elif marks:
        words = iter(said)
        inside = re.sub(marks[0], lambda mark: f"{_mark(*next(words))}{mark.group()}</g>", inside)
    return f"{svg[: start + len(opening)]}{inside}{svg[at:]}"


def _mark(said: str, beer: str) -> str:
    of = f' data-beer="{text(beer)}"' if beer else ""
    return f'<g class="mark"{of}>' + (f"<title>{text(said)}</title>" if said else "")


def versions(more: Mapping[str, str], title: str = "Versions and hashes", *, told: str = "") -> Section:
    """Return the part of a page on versions and hashes, and what else is told there."""
    rows = {**more, "specmatch": __version__, "Python": platform.python_version()}
    for part in _PARTS:
        try:
            rows[part] = version(part)
        except PackageNotFoundError:
            rows[part] = "not installed"
    return Section("versions", title, table(pairs(rows, "what", "value"), "What this page was made with") + told)


def left_out(rows: pd.DataFrame, caption: str) -> list[Section]:
    """Return the part of a page on what was not used; none where all was."""
    return [Section("left-out", "Left out", table(rows, caption))] if len(rows) else []


def pairs(rows: Mapping[str, Any], what: str, value: str) -> pd.DataFrame:
    """Return a mapping as rows of a table: what, and its value."""
    return pd.Series(rows, name=value, dtype=object).rename_axis(what).to_frame()


def _section(part: Section) -> str:
    return (
        f'<section{" class=sheet" if part.sheet else ""} aria-labelledby="{part.anchor}">'
        f'<h2 id="{part.anchor}">{text(part.title)}</h2>{part.body}</section>\n'
    )


def whole_page(title: str, lead: str, first: str, sections: Sequence[Section], *, on_first: int = 1) -> str:
    """Return a page that needs nothing outside itself, so many of its sections on the first screen."""
    first += "".join(map(_section, sections[:on_first]))
    sections = sections[on_first:]
    links = "".join(f'<li><a href="#{part.anchor}">{text(part.title)}</a></li>' for part in sections)
    body = "".join(map(_section, sections))
    nav = f'<nav aria-label="On this page"><ul>{links}</ul></nav>' if len(sections) > 1 else ""
    return framed(
        title,
        '<a class="skip" href="#content">Skip to the content</a>\n'
        f'<header><h1>{text(title)}</h1><p class="quiet">{text(lead)}</p></header>\n'
        f'<main id="content">\n{first}\n{nav}\n{body}</main>\n{OWN_SCRIPT}',
    )


def framed(title: str, body: str, *, style: str = STYLE) -> str:
    """Return a document around a body that is safe already."""
    # the policy forbids everything but the style and the one script: no image, no address can be reached from a page
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    if body.endswith(OWN_SCRIPT):
        policy += f"; script-src {ALLOWED}"
    return printable(
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{text(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )


def limits(can: Sequence[str], cannot: Sequence[str], *, title: str = "What it can and cannot do") -> Section:
    """Return the part of a page on what it can do and what it cannot, the most telling first, and the cautions."""
    body = (
        f'<div class="abilities"><section aria-labelledby="can"><h3 id="can">What it can do</h3>{_first(can)}</section>'
        '<section class="cannot" aria-labelledby="cannot"><h3 id="cannot">What it cannot do</h3>'
        f"{_first(cannot)}</section></div>"
    )
    return Section("limits", title, body + cautions(short=True))


def _first(sentences: Sequence[str]) -> str:
    rest = sentences[_MOST_SHOWN:]
    more = f'<details class="full"><summary>and {len(rest)} more</summary>{bullets(rest)}</details>' if rest else ""
    return bullets(sentences[:_MOST_SHOWN]) + more


def cautions(*, short: bool = False) -> str:
    """Return the cautions in their box; short, they begin with their first sentence and open to the rest."""
    said = text(CAUTIONS)
    if short:
        first, _, rest = CAUTIONS.partition(". ")
        folded = f'<details class="full"><summary>all cautions</summary><p>{text(rest)}</p></details>'
        said = f"{text(first)}.{folded}"
    return f'<div class="cautions"><strong>Cautions.</strong> {said}</div>'
