"""What docstring examples find: a folder with an invented brewery's files, and the names that stand for its objects.

The first page of the API reference tells readers how to make the same (`docs/build_api.py`).
"""

from pathlib import Path
from typing import Any

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.scan_files import write_measured_folder

BEERS = ("Meadow Pils", "Amber Lane", "Night Porter")


def furnish(folder: Path) -> dict[str, Any]:
    """Write `monday/` (past batches), `tuesday/` (new ones), `sets/house`, `house.model`; return what examples name."""
    brewery = Brewery(seed=1)
    past, new = (brewery.draw(n, draw=draw, beers=BEERS, n_pours=3) for n, draw in ((6, 0), (1, 1)))
    write_measured_folder(folder / "monday", past.raw, past.batches)
    write_measured_folder(folder / "tuesday", new.raw)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="house", colour_unit="EBC")
    house = sm.HouseModel().fit(refs)
    refs.save(folder / "sets" / "house")
    house.save(folder / "house.model")
    return {
        "sm": sm,
        "refs": refs,
        "house": house,
        "spectra": new.spectra,
        "scans": new.scans,
        "session": sm.measure(folder / "tuesday"),
        "evaluation": sm.evaluate(house, refs),
    }
