"""How quickly samples are matched: ratios to scikit-learn's plainest answers, timed in one run.

Run: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python benchmarks/matching_speed.py
"""

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from sklearn.cross_decomposition import PLSRegression
from sklearn.neighbors import NearestNeighbors

from specmatch.maths.classification.class_model import fit_class_model, identify_scores
from specmatch.maths.statistics.levels import Levels
from specmatch.models.beer_matcher import BeerMatcher

N_QUERIES, N_BEERS, N_BATCHES, N_CHANNELS, N_SMOOTH = 100_000, 1000, 8, 120, 8


def interleaved(calls: dict[str, Callable[[], object]], rounds: int, repeats: int) -> dict[str, float]:
    """Median seconds a call, calls taken in turns so that a busy moment of the machine falls on all of them."""
    times: dict[str, list[float]] = {name: [] for name in calls}
    for _ in range(rounds):
        for name, call in calls.items():
            started = time.perf_counter()
            for _ in range(repeats):
                call()
            times[name].append((time.perf_counter() - started) / repeats)
    return {name: float(np.median(found)) for name, found in times.items()}


def many_beers(rng: np.random.Generator, n_beers: int) -> tuple[np.ndarray, np.ndarray]:
    """Made-up spectra of batches of many beers, and their smooth directions."""
    smooth = np.linalg.qr(rng.normal(size=(N_CHANNELS, N_SMOOTH)))[0].T
    means = 0.5 + 0.1 * rng.normal(size=(n_beers, N_SMOOTH)) @ smooth
    scatter = 0.01 * rng.normal(size=(n_beers * N_BATCHES, N_SMOOTH)) @ smooth
    noise = 0.001 * rng.normal(size=(n_beers * N_BATCHES, N_CHANNELS))
    return np.repeat(means, N_BATCHES, axis=0) + scatter + noise, smooth


def main() -> None:
    rng = np.random.default_rng(0)
    rows, smooth = many_beers(rng, N_BEERS)
    batch = np.arange(len(rows))
    started = time.perf_counter()
    fit = fit_class_model(rows, Levels.of_pours(batch, batch, batch // N_BATCHES))
    print(f"fit of {N_BEERS} beers, {len(rows)} batches: {time.perf_counter() - started:.2f} s")
    queries = rows[rng.integers(len(rows), size=N_QUERIES)] + 0.01 * rng.normal(size=(N_QUERIES, N_SMOOTH)) @ smooth
    scores, left = fit.metric.scores_and_residual(queries)
    outside = fit.residual.p_value(left, 1.0)
    neighbours = {k: NearestNeighbors(n_neighbors=k).fit(fit.beer_means) for k in (1, 5)}
    found = interleaved(
        {
            "plausible sets": lambda: identify_scores(fit, scores, outside, 1, false_reject_rate=0.05),
            "NearestNeighbors(1)": lambda: neighbours[1].kneighbors(scores),
            "NearestNeighbors(5)": lambda: neighbours[5].kneighbors(scores),
        },
        5,
        1,
    )
    for name, seconds in found.items():
        print(f"{N_QUERIES} queries, {N_BEERS} beers, {scores.shape[1]} scores: {name} {seconds:.3f} s")
    for k in (1, 5):
        print(f"  ratio to NearestNeighbors({k}): {found['plausible sets'] / found[f'NearestNeighbors({k})']:.2f}")

    small, _ = many_beers(rng, 12)
    beer = np.repeat(np.arange(12), N_BATCHES)
    matcher = BeerMatcher().fit(small, beer, groups=np.arange(len(small)))
    pls = PLSRegression(8).fit(small, beer.astype(float))
    one = small[:1]
    found = interleaved({"BeerMatcher": lambda: matcher.predict(one), "PLS": lambda: pls.predict(one)}, 9, 200)
    print(f"predict of one row: {1e6 * found['BeerMatcher']:.0f} us, PLSRegression {1e6 * found['PLS']:.0f} us")
    print(f"  ratio: {found['BeerMatcher'] / found['PLS']:.2f}")

    for n_beers in (250, 500, 1000):
        part = rows[: n_beers * N_BATCHES]
        each = np.arange(len(part))
        tracemalloc.start()
        fit_class_model(part, Levels.of_pours(each, each, each // N_BATCHES))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(
            f"peak memory of a fit of {n_beers} beers: {peak / 2**20:.0f} MiB, {peak / len(part) / 1024:.1f} KiB/batch"
        )


if __name__ == "__main__":
    main()
