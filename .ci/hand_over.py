"""Hand a reference set and a model from one leg of versions to another: `hand_over.py write DIR` or `read DIR...`.

What was written under one set of versions must be the same set, and give the same readings, under another.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

import specmatch as sm
from specmatch.demo.brewery import Brewery

# readings pass through sums and special functions, which may differ in their last digits from one library to the next
RELATIVE, ABSOLUTE = 1e-7, 1e-9
SET, NEW, MODEL, READINGS = "set", "new", "house.model", "readings.csv"


def readings(folder: Path) -> pd.DataFrame:
    """Verify the new samples of a folder by its model, half of the claims wrong."""
    new = sm.ReferenceSet.load(folder / NEW)
    beers = sorted(new.batches["beer"].unique())
    really = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    claims = {
        sample: beer if place % 2 else beers[beers.index(beer) - 1]
        for place, (sample, beer) in enumerate(really.items())
    }
    return sm.HouseModel.load(folder / MODEL).verify(new.spectra, claimed=claims, scans=new.scans)


def write(folder: Path) -> None:
    """Leave a set, a model of it, new samples, and how this leg reads them."""
    brewery = Brewery(seed=1)
    past, new = brewery.draw(6), brewery.draw(2, draw=1)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="handed over", colour_unit="EBC")
    refs.save(folder / SET)
    sm.ReferenceSet(new.spectra, new.scans, new.batches, name="new", colour_unit="EBC").save(folder / NEW)
    sm.HouseModel().fit(refs).save(folder / MODEL)
    readings(folder).to_csv(folder / READINGS)


def read(folder: Path) -> str:
    """Hold what this leg makes of a folder against what the leg that wrote it made of it."""
    refs, fitted_on = sm.ReferenceSet.load(folder / SET), sm.HouseModel.load(folder / MODEL).fitted.set_hash
    assert refs.hash == fitted_on, f"the set's hash is {refs.hash}, the model was fitted on {fitted_on}"
    ours = readings(folder)
    theirs = pd.read_csv(folder / READINGS, index_col=0, dtype=str, keep_default_na=False)
    assert list(ours.index) == list(theirs.index) and list(ours.columns) == list(theirs.columns)
    farthest = 0.0
    for column in ours:
        if pd.api.types.is_float_dtype(ours[column]):
            a, b = ours[column].to_numpy(float), theirs[column].replace("", "nan").to_numpy(float)
            np.testing.assert_allclose(a, b, rtol=RELATIVE, atol=ABSOLUTE, err_msg=column)
            finite = np.isfinite(a)
            apart = np.abs(a[finite] - b[finite]) / np.fmax(np.abs(b[finite]), ABSOLUTE / RELATIVE)
            farthest = max(farthest, float(apart.max(initial=0.0)))
        else:
            said = ["" if value is None else str(value) for value in ours[column]]
            assert said == theirs[column].tolist(), f"{column}: {said}, was {theirs[column].tolist()}"
    held = int((ours["decision"] == "hold").sum())
    return f"{len(ours)} samples, {held} held, numbers within {farthest:.1e}"


if __name__ == "__main__":
    for folder in map(Path, sys.argv[2:]):
        if sys.argv[1] == "write":
            write(folder)
        else:
            print(f"   handed over by {folder.name}: {read(folder)}")
