"""A line for tests: a model file of the invented brewery, scan files as an instrument writes them, a journal."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from specmatch.demo.brewery import Brewery
from specmatch.house.house_model import HouseModel
from specmatch.line.rules.judging import LineSetting


@dataclass(frozen=True)
class LineRoom:
    """House model of the invented brewery, and reflectance of new batches to write files of."""

    house: HouseModel
    brewery: Brewery

    def setting(self, **options):
        return LineSetting(self.house, "m" * 64, **{"line": "L1", **options})

    def pours(self, beer: str, *, draw: int = 1, n_pours: int = 6):
        """Reflectance of the pours of one new batch: a list of Series."""
        drawn = self.brewery.draw(1, n_pours=n_pours, draw=draw, beers=[beer])
        return [drawn.spectra.iloc[i] for i in range(len(drawn.spectra))]


def reflectance_text(spectrum) -> str:
    nm, values = spectrum.index.to_numpy(float), spectrum.to_numpy(float)
    keep = (nm > 405) & (nm < 720)
    lines = [f"{x:.2f},{max(y, 0.0):.6f}" for x, y in zip(nm[keep], np.nan_to_num(values[keep]), strict=True)]
    return "wavelength_nm,reflectance\n" + "\n".join(lines) + "\n"


def write_pour(folder: Path, name: str, spectrum) -> Path:
    path = folder / name
    path.write_text(reflectance_text(spectrum))
    return path


SHEET_COLUMNS = ("file", "role", "sample", "pour", "batch", "beer", "measured_at")


def write_sheet(folder: Path, rows) -> None:
    """Write `scans.csv` of rows (dicts); what is not given stays blank."""
    lines = [",".join(SHEET_COLUMNS), *(",".join(str(row.get(c, "")) for c in SHEET_COLUMNS) for row in rows)]
    (folder / "scans.csv").write_text("\n".join(lines) + "\n")
