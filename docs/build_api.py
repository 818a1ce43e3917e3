"""Build the API reference from the docstrings: `python docs/build_api.py OUT` (needs the `docs` extra)."""

import sys
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

import specmatch

# `specmatch` itself brings its public names, `colour`, `errors` and `models`; the command line and the invented brewery
# document themselves by --help and by being run
ROOMS = (
    "array_types",
    "batches",
    "house",
    "line",
    "maths",
    "measurement",
    "reference",
    "report",
    "spectra",
    "warning_codes",
)

# what examples take for granted; the tests make the same and run every example
FIRST_PAGE = """
Examples that name `refs`, `house`, `spectra`, `scans`, `session`, `evaluation` or `made` mean those of a small
invented brewery:

    import specmatch as sm

    beers = ["Meadow Pils", "Amber Lane", "Night Porter"]
    past, new = (sm.Brewery(seed=1).draw(n, draw=d, beers=beers) for n, d in ((6, 0), (1, 1)))
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="house", colour_unit="EBC")
    house = sm.HouseModel().fit(refs)
    spectra, scans = new.spectra, new.scans
    evaluation = sm.evaluate(house, refs)
    made = sm.plan({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0}, n_batches=(4,), n_pours=(1,), rough=True)

`bench/` is what `sm.write_bench_day("bench")` writes.
`session` holds the same new samples as `sm.measure` gives them from a folder, here `tuesday/` (`monday/` holds the
past ones); `sets/house` and `house.model` are `refs` and `house` on disk, and `line1.db` is the journal that
`specmatch verify house.model tuesday --journal line1.db --line 1` writes.
"""


def build_api(out: Path, rooms: Sequence[str] = ROOMS) -> list[Path]:
    """Write the reference of some rooms, and of the public names, into a folder and return its pages."""
    import pdoc

    if FIRST_PAGE not in str(specmatch.__doc__):
        specmatch.__doc__ = f"{specmatch.__doc__}\n{FIRST_PAGE}"
    pdoc.render.configure(docformat="numpy", include_undocumented=False, show_source=False)
    pdoc.pdoc("specmatch", *(f"specmatch.{room}" for room in rooms), output_directory=out)
    return sorted(out.rglob("*.html"))


if __name__ == "__main__":
    if find_spec("pdoc") is None:
        sys.exit("build_api: pdoc is not installed; install it from the project's folder with pip install '.[docs]'")
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "api")
    pages = build_api(folder)
    sys.stdout.write(f"{len(pages)} pages for specmatch {specmatch.__version__}; open {folder / 'index.html'}\n")
