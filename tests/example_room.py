"""What docstring examples find: a folder with an invented brewery's files, and the names that stand for its objects.

The page of the reference tells readers how to make the same (`docs/reference.md`).
"""

from pathlib import Path
from typing import Any

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.folders import write_measured_folder
from specmatch.line.acquisition import measure_source
from specmatch.line.journal.journal import Journal
from specmatch.line.recording import record_measured
from specmatch.line.rules.judging import LineSetting
from specmatch.measurement.folder.folder import read_folder
from specmatch.measurement.reflectance.raw_scans import RawScans, gather_raw_scans
from specmatch.measurement.reflectance.reflectance import Paired, pair, subtract_darks
from specmatch.storage import sha256_of

BEERS = ("Meadow Pils", "Amber Lane", "Night Porter")


def raw_scans() -> RawScans:
    """Return the raw scans of `tuesday/` in the folder in use, afresh: an example may spoil them."""
    return gather_raw_scans(read_folder(Path("tuesday"), n_jobs=None, reading={}), [], [])[0]


def paired_scans(raw: RawScans) -> Paired:
    """Return raw scans with their darks taken off, beside their references."""
    return pair(raw, subtract_darks(raw))


def furnish(folder: Path) -> dict[str, Any]:
    """Write what examples read, and return the objects that they name.

    `monday/` holds past batches, `tuesday/` new ones; `sets/house` and
    `house.model` what was made of the past, and `line1.db` what line 1
    recorded on the new ones.
    """
    brewery = Brewery(seed=1)
    past, new = (brewery.draw(n, draw=draw, beers=BEERS, n_pours=3) for n, draw in ((6, 0), (1, 1)))
    write_measured_folder(folder / "monday", past.raw, past.batches)
    write_measured_folder(folder / "tuesday", new.raw)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="house", colour_unit="EBC")
    house = sm.HouseModel().fit(refs)
    refs.save(folder / "sets" / "house")
    house.save(folder / "house.model")
    with Journal(folder / "line1.db") as journal:
        setting = LineSetting(house, sha256_of(folder / "house.model"), line="1")
        record_measured(journal, setting, measure_source(folder / "tuesday"))
    return {
        "sm": sm,
        "refs": refs,
        "house": house,
        "spectra": new.spectra,
        "scans": new.scans,
        "session": sm.measure(folder / "tuesday"),
        "raw_scans": raw_scans,
        "paired_scans": paired_scans,
    }


def furnish_beforehand(folder: Path) -> dict[str, Any]:
    """Write and return what comes before the first batch: `bench/`, a commissioning, and a plan."""
    sm.write_bench_day(folder / "bench")
    return {"made": sm.plan({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0}, n_batches=(4,), n_pours=(1,), rough=True)}
