"""Read millions of samples, and evaluate, on a dask cluster of this machine.

Run: python -m benchmarks.many_readings [--samples N]

One process first, then workers that are processes of their own, each with one thread; blocks of one-pour samples of the
invented brewery are made where they are read, so that nothing but block numbers and counts travels. Printed: samples a
second, the ratio of workers to the one process in the same run, and the resident memory of the workers as it went. One
row shows the workers as dask makes them by default: they give freed memory back at once, so that each block has to
fetch it again, and keep an hour of profiles. An evaluation goes by joblib's own dask back end, beside one process.
"""

import argparse
import json
import statistics
import sys
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING

import joblib
import numpy as np
import pandas as pd

import specmatch as sm
from specmatch.demo.brewery import Brewery

if TYPE_CHECKING:
    from distributed import Client

BLOCK, N_MADE = 10_000, 500


def made(number: int) -> pd.DataFrame:
    """Return block `number` of spectra, a row a sample, the same whoever makes it."""
    base = _base()
    rng = np.random.default_rng(number)
    rows = rng.integers(0, len(base), BLOCK)
    values = base.to_numpy()[rows] * (1.0 + rng.normal(0.0, 0.002, (BLOCK, 1)))
    return pd.DataFrame(values, index=[f"{number}-{row}" for row in range(BLOCK)], columns=base.columns)


@cache
def _base() -> pd.DataFrame:
    return Brewery(seed=1).draw(N_MADE // 36, draw=1).spectra


def read_block(house: sm.HouseModel, number: int) -> tuple[int, float]:
    """Return how many samples of a block carry no warning but the usual, and this process's memory in MiB."""
    readings = house.read(made(number))
    return int((readings["plausible_beers"].map(len) == 1).sum()), resident()


def resident() -> float:
    """Return the resident memory of this process in MiB, where the system tells it."""
    try:
        with open("/proc/self/status", encoding="ascii") as status:
            return next(int(line.split()[1]) for line in status if line.startswith("VmRSS")) / 1024
    except OSError:
        return float("nan")


@contextmanager
def cluster(workers: int, *, keep_memory: bool = True) -> "Iterator[Client]":
    """Give a client of workers that are processes of one thread, all imports done."""
    import dask
    from distributed import Client, LocalCluster

    usual = dask.config.get("distributed.nanny.pre-spawn-environ", {})
    kept = {"MALLOC_TRIM_THRESHOLD_": str(2**30), "MALLOC_MMAP_THRESHOLD_": str(2**25), "MALLOC_ARENA_MAX": "1"}
    settings = {"distributed.nanny.pre-spawn-environ": {**usual, **kept}, "distributed.worker.profile.enabled": False}
    with (
        warnings.catch_warnings(),
        dask.config.set(settings if keep_memory else {}),
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as machines,
        Client(machines) as client,
    ):
        warnings.simplefilter("ignore")  # the cluster's own libraries warn of their own matters
        yield client


def on_workers(house: sm.HouseModel, blocks: int, workers: int, *, keep_memory: bool) -> tuple[float, list[float]]:
    """Return seconds, and the largest memory of a worker in each tenth of the work."""
    from distributed import as_completed

    with cluster(workers, keep_memory=keep_memory) as client:
        model = client.scatter(house, broadcast=True)
        client.gather([client.submit(read_block, model, 10**9 + k) for k in range(workers)])  # imports, first pages
        start, memory = time.perf_counter(), []
        # a window of tasks, not all of them: the scheduler holds what is asked for
        numbers = iter(range(blocks))
        going = as_completed([client.submit(read_block, model, n) for n in islice(numbers, 4 * workers)])
        for done in going:
            memory.append(done.result()[1])
            if len(memory) % max(1, blocks // 20) == 0:
                rate = len(memory) * BLOCK / (time.perf_counter() - start)
                print(f"{len(memory) * BLOCK} samples, {rate:.0f} a second, {memory[-1]:.0f} MiB", file=sys.stderr)
            number = next(numbers, None)
            if number is not None:
                going.add(client.submit(read_block, model, number))
        seconds = time.perf_counter() - start
    return seconds, [max(part) for part in np.array_split(memory, min(10, len(memory)))]


def evaluating(house: sm.HouseModel, refs: sm.ReferenceSet, workers: int, turns: int = 3) -> float:
    """Return how many times as fast workers evaluate as one process, medians of runs in turn after one of each."""
    seconds: dict[bool, list[float]] = {False: [], True: []}
    with cluster(workers):
        for _ in range(turns + 1):
            for spread, took in seconds.items():
                start = time.perf_counter()
                with joblib.parallel_config(backend="dask") if spread else nullcontext():
                    sm.evaluate(house, refs)
                took.append(time.perf_counter() - start)
    alone, together = (statistics.median(took[1:]) for took in seconds.values())
    return alone / together


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=int, default=400_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    past = Brewery(seed=1).draw(8)
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches)
    house = sm.HouseModel().fit(refs)
    blocks = max(args.samples // BLOCK, 2)
    few = min(blocks, 12)
    read_block(house, 10**9)
    start = time.perf_counter()
    for number in range(few):
        read_block(house, number)
    alone = few * BLOCK / (time.perf_counter() - start)
    seconds, memory = on_workers(house, blocks, args.workers, keep_memory=True)
    usual, _ = on_workers(house, few, args.workers, keep_memory=False)
    figures = {
        "one_process_samples_a_second": alone,
        "workers_samples_a_second": blocks * BLOCK / seconds,
        "workers_over_one_process": blocks * BLOCK / seconds / alone,
        "workers_over_one_process_as_dask_makes_them": few * BLOCK / usual / alone,
        "workers_evaluate_over_one_process": evaluating(house, refs, args.workers),
        "samples": blocks * BLOCK,
        "worker_memory_mib_by_tenth": [round(one) for one in memory],
    }
    if args.json:
        print(json.dumps(figures))
        return
    for name, value in figures.items():
        print(f"{name:46}{value if isinstance(value, list) else round(value, 2)}")


if __name__ == "__main__":
    main()
