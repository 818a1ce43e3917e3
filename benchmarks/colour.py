"""Colour regression side by side with plain rivals, on the invented brewery. Run: python -m benchmarks.colour

For each seed: 12 beers x 8 batches x 3 pours to fit, 12 new batches a beer to test; errors of samples against the true
colour, which only the simulation knows. All data are invented.
"""

import argparse
import json
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from sklearn.cross_decomposition import PLSRegression
from sklearn.ensemble import RandomForestRegressor
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import GroupKFold, KFold, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import PolynomialFeatures, StandardScaler

from specmatch.demo.brewery import Brewery, SimulatedHouse
from specmatch.maths.regression.colour_model import fit_colour
from specmatch.maths.spectra.channels import usable_band
from specmatch.maths.spectra.transforms import absorbance
from specmatch.maths.statistics.levels import Levels, mean_by

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

PALE_EBC = 12.0
MOST_COMPONENTS = 15


def arrays(house: SimulatedHouse) -> tuple[Floats, Codes, Floats, Floats]:
    """Return reflectance of the pours, batch code of each, lab and true colour of each batch."""
    code = {name: i for i, name in enumerate(house.batches.index)}
    batch = house.scans["batch"].map(code).to_numpy()
    return (
        house.spectra.to_numpy(),
        batch,
        house.batches["colour"].to_numpy(float),
        house.true_colour.loc[house.batches.index].to_numpy(),
    )


def plain_pls(R: Floats, batch: Codes, lab: Floats, new: Floats) -> Floats:
    """Unweighted PLS on absorbance of the pours, components by grouped five-fold RMSE."""
    X, y = absorbance(R), lab[batch]
    error = []
    for a in range(1, MOST_COMPONENTS + 1):
        squares = []
        for train, test in GroupKFold(5).split(X, y, batch):
            fitted = PLSRegression(a, scale=False).fit(X[train], y[train])
            squares.append((fitted.predict(X[test]).ravel() - y[test]) ** 2)
        error.append(np.concatenate(squares).mean())
    return PLSRegression(int(np.argmin(error)) + 1, scale=False).fit(X, y).predict(absorbance(new)).ravel()


def one_wavelength(R: Floats, batch: Codes, lab: Floats, new: Floats) -> Floats:
    """Log colour as a parabola of log absorbance at the one wavelength that held-out batches like best."""

    def features(rows: Floats, at: int) -> Floats:
        return np.log(np.maximum(absorbance(rows)[:, [at]], 1e-3))

    mean, answer = mean_by(R, batch)[0], np.log(lab)
    model, folds = make_pipeline(PolynomialFeatures(2), LinearRegression()), KFold(5, shuffle=True, random_state=0)
    error = [
        np.mean((cross_val_predict(model, features(mean, at), answer, cv=folds) - answer) ** 2)
        for at in range(R.shape[1])
    ]
    best = int(np.argmin(error))
    return np.exp(model.fit(features(mean, best), answer).predict(features(new, best)))


def gaussian_process(R: Floats, batch: Codes, lab: Floats, new: Floats) -> Floats:
    """scikit-learn's Gaussian process for log colour on standardised absorbance of batch means."""
    kernel = ConstantKernel(10.0, (1e-2, 1e5)) * RBF(10.0, (1e-1, 1e4)) + WhiteKernel(1e-3, (1e-8, 1e1))
    model = make_pipeline(
        StandardScaler(), GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=1, random_state=0)
    )
    return np.exp(model.fit(absorbance(mean_by(R, batch)[0]), np.log(lab)).predict(absorbance(new)))


def forest(R: Floats, batch: Codes, lab: Floats, new: Floats) -> Floats:
    """scikit-learn's random forest for log colour on absorbance of the pours."""
    model = RandomForestRegressor(200, random_state=0).fit(absorbance(R), np.log(lab[batch]))
    return np.exp(model.predict(absorbance(new)))


def one_seed(seed: int) -> dict[str, Floats]:
    """Return the relative errors of every method in one brewery, and the true colours under `true`."""
    brewery = Brewery(seed)
    house, later = brewery.draw(8, draw=0), brewery.draw(12, draw=1)
    R, batch, lab, _ = arrays(house)
    new_pours, new_batch, _, true = arrays(later)
    new = mean_by(new_pours, new_batch)[0]
    nm = house.spectra.columns.to_numpy(float)
    band = usable_band(R, batch)
    fit = fit_colour(R[:, band], lab[batch], Levels.of_pours(batch, batch), wavelength_nm=nm[band])
    methods: dict[str, Callable[[], Floats]] = {
        "specmatch": lambda: fit.predict(new[:, band]),
        "(a) PLS, full band": lambda: plain_pls(R, batch, lab, new),
        "(b) PLS, usable band": lambda: plain_pls(R[:, band], batch, lab, new[:, band]),
        "(c) one wavelength": lambda: one_wavelength(R[:, band], batch, lab, new[:, band]),
        "(d) Gaussian process": lambda: gaussian_process(R[:, band], batch, lab, new[:, band]),
        "(d) random forest": lambda: forest(R[:, band], batch, lab, new[:, band]),
    }
    return {name: predict() / true - 1.0 for name, predict in methods.items()} | {"true": true}


def main() -> None:
    """Print the table, or one JSON object."""
    parser = argparse.ArgumentParser(description="Colour regression against plain rivals, on invented data.")
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    runs = [one_seed(args.first_seed + k) for k in range(args.seeds)]
    true = np.concatenate([run.pop("true") for run in runs])
    rows = {}
    for name in runs[0]:
        error = np.concatenate([run[name] for run in runs])
        rows[name] = {
            "rms_percent": 100.0 * float(np.sqrt(np.mean(error**2))),
            "rms_percent_below_12_ebc": 100.0 * float(np.sqrt(np.mean(error[true < PALE_EBC] ** 2))),
            "median_percent": 100.0 * float(np.median(np.abs(error))),
        }
    ours = rows["specmatch"]["rms_percent"]
    best = min(row["rms_percent"] for name, row in rows.items() if name != "specmatch")
    summary = {
        "seeds": args.seeds,
        "over_full_band_pls": ours / rows["(a) PLS, full band"]["rms_percent"],
        "over_best_rival": ours / best,
        "methods": rows,
    }
    if args.json:
        print(json.dumps(summary))
        return
    print(
        f"Invented brewery, {args.seeds} seeds, {true.size} samples of 3 pours; relative error against true colour, %"
    )
    print(f"{'method':24s}{'RMS':>8s}{'< 12 EBC':>10s}{'median':>8s}")
    for name, row in rows.items():
        values = (row["rms_percent"], row["rms_percent_below_12_ebc"], row["median_percent"])
        print(f"{name:24s}{values[0]:8.2f}{values[1]:10.2f}{values[2]:8.2f}")
    print(f"ours over (a): {summary['over_full_band_pls']:.3f}; over the best rival: {summary['over_best_rival']:.3f}")


if __name__ == "__main__":
    main()
