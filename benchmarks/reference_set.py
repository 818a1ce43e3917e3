"""Time a large reference set: save, open, first use, select, and the fit, against one X'X product and two passes.

    python benchmarks/reference_set.py 10000 100000 1000000 [--fit 100000]

The spectra are made up: 12 beers, 200 scans a batch, 256 channels. Each size needs about 2 kB a scan on disk and about
five times that in memory while the set is made. One run a size; times are seconds of the processor.
"""

import argparse
import resource
import tempfile
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from specmatch.house.house_model import HouseModel
from specmatch.reference.reference_set import ReferenceSet

N_CHANNELS, SCANS_A_BATCH, POURS_A_SAMPLE = 256, 200, 4
ROWS_AT_A_TIME = 1 << 14


def make_set(n_scans: int, channels: int = N_CHANNELS) -> ReferenceSet:
    """Return a made-up set of `n_scans` scans."""
    rng = np.random.default_rng(1)
    nm = np.linspace(400.0, 720.0, channels)
    batch = np.arange(n_scans) // SCANS_A_BATCH
    n_batches = int(batch[-1]) + 1
    colour = np.geomspace(5.0, 80.0, 12)[np.arange(n_batches) % 12] * np.exp(rng.normal(0, 0.045, n_batches))
    shape = np.exp(-(nm - 430.0) / (80.0 + rng.normal(0, 1.0, n_batches))[:, None])
    values = np.empty((n_scans, channels))
    for start in range(0, n_scans, ROWS_AT_A_TIME):
        rows = batch[start : start + ROWS_AT_A_TIME]
        path = rng.normal(1.0, 0.012, rows.size)
        noise = rng.normal(0, 0.002, (rows.size, channels))
        values[start : start + rows.size] = (
            0.01 + 0.95 * 10 ** (-0.6 / 25 * (colour[rows] * path)[:, None] * shape[rows]) + noise
        )
    ids = [f"scan-{row:07d}" for row in range(n_scans)]
    days = np.datetime64("2020-01-01") + batch * 2000 // n_batches
    scans = pd.DataFrame(
        {
            "pour": ids,
            "sample": [f"s{row // POURS_A_SAMPLE:06d}" for row in range(n_scans)],
            "batch": [f"b{number:05d}" for number in batch],
            "measured_at": days.astype(str),
        },
        index=ids,
    )
    names = [f"b{number:05d}" for number in range(n_batches)]
    beers = [f"Beer {number % 12 + 1:02d}" for number in range(n_batches)]
    batches = pd.DataFrame({"beer": beers, "colour": colour * rng.normal(1.0, 0.012, n_batches)}, index=names)
    return ReferenceSet(pd.DataFrame(values, index=ids, columns=nm), scans, batches, name="made up, for timing")


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Return seconds of the processor and the result."""
    began = time.process_time()
    result = work()
    return time.process_time() - began, result


def product_and_passes(refs: ReferenceSet) -> tuple[float, float]:
    """Return seconds of one X'X product and of two passes over the block, in chunks."""
    values = refs.spectra.to_numpy()
    chunks = [values[start : start + ROWS_AT_A_TIME] for start in range(0, len(values), ROWS_AT_A_TIME)]
    product, _ = timed(lambda: sum(np.asarray(chunk).T @ chunk for chunk in chunks))
    passes, _ = timed(lambda: [np.asarray(chunk).sum() for _ in range(2) for chunk in chunks])
    return product, passes


def run(n_scans: int, with_fit: bool) -> dict[str, object]:
    """Time one size."""
    row: dict[str, object] = {"scans": n_scans}
    with tempfile.TemporaryDirectory() as folder:
        row["make and save"], _ = timed(lambda: make_set(n_scans).save(folder))
        row["open"], opened = timed(lambda: ReferenceSet.load(folder))
        assert isinstance(opened, ReferenceSet)
        row["first use"], _ = timed(lambda: opened.spectra)
        row["select"], part = timed(lambda: opened.select(beers=["Beer 03"], since="2021-01-01", until="2022-01-01"))
        row["selected"] = len(part.scans) if isinstance(part, ReferenceSet) else 0
        row["X'X"], row["two passes"] = product_and_passes(opened)
        if with_fit:
            row["fit"], _ = timed(lambda: HouseModel().fit(opened))
    row["peak GiB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return row


def extended(n_scans: int, channels: int, n_new: int = 1000) -> dict[str, object]:
    """Time opening a set of `n_scans`, adding `n_new` scans of new batches, and saving it, each by itself."""
    row: dict[str, object] = {"scans": n_scans, "added": n_new}
    more = make_set(n_new, channels)
    spectra, scans, batches = more.spectra, more.scans, more.batches
    scans = scans.assign(batch="n" + scans["batch"], sample="n" + scans["sample"], pour="n" + scans["pour"])
    new = [f"n{name}" for name in scans.index]
    scans, spectra, batches = scans.set_axis(new), spectra.set_axis(new), batches.rename(index=lambda name: f"n{name}")
    with tempfile.TemporaryDirectory() as folder:
        make_set(n_scans, channels).save(folder)
        row["open"], opened = timed(lambda: ReferenceSet.load(folder))
        assert isinstance(opened, ReferenceSet)
        row["extend"], grown = timed(lambda: opened.extend(spectra, scans, batches, reason="timing"))
        assert isinstance(grown, ReferenceSet)
        row["save"], _ = timed(lambda: grown.save(folder))
        row["whole"] = len(ReferenceSet.load(folder).scans) == n_scans + n_new
    return row


def main() -> None:
    """Print one row a size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sizes", nargs="+", type=int)
    parser.add_argument("--fit", type=int, default=0, help="fit sets of up to so many scans")
    parser.add_argument("--extend", action="store_true", help="time adding 1,000 scans instead")
    parser.add_argument("--channels", type=int, default=N_CHANNELS, help="of the sets that are added to")
    args = parser.parse_args()
    if args.extend:
        rows = [extended(size, args.channels) for size in args.sizes]
        print(pd.DataFrame(rows).to_string(index=False, float_format=lambda value: f"{value:.2f}"))
        return
    rows = [run(size, size <= args.fit) for size in args.sizes]
    print(pd.DataFrame(rows).to_string(index=False, float_format=lambda value: f"{value:.2f}", na_rep="-"))


if __name__ == "__main__":
    main()
