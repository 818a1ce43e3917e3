"""Write the page of speeds, docs/speed.md. Run: python -m benchmarks.page [--light | --full] [--release NAME]

Every figure is a ratio of two times that were taken in turn in one run, ours over what stands beside it: a pipeline of
one's own, another library's part of the work, or the floor below which nobody gets. Processor time on one thread,
medians. `--light` takes a minute or two and goes without the slow ones; `--full` adds 384 batches, growth, and a large
set. `--out PAGE` writes elsewhere. `--release NAME` keeps the figures beside the page (speed.json): from then on the
page marks each that is a tenth or more above what it was.
"""

from benchmarks import speed  # first: it holds the numerical libraries to one thread before they are loaded

# isort: split
import argparse
import io
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import sklearn
from sklearn.model_selection import GridSearchCV, GroupKFold
from sklearn.neighbors import NearestNeighbors
from threadpoolctl import threadpool_limits

import specmatch as sm
from benchmarks.reading_speed import BARE
from specmatch.demo.folders import write_measured_folder
from specmatch.models import ColourRegressor

PAGE = Path(__file__).parents[1] / "docs" / "speed.md"
FELL = 1.1  # a figure that is so many times what it was at the last release is marked
HEAD = """# How fast it is, beside what

Each figure is a ratio of two times, taken in turn in one run on one machine: ours over what stands beside it. Below 1
is faster. Times themselves say more of a machine than of a library, and are left out. Made by `python -m
benchmarks.page` on houses of the invented brewery, last with {machine}.

A pipeline of one's own is what a practised user of scikit-learn would write
([benchmarks/speed.py](../benchmarks/speed.py)): PLS with its components searched by batches held out, discriminant
analysis, conformal intervals of `mapie`. It gives no reasons, no refusal and no domain.

One reading by itself is some 1,300 calls of Python, half of them inside pandas and NumPy. Beside an empty DataFrame of
its columns its checks, table and index come to 0.5, seven numbers of the cup by six rounds of least squares to 0.7, the
rest of the colour and its interval to 0.9, identity and domain to 0.4, reasons to 0.4, each timed over and over by
itself. That is 2.9 before anything is joined; in turn they find the processor's caches cold and take two thirds as long
again.
"""


def one_pour_samples(n: int) -> pd.DataFrame:
    """Return spectra of n samples of the invented brewery, 256 channels."""
    some = speed.brewery(256).draw(40, n_pours=1, draw=2).spectra
    rng = np.random.default_rng(0)
    rows = some.to_numpy()[rng.integers(len(some), size=n)] + rng.normal(0.0, 1e-4, (n, some.shape[1]))
    return pd.DataFrame(rows, index=[f"S{i:06d}" for i in range(n)], columns=some.columns)


def reading(n: int) -> dict[str, float]:
    """Return figures of many samples read at once, and of one."""
    refs = speed.made(96)
    house, table = sm.HouseModel().fit(refs), one_pour_samples(n)
    values, text, one = np.maximum(table.to_numpy(), 1e-4), table.to_csv(), table.iloc[0]
    means = refs.spectra.groupby(refs.scans["batch"]).mean().to_numpy()
    nearest = NearestNeighbors(n_neighbors=1).fit(np.log10(np.maximum(means, 1e-4)))
    took = speed.interleaved(
        {
            "read": lambda: house.read(table),
            "log": lambda: np.log10(values),
            "csv": lambda: pd.read_csv(io.StringIO(text), index_col=0),
            "neighbours": lambda: nearest.kneighbors(np.log10(values)),
        },
        3,
    )
    columns = list(house.read(one).columns)
    few = speed.interleaved(
        {
            "one": lambda: [house.read(one) for _ in range(20)],
            "empty": lambda: [pd.DataFrame(columns=columns) for _ in range(20)],
        },
        5,
    )
    return {
        f"read {n} samples / one log10 of their spectra": took["read"] / took["log"],
        f"read {n} samples / pandas.read_csv of them": took["read"] / took["csv"],
        f"read {n} samples / NearestNeighbors to 96 batches": took["read"] / took["neighbours"],
        "read one sample / an empty DataFrame of its columns": few["one"] / few["empty"],
    }


def start_up() -> dict[str, float]:
    """Return figures of commands that start anew, all bytecode compiled."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    seconds: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as room:
        model, folder = Path(room) / "house.model", Path(room) / "one"
        sm.HouseModel().fit(speed.made(96)).save(model)
        new = speed.brewery(256).draw(1, n_pours=1, draw=1, beers=["Amber Lane"])
        write_measured_folder(folder, new.raw, new.batches)
        runs = {
            "read": ["-m", "specmatch", "read", str(model), str(folder)],
            "bare": ["-c", BARE],
            "help": ["-m", "specmatch", "--help"],
            "numpy": ["-c", "import numpy"],
        }
        for turn in range(8):
            for name, arguments in runs.items():
                before = resource.getrusage(resource.RUSAGE_CHILDREN)
                done = subprocess.run(
                    [sys.executable, *arguments], capture_output=True, text=True, check=False, env=environment
                )
                after = resource.getrusage(resource.RUSAGE_CHILDREN)
                if done.returncode not in (0, 1):  # 1 says that someone must look
                    raise RuntimeError(done.stderr)
                if turn:  # the first one compiles what was not compiled
                    took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
                    seconds.setdefault(name, []).append(took)
    middle = {name: statistics.median(some) for name, some in seconds.items()}
    return {
        "`specmatch read` of one scan / importing NumPy, scipy.stats and PLS": middle["read"] / middle["bare"],
        "`specmatch --help` / importing NumPy": middle["help"] / middle["numpy"],
    }


def search() -> dict[str, float]:
    """Return a search over an estimator, threads as the user left them, over one thread; by the clock."""
    refs = speed.made(60)
    batch = refs.scans["batch"].to_numpy()
    X, y = refs.spectra, refs.batches.loc[batch, "colour"].to_numpy(float)
    sklearn.set_config(enable_metadata_routing=True)
    grid = GridSearchCV(
        ColourRegressor().set_fit_request(groups=True), {"regression": ["pls", "optical"]}, cv=GroupKFold(3)
    )

    def run(threads: int) -> Callable[[], object]:
        def one() -> None:
            with threadpool_limits(limits=threads):
                grid.fit(X, y, groups=batch)

        return one

    took = speed.interleaved({"left": run(os.cpu_count() or 1), "one": run(1)}, 3, clock=time.perf_counter)
    return {"a search over `ColourRegressor`, threads as left / on one thread": took["left"] / took["one"]}


def large_set(n: int) -> dict[str, float]:
    """Return a fit on n scans over one product of all of them and two passes."""
    refs = speed.made(960, pours=3)
    times = max(1, n // len(refs.scans))
    rng = np.random.default_rng(0)
    spectra = pd.concat([refs.spectra + rng.normal(0.0, 1e-4, refs.spectra.shape) for _ in range(times)])
    scans = pd.concat(
        [refs.scans.assign(**{c: refs.scans[c] + f"-{k}" for c in ("pour", "sample")}) for k in range(times)]
    )
    names = [f"{name}-{k}" for k in range(times) for name in refs.scans.index]
    many = sm.ReferenceSet(spectra.set_axis(names), scans.set_axis(names), refs.batches)
    X = spectra.to_numpy()
    took = speed.interleaved(
        {"fit": lambda: sm.HouseModel().fit(many), "floor": lambda: (X.T @ X, X.sum(axis=0), np.log10(X).sum())},
        1,
        warm_up=False,
    )
    return {f"fit {len(names)} scans / one product X'X and two passes": took["fit"] / took["floor"]}


def figures(size: str) -> dict[str, float]:
    """Return all figures of a size of run."""
    found: dict[str, float] = {}
    for batches in (96,) if size != "full" else (96, 384):
        one = speed.beside_the_pipeline(batches, 3 if size != "light" else 1)
        for what in ("fit", "evaluate"):
            found[f"{what} {batches} batches / a pipeline of one's own"] = one[f"{what}_over_pipeline_{batches}"]
    found |= reading(5_000 if size == "light" else 32_400) | start_up()
    if size == "light":
        return found
    found |= search()
    if size == "full":
        for name, value in speed.slopes(1).items():
            found[f"growth of {name}"] = value
        found |= large_set(300_000)
    return found


def page_of(found: dict[str, float], before: dict[str, float], release: str) -> str:
    """Return the page: a row a figure, those marked that fell since the last release."""
    machine = f"Python {platform.python_version()} and NumPy {np.__version__} on {os.cpu_count()} cores"
    if hasattr(os, "getloadavg"):
        machine += f", under a load of {os.getloadavg()[2]:.0f}"
    rows = []
    for name, value in found.items():
        was = before.get(name)
        mark = "**slower**" if was is not None and value > FELL * was else ""
        rows.append([name, f"{value:.2f}", *([] if not before else ["" if was is None else f"{was:.2f}", mark])])
    heads = ["ours / beside it", "ratio", *([release, ""] if before else [])]
    lines = [f"| {' | '.join(row)} |" for row in [heads, ["---"] * len(heads), *rows]]
    if any(name.startswith("growth") for name in found):
        lines.append("\nGrowth: the slope of the logarithm of time over the last doubling; 1 is in proportion.")
    return HEAD.format(machine=machine) + "\n" + "\n".join(lines) + "\n"


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--light", dest="size", action="store_const", const="light", default="usual")
    size.add_argument("--full", dest="size", action="store_const", const="full")
    parser.add_argument("--out", type=Path, default=PAGE)
    parser.add_argument("--release", help="keep the figures as those of this release")
    args = parser.parse_args()
    kept = PAGE.with_suffix(".json")
    before = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else {"release": "", "figures": {}}
    found = figures(args.size)
    args.out.write_text(page_of(found, before["figures"], before["release"]), encoding="utf-8")
    if args.release:
        text = json.dumps({"release": args.release, "figures": found}, indent=1)
        kept.write_text(text + "\n", encoding="utf-8")
    print(args.out.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
