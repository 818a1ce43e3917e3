"""Time of leave-batch-out cross-validation of PLS. Run: python -m benchmarks.cross_validation [--json]

Every left-out batch and every component count at once, against one product X'X and against scikit-learn in a loop, one
fit a fold. BLAS runs on one thread: more threads only quarrel over matrices of this size. Times are those of the
processor, so that other programs disturb them less. Numbers are random.
"""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before NumPy is loaded, or it is too late

import argparse  # noqa: E402
import json  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable  # noqa: E402

import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402
from sklearn.cross_decomposition import PLSRegression  # noqa: E402

from specmatch.maths.regression.pls import fit_pls  # noqa: E402
from specmatch.maths.statistics.levels import rows_of  # noqa: E402

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

N, P, COMPONENTS, BATCHES = 2000, 256, 15, 40


def data(n: int, p: int, n_batches: int) -> tuple[Floats, Floats, Codes]:
    """Return smooth random spectra, a response and batch codes."""
    rng = np.random.default_rng(0)
    shapes = np.cumsum(rng.normal(size=(30, p)), axis=1) / np.sqrt(p)
    X = rng.normal(size=(n, 30)) @ shapes + rng.normal(0.0, 0.01, (n, p))
    y = X[:, :: max(p // 8, 1)].sum(axis=1) + rng.normal(0.0, 0.1, n)
    return X, y, np.arange(n) % n_batches


def best_of(run: Callable[[], object], repeats: int) -> float:
    """Return the shortest of some times of the one thread in seconds: what the machine does when left alone."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def fold_loop(X: Floats, y: Floats, batch: Codes, n_components: int) -> None:
    """Fit scikit-learn's PLS once a fold."""
    for code in np.unique(batch):
        kept = batch != code
        PLSRegression(n_components, scale=False).fit(X[kept], y[kept])


def main() -> None:
    """Print a table of costs, or one JSON object as the last line."""
    parser = argparse.ArgumentParser(description="Time of leave-batch-out cross-validation of PLS.")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--repeats", type=int, default=20)
    args = parser.parse_args()
    X, y, batch = data(N, P, BATCHES)
    sets = rows_of(batch)
    ours = best_of(lambda: fit_pls(X, y, COMPONENTS, without=sets), args.repeats)
    product = best_of(lambda: X.T @ X, 3 * args.repeats)
    loop = best_of(lambda: fold_loop(X, y, batch, COMPONENTS), 1)
    result = {
        "n": N,
        "p": P,
        "components": COMPONENTS,
        "batches": BATCHES,
        "ours_s": ours,
        "xtx_s": product,
        "sklearn_fold_loop_s": loop,
        "over_xtx": ours / product,
        "sklearn_fold_loop_over_ours": loop / ours,
    }
    if args.json:
        print(json.dumps(result))
        return
    print(f"n {N}, p {P}, {COMPONENTS} components, {BATCHES} batches left out in turn, one BLAS thread")
    print(f"ours                 {ours * 1e3:9.1f} ms   {result['over_xtx']:6.1f} x one product X'X")
    print(f"one product X'X      {product * 1e3:9.1f} ms")
    print(f"scikit-learn, a fold {loop * 1e3:9.1f} ms   {result['sklearn_fold_loop_over_ours']:6.1f} x ours")
    print(f"\n{'n':>8s}{'batches':>9s}{'ours, s':>10s}{'X-prime-X, s':>14s}")
    for n, n_batches in ((2_000, 40), (20_000, 40), (200_000, 40), (20_000, 200), (20_000, 2_000)):
        X, y, batch = data(n, P, n_batches)
        sets = rows_of(batch)
        ours = best_of(lambda X=X, y=y, sets=sets: fit_pls(X, y, COMPONENTS, without=sets), 1)  # type: ignore[misc]
        product = best_of(lambda X=X: X.T @ X, 1)  # type: ignore[misc]
        print(f"{n:8d}{n_batches:9d}{ours:10.2f}{product:14.3f}")


if __name__ == "__main__":
    main()
