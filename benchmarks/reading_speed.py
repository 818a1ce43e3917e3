"""How fast readings are: import, one command, one spectrum, many spectra. Run: python -m benchmarks.reading_speed

A model of 96 batches (12 beers of 8, three pours each) and 256 channels of the invented brewery. Times of processes
are medians of nine interleaved runs that find all bytecode compiled, as after an installation. Everything on this
machine, whatever else it is doing: processor time beside the rate tells what was lost to others.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.folders import write_measured_folder
from specmatch.demo.physics import Spectrometer
from specmatch.long_jobs import one_thread

N_RUNS = 9
N_CHANNELS = 256
BARE = "import numpy, scipy.stats; from sklearn.cross_decomposition import PLSRegression"
_TIMED = "import time; t = time.perf_counter(); {what}; print(time.perf_counter() - t)"


def brewery() -> Brewery:
    """Return an invented brewery whose instrument has 256 channels, all of them live."""
    return Brewery(1, spectrometer=Spectrometer(wavelength_nm=np.linspace(425.0, 685.0, N_CHANNELS).round(2)))


def run(arguments: list[str]) -> subprocess.CompletedProcess[str]:
    """Run a fresh interpreter, which may leave its bytecode for the next one."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False, env=environment)


def import_seconds(what: str) -> float:
    """Return the seconds that a fresh interpreter spends on an import."""
    return float(run(["-c", _TIMED.format(what=what)]).stdout)


def process_seconds(arguments: list[str]) -> float:
    """Return the seconds from start to end of a process (exit 1 says that someone must look)."""
    start = time.perf_counter()
    done = run(arguments)
    took = time.perf_counter() - start
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    return took


def interleaved(*runs: Callable[[], float]) -> list[float]:
    """Return the median of each, run in turn; a first round compiles what was not compiled."""
    times = [[timed() for timed in runs] for _ in range(1 + N_RUNS)]
    return [statistics.median(one) for one in zip(*times[1:], strict=True)]


def many_spectra(house: sm.HouseModel, n: int, n_workers: int) -> tuple[float, float, float]:
    """Return spectra read a second, one pour a sample, processor time of each, and the share given a reason."""
    rng = np.random.default_rng(0)
    some = brewery().draw(40, n_pours=1, draw=2).spectra
    rows = some.to_numpy()[rng.integers(len(some), size=n)] + rng.normal(0.0, 1e-4, (n, some.shape[1]))
    table = pd.DataFrame(rows, index=[f"S{i:06d}" for i in range(n)], columns=some.columns)
    parts = np.array_split(np.arange(n), n_workers)
    tables = [table.iloc[part] for part in parts]
    start, started = time.perf_counter(), time.process_time()
    if n_workers == 1:
        read = [house.read(table)]
    else:
        with ThreadPoolExecutor(n_workers) as pool:
            read = list(pool.map(house.read, tables))
    took, busy = time.perf_counter() - start, time.process_time() - started
    return n / took, busy / n, float(np.mean(np.concatenate([(part["explanation"] != "").to_numpy() for part in read])))


def main() -> None:
    """Print one line a figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spectra", type=int, default=100_000)
    args = parser.parse_args()
    past = brewery().draw(8)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, colour_unit="EBC")
    house = sm.HouseModel().fit(refs)
    with tempfile.TemporaryDirectory() as room:
        model, folder = Path(room) / "house.model", Path(room) / "one"
        house.save(model)
        house = sm.HouseModel.load(model)
        new = brewery().draw(1, n_pours=1, draw=1, beers=["Amber Lane"])
        write_measured_folder(folder, new.raw, new.batches)
        print(f"model: {len(refs.batches)} batches, {house.wavelengths_.size} channels, {model.stat().st_size} bytes")
        ours, theirs = interleaved(
            lambda: import_seconds("import specmatch"), lambda: import_seconds("import sklearn.cross_decomposition")
        )
        print(f"import: {1e3 * ours:.1f} ms against {1e3 * theirs:.0f} ms, {ours / theirs:.3f}")
        ours, theirs = interleaved(
            lambda: process_seconds(["-m", "specmatch", "read", str(model), str(folder)]),
            lambda: process_seconds(["-c", BARE]),
        )
        print(f"specmatch read: {1e3 * ours:.0f} ms against {1e3 * theirs:.0f} ms bare, {ours / theirs:.2f}")
    one = new.spectra.iloc[0]
    times = []
    for _ in range(300):
        start = time.perf_counter()
        house.read(one)
        times.append(time.perf_counter() - start)
    print(f"one spectrum: {1e3 * statistics.median(times):.2f} ms median, {1e3 * min(times):.2f} ms at best")
    for n_workers in (1, 2):
        # left alone, two readers and the numerical libraries' own threads wait for one another
        with one_thread():
            rate, busy, share = many_spectra(house, args.spectra, n_workers)
        print(
            f"{args.spectra} spectra on {n_workers} thread(s): {rate:.0f} a second, {1e6 * busy:.1f} us of processor "
            f"time each, {share:.1%} with a reason"
        )


if __name__ == "__main__":
    main()
