"""The estimators on measured spectra of other liquids, held against common chemometrics, batches held out.

Run: python -m benchmarks.open_data FOLDER [--seeds 3] [--sets NAME ...] [--json]

FOLDER holds a folder a set, each of three tables: `spectra.csv` (`scan_id`, then a column a channel, values as they
were published), `scans.csv` (`scan_id`, `sample`, `batch`) and `batches.csv` (`batch`, `beer`: the class of it,
`colour`: its reference value, one and the same number where there is none). A set of several values is a regression, a
set of several classes an identity. Rows go to the estimators as they stand.

Five folds of whole batches for each seed; a batch is read as the mean of its rows. Regression: root mean square error
and its standard error over batches; `behind` is the mean squared error less that of the best rival, in standard errors
of the paired difference (at most 1: level). Intervals at 0.90, theirs by `mapie` (jackknife+ on the PLS of the rival).
Identity: the part given to its own class, and the part refused of each class left out in turn, at the limit at which
five per cent of held-out batches are refused by their own class, for every method alike.
"""

import argparse
import json
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from mapie.regression import CrossConformalRegressor
from numpy.typing import NDArray
from scipy.signal import savgol_filter
from sklearn.base import BaseEstimator
from sklearn.covariance import LedoitWolf
from sklearn.cross_decomposition import PLSRegression
from sklearn.decomposition import PCA
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from sklearn.linear_model import RidgeCV
from sklearn.model_selection import GridSearchCV, KFold, LeaveOneOut
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from specmatch.batches import batch_folds
from specmatch.models import BeerMatcher, ColourRegressor

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

FOLDS, COVERAGE, RATE = 5, 0.90, 0.05
MOST_COMPONENTS = 15


@dataclass(frozen=True)
class Measured:
    """A set: rows, the batch of each, and class and value of each batch."""

    name: str
    rows: Floats  # (n, p)
    batch: Codes  # (n,)
    classes: Codes  # (K,)
    value: Floats  # (K,)

    @property
    def means(self) -> Floats:
        """Return the mean row of each batch, shape (K, p)."""
        return pd.DataFrame(self.rows).groupby(self.batch).mean().to_numpy()

    def of(self, batches: Codes) -> Codes:
        """Return the rows of some batches."""
        return np.flatnonzero(np.isin(self.batch, batches))


def read_set(folder: Path) -> Measured:
    """Read the three tables of a set."""
    tables = [pd.read_csv(folder / f"{name}.csv", index_col=0) for name in ("spectra", "scans", "batches")]
    spectra, scans, batches = tables
    place = {name: code for code, name in enumerate(batches.index)}
    return Measured(
        folder.name,
        spectra.to_numpy(float),
        scans.loc[spectra.index, "batch"].map(place).to_numpy(np.int64),
        pd.factorize(batches["beer"])[0].astype(np.int64),
        batches["colour"].to_numpy(float),
    )


def snv(X: Floats) -> Floats:
    """Return rows less their mean, over their standard deviation."""
    return (X - X.mean(axis=1, keepdims=True)) / X.std(axis=1, keepdims=True)


def derivative(X: Floats) -> Floats:
    """Return first derivatives along the channels (Savitzky-Golay, 15 channels, degree 2)."""
    return savgol_filter(X, 15, 2, deriv=1, axis=1)


MADE: dict[str, Callable[[Floats], Floats]] = {"pls": np.asarray, "snv pls": snv, "derivative pls": derivative}


def _search(X: Floats, y: Floats) -> GridSearchCV:
    inner = KFold(FOLDS, shuffle=True, random_state=0)
    most = min(MOST_COMPONENTS, X.shape[1], len(X) - -(-len(X) // FOLDS) - 1)
    search = GridSearchCV(
        PLSRegression(scale=False), {"n_components": range(1, most + 1)}, cv=inner, scoring="neg_mean_squared_error"
    )
    return search.fit(X, y)


def _best_made(X: Floats, y: Floats) -> tuple[str, PLSRegression]:
    """Return the pretreatment whose PLS errs least in the inner folds, and that PLS."""
    searched = {name: _search(made(X), y) for name, made in MADE.items()}
    best = max(searched, key=lambda name: searched[name].best_score_)
    return best, searched[best].best_estimator_


def _process_on_scores(X: Floats, y: Floats) -> Callable[[Floats], Floats]:
    pls = _search(X, y).best_estimator_
    wide = np.ones(pls.n_components)
    kernel = ConstantKernel(10.0, (1e-2, 1e6)) * RBF(10.0 * wide, (1e-1, 1e6)) + WhiteKernel(1e-3, (1e-8, 1e1))
    process = make_pipeline(
        StandardScaler(), GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=1, random_state=0)
    ).fit(pls.transform(X), y)
    return lambda rows: process.predict(pls.transform(rows))


def rivals(X: Floats, y: Floats) -> dict[str, Callable[[Floats], Floats]]:
    """Fit what the regression is held against, on one row a batch."""
    by_pls = {name: _search(made(X), y).best_estimator_ for name, made in MADE.items()}
    ridge = make_pipeline(StandardScaler(with_std=False), RidgeCV(np.geomspace(1e-8, 1e4, 25))).fit(X, y)
    scores, snv_scores = _process_on_scores(X, y), _process_on_scores(snv(X), y)
    return {
        **{name: lambda rows, name=name: by_pls[name].predict(MADE[name](rows)) for name in MADE},
        "ridge": ridge.predict,
        "gp": scores,
        "snv gp": lambda rows: snv_scores(snv(rows)),
    }


def _mapie(X: Floats, y: Floats, rows: Floats) -> Floats:
    """Return jackknife+ limits of PLS on the best of the pretreatments, shape (n, 2)."""
    name, pls = _best_made(X, y)
    X, rows = MADE[name](X), MADE[name](rows)
    fixed = PLSRegression(pls.n_components, scale=False)
    made = CrossConformalRegressor(fixed, confidence_level=COVERAGE, method="plus", cv=LeaveOneOut())
    return made.fit_conformalize(X, y).predict_interval(rows)[1][:, :, 0]


def ours(train: Floats, value: Floats, groups: Codes) -> BaseEstimator:
    """Fit the regression of the library."""
    return ColourRegressor(regression=None).fit(train, value, groups=groups)


def regression(measured: Measured, seeds: int) -> dict[str, object]:
    """Return errors, coverage and widths of a set."""
    means, y = measured.means, measured.value
    squares: dict[str, Floats] = {}
    covered: dict[str, list[Floats]] = {"ours": [], "mapie": []}
    width: dict[str, list[Floats]] = {"ours": [], "mapie": []}
    pours = np.bincount(measured.batch)
    for seed in range(seeds):
        fold = batch_folds([str(k) for k in range(y.size)], FOLDS, seed=seed)
        for k in range(FOLDS):
            train, test = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
            own = measured.of(train)
            model = ours(measured.rows[own], y[measured.batch[own]], measured.batch[own])
            table = model.predict_interval(means[test], coverage=COVERAGE, n_pours=pours[test])
            found = {"ours": table["colour"].to_numpy()}
            found |= {name: rival(means[test]) for name, rival in rivals(means[train], y[train]).items()}
            limits = {
                "ours": table[["colour_low", "colour_high"]].to_numpy(),
                "mapie": _mapie(means[train], y[train], means[test]),
            }
            for name, predicted in found.items():
                squares.setdefault(name, np.zeros(y.size))[test] += (np.ravel(predicted) - y[test]) ** 2 / seeds
            for name, ends in limits.items():
                covered[name].append((ends[:, 0] <= y[test]) & (y[test] <= ends[:, 1]))
                width[name].append(ends[:, 1] - ends[:, 0])
    rmsep = {name: float(np.sqrt(each.mean())) for name, each in squares.items()}
    best = min((name for name in rmsep if name != "ours"), key=rmsep.__getitem__)
    difference = squares["ours"] - squares[best]
    root_n = np.sqrt(y.size)
    return {
        "set": measured.name,
        "batches": y.size,
        **rmsep,
        "se": float(squares["ours"].std(ddof=1) / root_n / (2.0 * rmsep["ours"])),
        "best": best,
        "behind": float(difference.mean() / (difference.std(ddof=1) / root_n)),
        **{f"covered {name}": float(np.concatenate(each).mean()) for name, each in covered.items()},
        **{f"width {name}": float(np.median(np.concatenate(each))) for name, each in width.items()},
    }


class Scores:
    """Distance to each class on principal scores: LDA's within-class scatter, or the nearest batch (kNN)."""

    def __init__(self, X: Floats, classes: Codes, kind: str) -> None:
        self.kind, self.classes = kind, np.unique(classes)
        inner = KFold(FOLDS, shuffle=True, random_state=0)
        most = min(30, len(X) - -(-len(X) // FOLDS) - self.classes.size - 1)
        search = GridSearchCV(
            Pipeline([("pca", PCA(random_state=0)), ("lda", LinearDiscriminantAnalysis(solver="lsqr"))]),
            {"pca__n_components": range(1, most + 1)}, cv=inner,
        )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # classes that a fold lacks
            self.pca = PCA(search.fit(X, classes).best_params_["pca__n_components"], random_state=0).fit(X)
        z = self.pca.transform(X)
        self.means = np.array([z[classes == k].mean(axis=0) for k in self.classes])
        within = z - self.means[np.searchsorted(self.classes, classes)]
        scatter = LedoitWolf().fit(within / within.std(axis=0))
        self.whiten = np.linalg.cholesky(scatter.precision_).T / within.std(axis=0)
        self.rows, self.row_class = z @ self.whiten.T, classes

    def distances(self, rows: Floats) -> Floats:
        """Return the distance of each row to each class, shape (n, classes)."""
        z = self.pca.transform(rows) @ self.whiten.T
        if self.kind == "lda":
            return np.linalg.norm(z[:, None] - self.means @ self.whiten.T, axis=2)
        to_rows = np.linalg.norm(z[:, None] - self.rows, axis=2)
        return np.array([to_rows[:, self.row_class == k].min(axis=1) for k in self.classes]).T


METHODS = ("ours", "lda", "knn", "snv lda")


def _strangeness(method: str, measured: Measured, train: Codes, test: Codes) -> tuple[Floats, Codes, Codes]:
    """Return how unlike each class each test batch is, the nearest class of each, and the classes."""
    classes = np.unique(measured.classes[train])
    if method != "ours":
        kind, made = method.rsplit(" ", 1)[-1], snv if method.startswith("snv") else np.asarray
        fitted = Scores(made(measured.means[train]), measured.classes[train], kind)
        far = fitted.distances(made(measured.means[test]))
        return far, fitted.classes[far.argmin(axis=1)], classes
    own = measured.of(train)
    matcher = BeerMatcher(scale=None).fit(
        measured.rows[own], measured.classes[measured.batch[own]], groups=measured.batch[own]
    )
    found = matcher.typicality_.match(measured.means[test], np.bincount(measured.batch)[test])
    return -found.p_value, matcher.classes_[found.distance.argmin(axis=1)], classes


def identity(measured: Measured, seeds: int) -> list[dict[str, object]]:
    """Return what is right and what is refused, a row a method."""
    n, out = measured.classes.size, []
    kinds = np.unique(measured.classes)
    for method in METHODS:
        own, right = np.full((seeds, n), np.nan), np.zeros((seeds, n))
        for seed in range(seeds):
            fold = batch_folds([str(k) for k in range(n)], FOLDS, seed=seed, strata=[str(k) for k in measured.classes])
            for k in range(FOLDS):
                train, test = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
                far, nearest, classes = _strangeness(method, measured, train, test)
                right[seed, test] = nearest == measured.classes[test]
                own[seed, test] = far[np.arange(test.size), np.searchsorted(classes, measured.classes[test])]
        limit = np.quantile(own, 1.0 - RATE)
        refused = np.zeros(n)
        for kind in kinds if kinds.size > 2 else ():
            test = np.flatnonzero(measured.classes == kind)
            far = _strangeness(method, measured, np.flatnonzero(measured.classes != kind), test)[0]
            refused[test] = far.min(axis=1) > limit
        row = {"set": measured.name, "batches": n, "classes": kinds.size, "method": method}
        row |= {"right": float(right.mean()), "refused": float(refused.mean()) if kinds.size > 2 else float("nan")}
        if method == "ours":
            row["false reject"] = float((-own <= RATE).mean())
        out.append(row)
    return out


def main() -> None:
    """Print the tables of every set in the folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--sets", nargs="+", default=None, help="only these")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    folders = sorted(path.parent for path in args.folder.glob("*/batches.csv"))
    by_value, by_class = [], []
    for folder in folders:
        if args.sets and folder.name not in args.sets:
            continue
        measured = read_set(folder)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            if np.ptp(measured.value) > 0:
                by_value.append(regression(measured, args.seeds))
            if np.unique(measured.classes).size > 1:
                by_class += identity(measured, args.seeds)
        print(f"done: {folder.name}", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps({"regression": by_value, "identity": by_class}, indent=1))
        return
    for title, rows in (("regression", by_value), ("identity", by_class)):
        if rows:
            print(f"{title}, {FOLDS} folds of whole batches, {args.seeds} seeds")
            print(pd.DataFrame(rows).round(3).to_string(index=False), "\n")


if __name__ == "__main__":
    main()
