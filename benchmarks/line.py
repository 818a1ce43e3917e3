"""How quick the line is: `python -m benchmarks.line [--rows 1000000] [--kept]`.

Prints the time from a file written to its decision, readings a second on one core, two processes on one journal, and
`history --beer` on a long journal. Everything measured is invented.
"""

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.line.journal.journal import Journal
from specmatch.line.rules.judging import LineSetting, kept_mean
from specmatch.line.rules.run_rule import without_grid
from specmatch.line.watcher import Watch

BEER = "Saddle Pale"


@dataclass(frozen=True)
class Bench:
    """A fitted model and spectra of one new batch of a beer."""

    setting: LineSetting
    spectra: pd.DataFrame


def set_up() -> Bench:
    """Fit a model on ten batches of each beer."""
    brewery = Brewery(seed=1)
    past, new = brewery.draw(10), brewery.draw(1, draw=1, n_pours=12, beers=[BEER])
    house = sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))
    return Bench(LineSetting(house, "a" * 64, line="L1", claim=BEER), new.spectra)


def write_scan(folder: Path, name: str, bench: Bench, turn: int) -> None:
    """Write one file of reflectance with bytes of its own."""
    spectrum = bench.spectra.iloc[turn % len(bench.spectra)] * (1.0 + 1e-5 * turn)
    rows = [f"{nm:.2f},{value:.7f}" for nm, value in spectrum.items() if 400.0 < nm < 730.0]
    (folder / name).write_text("wavelength_nm,reflectance\n" + "\n".join(rows) + "\n")


def time_to_decision(bench: Bench, folder: Path, n: int) -> np.ndarray:
    """Return seconds from a file written to its row given out, shape (n,), with the watch running."""
    (folder / "slow").mkdir()
    stop, done = threading.Event(), threading.Event()
    with Journal(folder / "slow.db"):
        pass

    def watching() -> None:
        with Journal(folder / "slow.db") as journal:
            Watch(journal, bench.setting, folder / "slow").run(stop, lambda row: done.set())

    thread = threading.Thread(target=watching)
    thread.start()
    seconds = []
    for turn in range(n):
        done.clear()
        write_scan(folder / "slow", f"{turn:05d}.csv", bench, turn)
        start = time.perf_counter()
        done.wait(30.0)
        seconds.append(time.perf_counter() - start)
        time.sleep(0.05 + 0.1 * (turn % 7) / 7)
    stop.set()
    thread.join()
    return np.array(seconds)


def readings_a_second(bench: Bench, folder: Path, n: int) -> float:
    """Return readings of one pour a second of one core, from files to rows in the journal."""
    (folder / "fast").mkdir()
    for turn in range(n):
        write_scan(folder / "fast", f"{turn:05d}.csv", bench, turn)
    time.sleep(0.3)
    with Journal(folder / "fast.db") as journal:
        watch = Watch(journal, bench.setting, folder / "fast", patience_s=0.1)
        start = time.process_time()
        rows = sum(1 for _ in watch.rows()) + sum(1 for _ in watch.rows())
        seconds = time.process_time() - start
        assert rows == n
    return n / seconds


WRITER = """
import sys
from specmatch.line.journal.journal import Journal
with Journal(sys.argv[1]) as journal:
    for i in range(int(sys.argv[2])):
        with journal.writing():
            journal.append({"kind": "reading", "sample": str(i)})
"""


def shared_journal(folder: Path, n: int) -> tuple[int, int, float]:
    """Return rows written by two processes, faults of the chain, and rows a second."""
    start = time.perf_counter()
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, folder / "both.db", str(n)]) for _ in range(2)]
    assert all(writer.wait() == 0 for writer in writers)
    seconds = time.perf_counter() - start
    with Journal(folder / "both.db", read_only=True) as journal:
        found = journal.check()
    return found.n_entries, len(found.faults), found.n_entries / seconds


def long_journal(bench: Bench, path: Path, n: int, *, kept: bool) -> None:
    """Write `n` readings of twelve beers, each in runs of twelve; with `kept`, each with its spectrum."""
    beers = bench.setting.house.beers_
    mean = kept_mean(bench.spectra.iloc[:3], pd.DataFrame({"pour": ["a", "b", "c"]}))
    spectrum, grid = without_grid(mean)
    rng = np.random.default_rng(1)
    with Journal(path) as journal:
        journal.query("PRAGMA synchronous = OFF")
        for start in range(0, n, 50_000):
            with journal.writing():
                for i in range(start, min(start + 50_000, n)):
                    run = i // 12
                    record = {
                        "kind": "reading", "measured_at": "2026-03-02T06:00:00+01:00",
                        "measured_unix": 1.77e9 + 600.0 * i,
                        "line": f"L{run % 3 + 1}", "operator": "KA", "claimed": beers[run % 12], "lot": f"{run}",
                        "sample": f"S{i}", "decision": "consistent", "reason": "typical of it (p = 0.42)",
                        "advice": "go on", "run_state": "clear", "model_hash": "a" * 64,
                        "reading": {"colour": 8.0 + 0.2 * rng.standard_normal(), "colour_low": 7.7, "colour_high": 8.3,
                                    "colour_unit": "EBC", "nearest_beer": beers[run % 12], "p_value": 0.42,
                                    "plausible_beers": [beers[run % 12]], "n_pours": 3, "warnings": []},
                    }  # fmt: skip
                    journal.append(record | ({"kept": spectrum} if kept else {}), documents=[grid] if kept else ())


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000, help="rows of the long journal")
    parser.add_argument("--kept", action="store_true", help="with the spectra that a line keeps (some 3 kB a row)")
    args = parser.parse_args()
    bench = set_up()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        seconds = time_to_decision(bench, folder, 60)
        print(f"file written to decision: median {np.median(seconds):.3f} s, 95th percentile "
              f"{np.percentile(seconds, 95):.3f} s ({seconds.size} files)")  # fmt: skip
        print(f"readings of one pour a second, one core: {readings_a_second(bench, folder, 300):.0f}")
        rows, faults, rate = shared_journal(folder, 1000)
        print(f"two processes, one journal: {rows} rows of 2000, {faults} faults, {rate:.0f} rows a second")
        path = folder / "long.db"
        start = time.perf_counter()
        long_journal(bench, path, args.rows, kept=args.kept)
        print(f"{args.rows} rows written in {time.perf_counter() - start:.0f} s, {path.stat().st_size / 1e6:.0f} MB")
        times = []
        for beer in bench.setting.house.beers_[:5]:
            start = time.perf_counter()
            command = [sys.executable, "-m", "specmatch", "history", path, "--beer", beer]
            # 1: a chart was called out, as half of the steady ones are in a year
            assert subprocess.run(command, check=False, stdout=subprocess.DEVNULL).returncode in (0, 1)
            times.append(time.perf_counter() - start)
        print(f"history --beer, the whole command: median {np.median(times):.2f} s, slowest {max(times):.2f} s")
        start = time.perf_counter()
        with Journal(path, read_only=True) as journal:
            assert journal.check().faults == ()
        print(f"history --check of all rows: {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
