"""Measured infrared spectra of other liquids: sugar of a fermentation, and where coffees come from.

The data are those of the package `chemotools` (MIT): ATR-FTIR of 60 coffees of three origins, and of 21 samples of a
fermentation with glucose by HPLC (P. Cabaneros Lopez and others, "Transforming data into information: a parallel hybrid
model for real-time state estimation in lignocellulose ethanol fermentations").
"""

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression

from specmatch.batches import batch_folds
from specmatch.models import BeerMatcher, ColourRegressor

datasets = pytest.importorskip("chemotools.datasets", reason="the `measured` extra is not installed")


def folds(n, strata=None):
    return batch_folds([str(k) for k in range(n)], 5, seed=0, strata=strata)


@pytest.mark.whole
def test_glucose_of_a_fermentation():
    spectra, hplc = datasets.load_fermentation_train()
    X, y = spectra.to_numpy(float), hplc.iloc[:, 0].to_numpy(float)
    assert X.shape == (21, 1047) and y.min() == 0.0  # zero is a value
    fold, squares, covered, plain = folds(21), np.zeros(21), np.zeros(21), np.zeros(21)
    for k in range(5):
        train, test = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
        model = ColourRegressor(regression=None).fit(X[train], y[train], groups=train)
        found = model.predict_interval(X[test], coverage=0.90)
        squares[test] = (found["colour"].to_numpy() - y[test]) ** 2
        covered[test] = (found["colour_low"] <= y[test]) & (y[test] <= found["colour_high"])
        plain[test] = (PLSRegression(6, scale=False).fit(X[train], y[train]).predict(X[test]).ravel() - y[test]) ** 2
    # channels of noise own the variance: PLS on the rows as they are errs by more than the spread of the values, 12 g/L
    assert np.sqrt(plain.mean()) > 10.0
    assert np.sqrt(squares.mean()) < 4.0
    # of 21 at 0.90, fewer than 16 would come once in a hundred
    assert covered.sum() >= 16


@pytest.mark.whole
def test_origin_of_coffees():
    spectra, labels = datasets.load_coffee()
    X, origin = spectra.to_numpy(float), labels.iloc[:, 0].to_numpy(str)
    assert X.shape[0] == 60 and set(np.unique(origin, return_counts=True)[1]) == {20}
    fold, right, own = folds(60, list(origin)), np.zeros(60), np.zeros(60)
    for k in range(5):
        train, test = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
        matcher = BeerMatcher(scale=None).fit(X[train], origin[train], groups=train)
        right[test] = matcher.predict(X[test]) == origin[test]
        plausible = matcher.match(X[test])["plausible_beers"]
        own[test] = [name in names for name, names in zip(origin[test], plausible, strict=True)]
    assert right.mean() >= 0.98
    # 60 right claims at a stated 5 %: more than 8 refused would come once in a hundred
    assert own.sum() >= 52
    for left_out in np.unique(origin):
        kept = np.flatnonzero(origin != left_out)
        matcher = BeerMatcher(scale=None).fit(X[kept], origin[kept], groups=kept)
        assert np.mean([names == () for names in matcher.match(X[origin == left_out])["plausible_beers"]]) >= 0.9
