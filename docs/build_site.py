"""Build the documents as a site: `python docs/build_site.py OUT` (needs the extras `docs` and `plot`).

Pages, commands, public names and pictures in one place with a search, by Sphinx. Nothing is kept of what is made here:
commands say what their --help says, names what their docstrings say, and pictures are drawn anew.
"""

import contextlib
import doctest
import importlib
import inspect
import io
import os
import re
import shutil
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import specmatch

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("specmatch", "specmatch.models", "specmatch.colour", "specmatch.errors", "specmatch.plots", "specmatch.pages")
# how readers come to a page, in the order of the work; a page that is named nowhere is a warning, and so an error
PARTS = {
    "Begin": ("README", "docs/tutorial", "docs/how_to", "docs/gallery", "docs/glossary", "docs/first_ten_minutes"),
    "Measure": ("docs/measured_folder", "docs/what_your_export_may_look_like", "docs/bench", "docs/depth"),
    "The set and the model": (
        "docs/reference_set", "docs/a_year_of_a_set", "docs/second_module", "docs/model_file", "docs/columns",
    ),
    "Answers": ("docs/colour", "docs/identity", "docs/reasons", "docs/warnings"),
    "At work": ("docs/line", "docs/beyond_one_machine", "docs/speed"),
    "Look up": ("commands/index", "docs/reference", "docs/houses", "docs/licences"),
    "The project": ("docs/index", "docs/what_we_claim", "DEVELOPERS", "CHANGELOG"),
}  # fmt: skip
LINK = re.compile(r"\[([^\]]+)\]\(([^)#:\s]+)(#[^)]*)?\)")


def lay_out(source: Path) -> None:
    """Write the sources of the site into a folder: pages, commands, names, pictures."""
    pages = [*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")]
    for page in pages:
        target = source / page.relative_to(ROOT)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(_without_links_out_of_the_site(page, pages), encoding="utf-8")
    for picture in (ROOT / "docs").glob("*.png"):
        shutil.copy(picture, source / "docs")
    _commands(source / "commands")
    _names(source / "api", source / "docs" / "reference.md")
    _gallery(source / "docs")
    named = {name for names in PARTS.values() for name in names}
    others = sorted(str(page.relative_to(ROOT).with_suffix("")) for page in pages)
    parts = {**PARTS, "More": tuple(name for name in others if name not in named)}
    text = ["# specmatch", "", "Match reflectance spectra of beer to a brewery's own past batches.", ""]
    for part, names in parts.items():
        if names:
            text += ["```{toctree}", f":caption: {part}", ":maxdepth: 1", "", *names, "```", ""]
    (source / "index.md").write_text("\n".join(text), encoding="utf-8")


def _without_links_out_of_the_site(page: Path, pages: list[Path]) -> str:
    """Return a page whose links to files that are no pages are plain text, with the path in the repository."""

    def kept(link: re.Match[str]) -> str:
        words, target, _ = link.groups()
        path = (page.parent / target).resolve()
        if path in pages or path.suffix == ".png":
            return link.group()
        if not path.exists():
            raise FileNotFoundError(f"{page.name} links to {target}, which is not there")
        return words if words.strip("`") == str(path.relative_to(ROOT)) else f"{words} (`{path.relative_to(ROOT)}`)"

    return LINK.sub(kept, page.read_text(encoding="utf-8"))


def _commands(folder: Path) -> None:
    from specmatch.cli import COMMANDS, main

    folder.mkdir()
    os.environ["COLUMNS"] = "100"
    for name in COMMANDS:
        text = io.StringIO()
        with contextlib.redirect_stdout(text), contextlib.suppress(SystemExit):
            main([name, "--help"])
        page = f"# specmatch {name}\n\n```text\n{text.getvalue().rstrip()}\n```\n"
        (folder / f"{name}.md").write_text(page, encoding="utf-8")
    listed = "\n".join(COMMANDS)
    (folder / "index.md").write_text(
        f"# Commands\n\nIn the order of the work.\n\n```{{toctree}}\n{listed}\n```\n", encoding="utf-8"
    )


def public_names(room: str) -> dict[str, Any]:
    """Return the documented names of a public module."""
    module = importlib.import_module({"specmatch.plots": "specmatch.report.plots",
                                      "specmatch.pages": "specmatch.report.pages"}.get(room, room))  # fmt: skip
    names = getattr(module, "__all__", None) or [name for name in vars(module) if not name.startswith("_")]
    found = {name: getattr(module, name) for name in sorted(names)}
    if room != "specmatch":
        # shown once: the first of its places is the shorter one
        found = {name: one for name, one in found.items() if getattr(specmatch, name, None) is not one}
    return {name: one for name, one in found.items() if inspect.isclass(one) or inspect.isfunction(one)}


def _names(folder: Path, first_page: Path) -> None:
    folder.mkdir()
    text = [first_page.read_text(encoding="utf-8")]
    for room in ROOMS:
        text += [f"## {room}", "", "```{toctree}", ":maxdepth: 1", ""]
        for name, one in public_names(room).items():
            kind = "autoclass" if inspect.isclass(one) else "autofunction"
            where = f"{one.__module__}.{one.__qualname__}"
            lines = [f"# {room}.{name}", "", "```{eval-rst}", f".. {kind}:: {where}"]
            if inspect.isclass(one):
                # what scikit-learn gives every estimator is told there
                request = [f"set_{kind}_request" for kind in ("fit", "predict", "score", "transform")]
                lines += ["   :members:", "   :no-undoc-members:", f"   :exclude-members: {', '.join(request)}"]
            (folder / f"{room}.{name}.md").write_text("\n".join([*lines, "```", ""]), encoding="utf-8")
            text.append(f"/api/{room}.{name}")
        text += ["```", ""]
    first_page.write_text("\n".join(text), encoding="utf-8")


def _gallery(folder: Path) -> None:
    """Draw what the examples of the plots draw."""
    import matplotlib

    matplotlib.use("agg")
    from matplotlib import pyplot

    sys.path.insert(0, str(ROOT / "tests"))
    from example_room import furnish, furnish_beforehand

    text = ["# Gallery", "", "What `specmatch.plots` draws, of an invented brewery: each picture by the example under",
            "its name in the reference.", ""]  # fmt: skip
    pictures = folder / "gallery"
    pictures.mkdir()
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as room:
        names = furnish(Path(room)) | furnish_beforehand(Path(room))
        names["evaluation"] = specmatch.evaluate(names["house"], names["refs"])
        os.chdir(room)
        try:
            for name, one in public_names("specmatch.plots").items():
                pyplot.close("all")
                module = {key: value for key, value in vars(inspect.getmodule(one)).items() if not key.startswith("__")}
                example = doctest.DocTestParser().get_doctest(inspect.getdoc(one), {**names, **module}, name, None, 0)
                runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
                with contextlib.redirect_stdout(io.StringIO()):
                    failed = runner.run(example, clear_globs=False).failed
                if failed or not pyplot.get_fignums():
                    raise RuntimeError(f"the example of {name} draws nothing")
                pyplot.gcf().savefig(pictures / f"{name}.png", dpi=110, bbox_inches="tight")
                said = inspect.getdoc(one).splitlines()[0]
                text += [f"## {name}", "", said, "", f"![{said}](gallery/{name}.png)", "",
                         f"[Reference](/api/specmatch.plots.{name})", ""]  # fmt: skip
        finally:
            os.chdir(before)
    (folder / "gallery.md").write_text("\n".join(text), encoding="utf-8")


def _keep_underscores(app: Any, what: str, name: str, one: Any, options: Any, lines: list[str]) -> None:
    lines[:] = [re.sub(r"^(\w+)_ :", r"\1\\_ :", line) for line in lines]


def build_site(out: Path) -> str:
    """Build the site into a folder; return what Sphinx warned of, "" where it is whole."""
    from sphinx.application import Sphinx
    from sphinx.util.console import nocolor

    settings = {
        "project": "specmatch",
        "author": "The specmatch maintainers",
        "version": specmatch.__version__,
        "release": specmatch.__version__,
        "extensions": ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"],
        "myst_heading_anchors": 4,
        "html_theme": "furo",
        "html_title": f"specmatch {specmatch.__version__}",
        "html_show_sphinx": False,
        "html_show_copyright": False,
        "add_module_names": False,
        "html_copy_source": False,
        "html_show_sourcelink": False,
        "default_role": "literal",
        "napoleon_use_rtype": False,
        "napoleon_use_ivar": True,
        "autodoc_typehints": "none",
        "autodoc_member_order": "bysource",
        # "path" in "list of path" is a word, not the attribute of two classes
        "suppress_warnings": ["myst.header", "ref.python"],
    }
    warned = io.StringIO()
    nocolor()
    with tempfile.TemporaryDirectory() as room:
        source = Path(room) / "source"
        source.mkdir()
        lay_out(source)
        app = Sphinx(
            source, None, out, Path(room) / "trees", "html", confoverrides=settings, status=None, warning=warned
        )
        # a name that ends in an underscore is a link to readers of reStructuredText
        app.connect("autodoc-process-docstring", _keep_underscores, priority=1)
        app.build()
    shutil.rmtree(out / ".doctrees", ignore_errors=True)
    return warned.getvalue()


if __name__ == "__main__":
    lacking = [name for name in ("sphinx", "myst_parser", "furo", "matplotlib") if find_spec(name) is None]
    if lacking:
        sys.exit(f"build_site: {lacking[0]} is not installed; from the project's folder: pip install '.[docs,plot]'")
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "site")
    warnings = build_site(folder)
    sys.stdout.write(f"{warnings}{folder / 'index.html'} for specmatch {specmatch.__version__}\n")
    sys.exit(1 if warnings else 0)
