"""How the kept model of format 1 was made, once: `python tests/data/models_by_format/make.py`."""

import json
import sys
from pathlib import Path

import numpy as np

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.physics import Spectrometer

HERE = Path(__file__).parent
READ = ("colour", "colour_low", "colour_high", "p_value", "distance", "colour_without_fault")


def main() -> None:
    """Fit three invented beers on 48 channels, save the model, its readings of new samples, and the samples."""
    beers = ("Meadow Pils", "Amber Lane", "Night Porter")
    brewery = Brewery(1, spectrometer=Spectrometer(wavelength_nm=np.linspace(430.0, 670.0, 48).round(1)))
    past, new = (brewery.draw(n, draw=d, beers=beers) for n, d in ((6, 0), (1, 1)))
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches, name="kept model, format 1"))
    house.save(HERE / "format-1.model")
    spectra = new.spectra.round(6)
    kept = {
        "wavelength_nm": new.spectra.columns.tolist(),
        "scans": new.scans["sample"].to_dict(),
        "spectra": {scan: row.tolist() for scan, row in spectra.iterrows()},
    }
    readings = house.verify(spectra, "Amber Lane", scans=new.scans["sample"])
    kept["readings"] = {
        name: [None if np.isnan(value) else float(value) for value in readings[name]] for name in READ
    } | {"decision": readings["decision"].tolist(), "warnings": [list(codes) for codes in readings["warnings"]]}
    (HERE / "format-1.json").write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    if (HERE / "format-1.model").exists():
        sys.exit("format-1.model is kept for ever; it is not made again")
    main()
