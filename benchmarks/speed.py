"""How long fit and evaluate take beside a pipeline of one's own. Run: python -m benchmarks.speed [--full] [--json]

The pipeline is what a practised user of scikit-learn would write: PLS on log absorbance with its number of components
searched by batches held out, linear discriminant analysis on principal scores, conformal intervals of `mapie` by
batches held out; to evaluate it, all of that in an outer loop over batches. It gives no reasons, no refusal, no domain.
Times are those of the processor on one thread, medians of interleaved runs in one process: only ratios mean anything.
`--full` adds 384 batches, and how time grows with batches, channels, pours and beers: the slope of the logarithms over
the last doubling, 1 where time grows in proportion. Data of the invented brewery.
"""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before NumPy is loaded, or it is too late

import argparse  # noqa: E402
import json  # noqa: E402
import math  # noqa: E402
import statistics  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable  # noqa: E402

import numpy as np  # noqa: E402
from mapie.regression import CrossConformalRegressor  # noqa: E402
from sklearn.cross_decomposition import PLSRegression  # noqa: E402
from sklearn.decomposition import PCA  # noqa: E402
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis  # noqa: E402
from sklearn.model_selection import GridSearchCV, GroupKFold  # noqa: E402
from sklearn.pipeline import make_pipeline  # noqa: E402

import specmatch as sm  # noqa: E402
from specmatch.demo.brewery import Brewery  # noqa: E402
from specmatch.demo.physics import Spectrometer  # noqa: E402

FOLDS, MOST_COMPONENTS, COVERAGE = 10, 15, 0.90


class Pipeline:
    """A user's own: colour with intervals, and beer."""

    def __init__(self, refs: sm.ReferenceSet, kept: np.ndarray | None = None) -> None:
        scans = refs.scans if kept is None else refs.scans[kept]
        self.X = np.log(np.maximum(-np.log10(refs.spectra.loc[scans.index].to_numpy()), 1e-3))
        self.groups = scans["batch"].to_numpy()
        of_scan = refs.batches.loc[scans["batch"]]
        self.y, self.beer = np.log(of_scan["colour"].to_numpy(float)), of_scan["beer"].to_numpy()

    def fit(self) -> "Pipeline":
        """Search the components, fit colour, intervals and beer."""
        folds = list(GroupKFold(FOLDS).split(self.X, self.y, self.groups))
        grid = {"n_components": range(1, MOST_COMPONENTS + 1)}
        search = GridSearchCV(PLSRegression(scale=False), grid, cv=folds, scoring="neg_mean_squared_error")
        n = search.fit(self.X, self.y).best_params_["n_components"]
        conformal = CrossConformalRegressor(
            PLSRegression(n, scale=False), confidence_level=COVERAGE, method="plus", cv=GroupKFold(FOLDS)
        )
        self.colour = conformal.fit_conformalize(self.X, self.y, groups=self.groups)
        self.identity = make_pipeline(PCA(10), LinearDiscriminantAnalysis()).fit(self.X, self.beer)
        return self

    def evaluate(self, refs: sm.ReferenceSet) -> tuple[float, float, float]:
        """Return error, coverage and beers right of batches held out of everything."""
        error, inside, right = [], [], []
        for kept, out in GroupKFold(FOLDS).split(self.X, self.y, self.groups):
            held_in = np.zeros(len(self.X), bool)
            held_in[kept] = True
            fold = Pipeline(refs, held_in).fit()
            middle, limits = fold.colour.predict_interval(self.X[out])
            error.append(middle - self.y[out])
            inside.append((limits[:, 0, 0] <= self.y[out]) & (self.y[out] <= limits[:, 1, 0]))
            right.append(fold.identity.predict(self.X[out]) == self.beer[out])
        return float(np.std(np.concatenate(error))), *(float(np.concatenate(x).mean()) for x in (inside, right))


def brewery(channels: int) -> Brewery:
    """Return the invented brewery with a spectrometer of so many channels."""
    return Brewery(1, spectrometer=Spectrometer(wavelength_nm=np.linspace(425.0, 685.0, channels).round(3)))


def made(batches: int = 96, channels: int = 256, pours: int = 3, beers: int = 12) -> sm.ReferenceSet:
    """Return a set of the invented brewery, beers beyond its own made of them at other strengths."""
    past = brewery(channels).draw(math.ceil(batches / 12), n_pours=pours)
    table, sheet = past.spectra.copy(), past.batches.copy()
    if beers > 12:
        # every batch of a beer in turn is renamed, and as much stronger as its name says
        parts = math.ceil(beers / 12)
        part = sheet.groupby("beer").cumcount() % parts
        sheet["beer"] += " " + part.astype(str)
        power = (1.0 + 0.1 * part).loc[past.scans["batch"]].to_numpy()[:, None]
        table = table.clip(lower=1e-4) ** power
        sheet["colour"] = sheet["colour"].astype(float) * (1.0 + 0.1 * part)
    return sm.ReferenceSet(table, past.scans, sheet)


def interleaved(
    runs: dict[str, Callable[[], object]],
    repeats: int,
    *,
    clock: Callable[[], float] = time.process_time,
    warm_up: bool = True,  # needless where a run takes many seconds
) -> dict[str, float]:
    """Return the median seconds of each run, of the processor unless told, taken in turn after one that warms up."""
    seconds: dict[str, list[float]] = {name: [] for name in runs}
    for turn in range(repeats + warm_up):
        for name, run in runs.items():
            start = clock()
            run()
            if turn >= warm_up:
                seconds[name].append(clock() - start)
    return {name: statistics.median(some) for name, some in seconds.items()}


def beside_the_pipeline(batches: int, repeats: int) -> dict[str, float]:
    """Return ratios of fit and evaluate, ours over the pipeline's."""
    refs = made(batches)
    house, peer = sm.HouseModel().fit(refs), Pipeline(refs)
    took = interleaved({"fit": lambda: sm.HouseModel().fit(refs), "peer_fit": peer.fit}, repeats)
    took |= interleaved({"evaluate": lambda: sm.evaluate(house, refs), "peer": lambda: peer.evaluate(refs)}, 1)
    return {
        f"fit_over_pipeline_{batches}": took["fit"] / took["peer_fit"],
        f"evaluate_over_pipeline_{batches}": took["evaluate"] / took["peer"],
        f"fit_seconds_{batches}": took["fit"],
        f"evaluate_seconds_{batches}": took["evaluate"],
    }


def slopes(repeats: int) -> dict[str, float]:
    """Return how the time of a fit and of an audit grows over the last doubling of each size."""
    last = {"batches": (1536, 3072), "channels": (1024, 2048), "pours": (5, 10), "beers": (96, 192)}
    found = {}
    for name, sizes in last.items():
        runs = {}
        for size in sizes:
            refs = made(**{"batches": 768 if name == "beers" else 96, name: size})
            runs[f"fit {size}"] = lambda refs=refs: sm.HouseModel().fit(refs)
            runs[f"audit {size}"] = refs.audit
        took = interleaved(runs, repeats, warm_up=name in ("channels", "pours"))
        for what in ("fit", "audit"):
            found[f"{what} with {name}"] = math.log2(took[f"{what} {sizes[1]}"] / took[f"{what} {sizes[0]}"])
    return found


def main() -> None:
    """Print the figures, a line each, or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--full", action="store_true", help="384 batches and the slopes too")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    figures = beside_the_pipeline(96, args.repeats)
    if args.full:
        figures |= beside_the_pipeline(384, args.repeats) | slopes(1)
    if args.json:
        print(json.dumps(figures))
        return
    for name, value in figures.items():
        print(f"{name:32}{value:8.2f}")


if __name__ == "__main__":
    main()
