"""Make the published set of the demo brewery anew: python reference_sets/publish.py

The test of the published set fails until the files that this writes are committed.
"""

import json
import platform
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from specmatch.demo.brewery import DEFAULT_SEED, SimulatedHouse, write_brewery
from specmatch.demo.tour import make_set
from specmatch.storage import sha256_of

HERE = Path(__file__).resolve().parent
SET, COUNTS, RAW_FILES, MADE_WITH = (
    "demo_brewery",
    "demo_brewery_counts.csv",
    "demo_brewery_raw.sha256",
    "made_with.json",
)


def publish(folder: Path) -> None:
    """Write set, counts, the hashes of the raw files and what it was made with into a folder."""
    shutil.rmtree(folder / SET, ignore_errors=True)
    with tempfile.TemporaryDirectory() as scratch:
        raw_folder = Path(scratch) / "year"
        house = write_brewery(raw_folder, seed=DEFAULT_SEED)
        refs, left_out = make_set(raw_folder)
        if len(left_out):
            raise SystemExit(f"left out of the set:\n{left_out.to_string()}")
        refs.save(folder / SET)
        (folder / COUNTS).write_bytes(counts_table(house).to_csv(lineterminator="\n").encode())
        (folder / RAW_FILES).write_bytes(hash_list(raw_folder).encode())
    (folder / MADE_WITH).write_bytes(json.dumps(this_machine(), indent=2).encode() + b"\n")


def counts_table(house: SimulatedHouse) -> pd.DataFrame:
    """Return the counts of every scan, dark, reference and control included, a row a scan."""
    columns = pd.Index(house.raw.wavelength_nm, name="wavelength_nm")
    return pd.DataFrame(house.raw.counts.astype(int), index=house.raw.table.index, columns=columns)


def hash_list(folder: Path) -> str:
    """Return `SHA-256  name` of every file in a folder, sorted by name, as `sha256sum -c` reads it."""
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return "".join(f"{sha256_of(folder / name)}  {name}\n" for name in files)


def this_machine() -> dict[str, object]:
    """Return what the bytes may depend on."""
    return {
        "seed": DEFAULT_SEED,
        "numpy": np.__version__,
        "pandas": pd.__version__,
        "system": platform.system(),
        "machine": platform.machine(),
    }


if __name__ == "__main__":
    publish(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
