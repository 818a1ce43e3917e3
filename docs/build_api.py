"""Build the API reference from the docstrings: `python docs/build_api.py OUT` (needs the `docs` extra)."""

import sys
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

import specmatch

# `specmatch` itself brings its public names, `colour` and `errors`; the command line and the invented brewery document
# themselves by --help and by being run
ROOMS = (
    "batches",
    "house",
    "line",
    "maths",
    "measurement",
    "models",
    "reference",
    "report",
    "spectra",
    "warning_codes",
)


def build_api(out: Path, rooms: Sequence[str] = ROOMS) -> list[Path]:
    """Write the reference of some rooms, and of the public names, into a folder and return its pages."""
    import pdoc

    pdoc.render.configure(docformat="numpy", include_undocumented=False, show_source=False)
    pdoc.pdoc("specmatch", *(f"specmatch.{room}" for room in rooms), output_directory=out)
    return sorted(out.rglob("*.html"))


if __name__ == "__main__":
    if find_spec("pdoc") is None:
        sys.exit("build_api: pdoc is not installed; install it from the project's folder with pip install '.[docs]'")
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "api")
    pages = build_api(folder)
    sys.stdout.write(f"{len(pages)} pages for specmatch {specmatch.__version__}; open {folder / 'index.html'}\n")
