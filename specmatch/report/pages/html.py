"""What stands first on a page: what it can do, what it cannot, and the cautions.

The look of the report pages, for a screen of any width, for paper and for a screen reader.

Parts of a page: escaped text, tables, figures as drawings with a text alternative, and the frame around them.
"""

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
from specmatch.report.plots.style import whole_figure
from specmatch.report.text import show
from specmatch.wording import CAUTIONS, printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STYLE = """
:root { --ink: #1a1d21; --quiet: #50565d; --line: #c9ced4; --blue: #23527f; --wash: #f2f5f8; --warn: #9a4508; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0 auto; padding: 1rem; max-width: 64rem; color: var(--ink); background: #fff;
  font: 1rem/1.5 system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; overflow-wrap: anywhere; }
h2 { font-size: 1.25rem; margin: 2.2rem 0 .5rem; border-bottom: 2px solid var(--line); padding-bottom: .2rem;
  overflow-wrap: anywhere; }
h3 { font-size: 1.05rem; margin: 1.2rem 0 .4rem; overflow-wrap: anywhere; }
p, ul, dl { margin: .4rem 0; }
li { margin: .2rem 0; }
a { color: var(--blue); }
:focus-visible { outline: 3px solid var(--blue); outline-offset: 2px; }
.skip { position: absolute; left: -100rem; }
.skip:focus { left: 1rem; top: 1rem; background: #fff; padding: .5rem; }
.quiet { color: var(--quiet); }
.abilities { display: grid; grid-template-columns: repeat(auto-fit, minmax(17rem, 1fr)); gap: 1rem; margin: 1rem 0; }
.abilities > section { background: var(--wash); border-left: .4rem solid var(--blue); padding: .6rem 1rem; }
.abilities > section.cannot { border-left: .4rem double var(--warn); }
.abilities h2 { border: 0; margin: 0 0 .3rem; padding: 0; }
.abilities ul { padding-left: 1.1rem; }
nav ul { display: flex; flex-wrap: wrap; gap: .1rem 1rem; padding: 0; list-style: none; }
.cautions { border: 2px solid var(--warn); padding: .6rem 1rem; margin: 1rem 0; }
.wide { overflow-x: auto; margin: .6rem 0; }
table { border-collapse: collapse; font-size: .92rem; }
caption { min-width: 16rem; text-align: left; color: var(--quiet); padding: .2rem 0; }
th, td { padding: .25rem .6rem; border-bottom: 1px solid var(--line); text-align: left; vertical-align: top; }
th { font-weight: 600; }
th[scope=row] { white-space: nowrap; }
th.long { white-space: normal; min-width: 12rem; }
thead th { border-bottom: 2px solid var(--quiet); }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
td { overflow-wrap: break-word; max-width: 34rem; }
td.long { min-width: 16rem; }
code { font-size: .88em; overflow-wrap: anywhere; }
figure { margin: 1rem 0; }
figcaption { color: var(--ink); max-width: 46rem; }
.drawing svg { display: block; width: calc(var(--in) * 6.4rem); max-width: 100%; height: auto;
  min-width: min(30rem, calc(var(--in) * 6.4rem)); }
details { margin: .3rem 0; }
summary { cursor: pointer; color: var(--blue); }
.decision { font-size: 1.6rem; font-weight: 700; text-transform: uppercase; letter-spacing: .03em;
  border: 3px solid var(--ink); padding: .1rem .8rem; display: inline-block; }
.sheet { border-top: 3px solid var(--ink); margin-top: 2rem; padding-top: .6rem; }
.facts { display: grid; grid-template-columns: repeat(auto-fit, minmax(15rem, 1fr)); gap: .1rem 1.5rem; }
.facts > div { display: flex; gap: .6rem; border-bottom: 1px solid var(--line); padding: .15rem 0; }
.facts dt { color: var(--quiet); flex: 0 0 8.5rem; }
.facts dd { margin: 0; overflow-wrap: anywhere; }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(19rem, 1fr)); gap: .5rem; }
.pair .drawing svg { min-width: 0; }
.sign { display: grid; grid-template-columns: repeat(auto-fit, minmax(12rem, 1fr)); gap: 1.2rem; margin-top: 1.4rem; }
.sign div { border-top: 1px solid var(--ink); padding-top: .1rem; color: var(--quiet); font-size: .9rem; }
@media screen and (max-width: 34rem) {
  .drawing:not(.pair *) + figcaption::before { content: "↔ scroll sideways · "; color: var(--quiet); }
}
@page { size: A4; margin: 14mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 10pt; }
  nav, .skip, summary { display: none; }
  .wide { overflow: visible; }
  figure, tr, .cautions, .abilities > section { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
  .drawing svg { min-width: 0; width: calc(var(--in) * 1in); max-height: 165mm; }
  section[aria-labelledby=versions] { break-inside: avoid; }
  .sheet { break-before: page; break-inside: avoid; border: 0; margin: 0; }
  .sheet, .alone { font-size: 9.5pt; line-height: 1.4; }
  .sheet li, .alone li { margin: 0; }
  .decision { font-size: 1.2rem; margin: .2rem 0; }
  .alone p, .sheet p { margin: .25rem 0; }
  h1 { font-size: 1.4rem; }
  .facts dt { flex-basis: 6.5rem; }
  .sheet > h2, .alone { margin-top: 0; }
  .sheet .drawing svg, .alone .drawing svg { max-height: 56mm; }
  .sheet .pair, .alone .pair { grid-template-columns: 1fr 1fr; }
  .sheet .facts, .alone .facts { grid-template-columns: 1fr 1fr; }
  .sheet .cautions, .alone .cautions { font-size: 8.5pt; border-width: 1px; }
  table { font-size: 8.5pt; }
  a { color: inherit; text-decoration: none; }
}
"""
_PARTS = ("numpy", "scipy", "scikit-learn", "pandas", "matplotlib")


@dataclass(frozen=True)
class Section:
    """A part of a page under a heading."""

    anchor: str
    title: str
    body: str  # HTML that is safe already
    sheet: bool = False  # whether it starts on a sheet of paper of its own


def text(value: Any) -> str:
    """Return a value as escaped text: four figures for a number, commas between items."""
    return escape(show(value), quote=True)


def table(rows: pd.DataFrame, caption: str) -> str:
    """Return a table that can be reached and scrolled by keyboard; its first column names the row."""
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
    """Return a list of plain sentences, escaped."""
    return f"<ul>{''.join(f'<li>{text(sentence)}</li>' for sentence in sentences)}</ul>"


def figure(ax: Axes, *, name: str, caption: str, says: str, numbers: pd.DataFrame | None = None) -> str:
    """Return a drawing inside the page, with what it says in words and, where given, its numbers as a table."""
    # name: A word of letters and digits, different for every figure of a page: marks inside drawings must not clash
    behind = ""
    if numbers is not None:
        behind = f"<details><summary>The numbers of this figure</summary>{table(numbers, caption)}</details>"
    return (
        f'<figure><div class="drawing wide" tabindex="0" role="group" aria-label="{text(caption)}">'
        f"{drawing(ax, name=name, says=says)}</div><figcaption>{text(caption)}</figcaption>{behind}</figure>"
    )


def drawing(ax: Axes, *, name: str, says: str) -> str:
    """Return the figure of an axis as SVG for use inside a page, the same bytes for the same figure."""
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
    """Return a table of versions and hashes."""
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
    """Return a page that needs nothing outside itself."""
    links = "".join(f'<li><a href="#{part.anchor}">{text(part.title)}</a></li>' for part in sections)
    body = "".join(
        f'<section{" class=sheet" if part.sheet else ""} aria-labelledby="{part.anchor}">'
        f'<h2 id="{part.anchor}">{text(part.title)}</h2>{part.body}</section>\n'
        for part in sections
    )
    nav = f'<nav aria-label="On this page"><ul>{links}</ul></nav>' if len(sections) > 1 else ""
    return framed(
        title,
        '<a class="skip" href="#content">Skip to the content</a>\n'
        f'<header><h1>{text(title)}</h1><p class="quiet">{text(lead)}</p></header>\n'
        f'<main id="content">\n{first}\n{nav}\n{body}</main>\n',
    )


def framed(title: str, body: str, *, style: str = STYLE) -> str:
    """Return a document around a body that is safe already."""
    # the policy forbids everything but the style in the page: no script, no image, no address can be reached from it
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return printable(
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{text(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )


def abilities(can: Sequence[str], cannot: Sequence[str]) -> str:
    """Return what must be read first: what it can do, and what it cannot, side by side."""
    return (
        '<div class="abilities"><section aria-labelledby="can"><h2 id="can">What it can do</h2>'
        f"{bullets(can)}</section>"
        f'<section class="cannot" aria-labelledby="cannot"><h2 id="cannot">What it cannot do</h2>{bullets(cannot)}'
        "</section></div>"
    )


def cautions() -> str:
    """Return the cautions in their box."""
    return f'<p class="cautions"><strong>Cautions.</strong> {text(CAUTIONS)}</p>'
