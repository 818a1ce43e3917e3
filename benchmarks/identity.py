"""Which of our beers, or none: the matcher beside other classifiers on the same invented batches.

All beers, batches and scans are invented (`specmatch.demo.brewery`). For each seed the classifiers learn from 4, 8
and 15 batches of each of twelve beers, three pours a batch, and judge ten new batches of each beer and forty batches
of beers that are none of the twelve, drawn over the same colours. Each may refuse; a rival does so by the threshold
on its own score that refuses the stated part of the new house batches, the best it could have.

Run: python benchmarks/identity.py [--seeds 10] [--curve identity.png] [--json identity.json]
"""

import argparse
import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.decomposition import PCA
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.ensemble import RandomForestClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC

from specmatch.demo.brewery import Brewery, SimulatedHouse
from specmatch.maths.classification.class_model import fit_class_model
from specmatch.maths.spectra.channels import usable_band
from specmatch.maths.spectra.transforms import absorbance
from specmatch.maths.statistics.levels import Levels, binomial_bounds, mean_by

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SIZES, N_NEW, N_FOREIGN, N_POURS = (4, 8, 15), 10, 40, 3
RATES = (0.01, 0.05)
OURS = "specmatch"


class Scans:
    """Pours of one draw: reflectance, sample code of each pour, beer code of each sample (-1: none of ours)."""

    def __init__(self, house: SimulatedHouse, beers: tuple[str, ...]) -> None:
        self.reflectance = house.spectra.to_numpy()
        self.sample, samples = pd.factorize(house.scans["sample"])
        batch = house.scans.groupby("sample", sort=False)["batch"].first().loc[samples]
        names = house.batches.loc[batch, "beer"]
        self.beer = np.array([beers.index(name) if name in beers else -1 for name in names])

    def first(self, n_batches: int) -> "Scans":
        """The first `n_batches` batches of each beer."""
        kept = np.zeros(self.beer.size, bool)
        for beer in np.unique(self.beer):
            kept[np.flatnonzero(self.beer == beer)[:n_batches]] = True
        part = object.__new__(Scans)
        rows = kept[self.sample]
        part.reflectance = self.reflectance[rows]
        part.sample = np.unique(self.sample[rows], return_inverse=True)[1]
        part.beer = self.beer[kept]
        return part

    def rows(self, band: NDArray[np.bool_], n_pours: int) -> Floats:
        """Mean reflectance of the first `n_pours` pours of each sample."""
        turn = pd.Series(self.sample).groupby(self.sample).cumcount().to_numpy()
        used = turn < n_pours
        return mean_by(self.reflectance[used][:, band], self.sample[used])[0]


# a classifier: learns rows and beers, then gives nearest beer and a score of how sure it is (higher: more)
Judge = Callable[[Floats], tuple[Ints, Floats]]


def nearest_neighbour(rows: Floats, beer: Ints) -> Judge:
    def judge(new: Floats) -> tuple[Ints, Floats]:
        distance = np.linalg.norm(new[:, None, :] - rows, axis=2)
        return beer[distance.argmin(axis=1)], -distance.min(axis=1)

    return judge


def by_scikit_learn(model, score: str) -> Callable[[Floats, Ints], Judge]:  # type: ignore[no-untyped-def]
    def learn(rows: Floats, beer: Ints) -> Judge:
        model.fit(rows, beer)

        def judge(new: Floats) -> tuple[Ints, Floats]:
            return model.predict(new), getattr(model, score)(new).max(axis=1)

        return judge

    return learn


def lda_on_components(rows: Floats, beer: Ints) -> Judge:
    """Linear discriminants on principal components; refuses by the Mahalanobis distance to the nearest mean."""
    model = make_pipeline(PCA(min(8, len(rows) - 13)), LinearDiscriminantAnalysis())
    model.fit(rows, beer)
    scores = model.transform(rows)
    means = np.array([scores[beer == k].mean(axis=0) for k in range(beer.max() + 1)])

    def judge(new: Floats) -> tuple[Ints, Floats]:
        distance = np.linalg.norm(model.transform(new)[:, None, :] - means, axis=2)
        return model.predict(new), -distance.min(axis=1)

    return judge


RIVALS: dict[str, Callable[[Floats, Ints], Judge]] = {
    "1-nearest-neighbour": nearest_neighbour,
    "LDA on components": lda_on_components,
    "support vectors": by_scikit_learn(make_pipeline(StandardScaler(), SVC(C=100.0)), "decision_function"),
    "random forest": by_scikit_learn(RandomForestClassifier(300, random_state=0, n_jobs=1), "predict_proba"),
}


def judged(seed: int) -> list[dict[str, object]]:
    """Scores of every classifier on one seed: a row for each size, classifier and number of pours."""
    brewery = Brewery(seed)
    past = Scans(brewery.draw(max(SIZES), n_pours=N_POURS, draw=0), brewery.beers)
    new = Scans(brewery.draw(N_NEW, n_pours=N_POURS, draw=1), brewery.beers)
    foreign = Scans(brewery.foreign(N_FOREIGN, n_pours=N_POURS, draw=1), brewery.beers)
    found = []
    for size in SIZES:
        train = past.first(size)
        band = usable_band(train.reflectance, train.sample)
        started = time.process_time()
        fit = fit_class_model(
            train.reflectance[:, band], Levels.of_pours(train.sample, train.sample, train.beer[train.sample])
        )
        seconds = time.process_time() - started
        learned = {name: learn(absorbance(train.rows(band, N_POURS)), train.beer) for name, learn in RIVALS.items()}
        for n_pours in (N_POURS, 1):
            house, others = new.rows(band, n_pours), foreign.rows(band, n_pours)
            match = fit.match(house, np.full(len(house), n_pours))
            p_value = fit.match(others, np.full(len(others), n_pours)).p_value.max(axis=1)
            right = match.distance.argmin(axis=1) == new.beer
            own = match.p_value[np.arange(len(house)), new.beer]
            row = {"seed": seed, "batches": size, "pours": n_pours}
            found.append({**row, "name": OURS, "right": right, "own": own, "foreign": p_value, "seconds": seconds})
            for name, judge in learned.items():
                nearest, score = judge(absorbance(house))
                sure = judge(absorbance(others))[1]
                found.append({**row, "name": name, "right": nearest == new.beer, "own": score, "foreign": sure})
    return found


def summary(found: list[dict[str, object]]) -> pd.DataFrame:
    """One row for each size, number of pours and classifier, over all seeds."""
    rows = []
    for (pours, size, name), part in pd.DataFrame(found).groupby(["pours", "batches", "name"], sort=False):
        right = np.concatenate(list(part["right"]))
        row = {"pours": pours, "batches": size, "name": name, "right": right.mean(), "errors": int((~right).sum())}
        for rate in RATES:
            at = [
                (foreign <= np.quantile(own, rate)).mean()
                for own, foreign in zip(part["own"], part["foreign"], strict=True)
            ]
            row[f"foreign refused at an equal {rate:.0%}"] = np.mean(at)
        if name == OURS:
            row["false reject at 5 %"] = np.mean([(own <= 0.05).mean() for own in part["own"]])
            row["foreign refused at 5 %"] = np.mean([(foreign <= 0.05).mean() for foreign in part["foreign"]])
            row["fit s"] = part["seconds"].mean()
        rows.append(row)
    return pd.DataFrame(rows)


def draw_curve(found: list[dict[str, object]], path: Path) -> None:
    """Draw foreign beers refused against house batches refused, 8 batches and 3 pours, every classifier."""
    from matplotlib.figure import Figure

    table = pd.DataFrame(found)
    table = table[(table["batches"] == 8) & (table["pours"] == N_POURS)]
    axes = (figure := Figure(figsize=(6.0, 4.5), layout="constrained")).subplots()
    rates = np.linspace(0.0, 0.25, 51)
    for name, part in table.groupby("name", sort=False):
        refused = [
            [(foreign <= np.quantile(own, rate)).mean() for rate in rates]
            for own, foreign in zip(part["own"], part["foreign"], strict=True)
        ]
        axes.plot(100 * rates, 100 * np.mean(refused, axis=0), label=name, lw=2.5 if name == OURS else 1.2)
    axes.set(xlabel="house batches refused, %", ylabel="foreign beers refused, %", ylim=(0, 100))
    axes.set_title("Invented brewery, 8 batches a beer, 3 pours")
    axes.legend(frameon=False, loc="center right", bbox_to_anchor=(1.0, 0.69))
    figure.savefig(path, dpi=140)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--curve", type=Path)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    found = []
    for seed in range(options.seeds):
        found += judged(seed)
        print(f"seed {seed} done", flush=True)
    table = summary(found)
    print(table.round(4).to_string(index=False, na_rep=""))
    best = table[(table["name"] != OURS) & (table["pours"] == N_POURS) & (table["batches"] == 8)]["errors"].min()
    ours = table[(table["name"] == OURS) & (table["pours"] == N_POURS) & (table["batches"] == 8)]["errors"].iloc[0]
    n = options.seeds * N_NEW * 12
    low, high = binomial_bounds(ours, n)
    print(f"8 batches, 3 pours: {ours} of {n} misnamed ({low:.2%}-{high:.2%}), best rival {best}")
    if options.curve:
        draw_curve(found, options.curve)
    if options.json:
        options.json.write_text(json.dumps(json.loads(table.to_json(orient="records")), indent=1) + "\n")


if __name__ == "__main__":
    main()
