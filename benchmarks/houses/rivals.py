"""What the library is held against: plain PLS, a Gaussian process on its scores, a rule that knows the simulator."""

import numpy as np
from numpy.typing import NDArray
from sklearn.cross_decomposition import PLSRegression
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from sklearn.model_selection import GroupKFold
from sklearn.preprocessing import StandardScaler

from benchmarks.houses.house import Moments

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

MOST_COMPONENTS, FOLDS, DARKEST = 15, 5, 1e-3


def log_absorbance(R: Floats) -> Floats:
    """Return -log10 R, of reflectance that is at least 0.001."""
    return -np.log10(np.maximum(R, DARKEST))


def _by_components(fitted: PLSRegression, X: Floats) -> Floats:
    """Predictions with 1, 2, ... components of one fit, shape (components, n)."""
    each = fitted.transform(X) * fitted.y_loadings_[0]
    return fitted.intercept_[0] + np.cumsum(each, axis=1).T


class PlainPLS:
    """Unweighted PLS on absorbance of the pours; components by grouped five-fold root mean square error."""

    def __init__(self, R: Floats, batch: Codes, lab: Floats) -> None:
        X, y = log_absorbance(R), lab[batch]
        folds = list(GroupKFold(FOLDS).split(X, y, batch))
        most = min(MOST_COMPONENTS, X.shape[1], min(len(np.unique(batch[train])) for train, _ in folds) - 1)
        squares = np.zeros(most)
        for train, test in folds:
            fitted = PLSRegression(most, scale=False).fit(X[train], y[train])
            squares += ((_by_components(fitted, X[test]) - y[test]) ** 2).sum(axis=1)
        self.n_components = int(np.argmin(squares)) + 1
        self.fitted = PLSRegression(self.n_components, scale=False).fit(X, y)

    def predict(self, R: Floats) -> Floats:
        """Return colours of pours or means."""
        return _by_components(self.fitted, log_absorbance(R))[-1]


class ProcessOnScores:
    """A Gaussian process for log colour on the standardised PLS scores of batch means."""

    def __init__(self, pls: PlainPLS, means: Floats, lab: Floats) -> None:
        self._pls = pls
        scores = pls.fitted.transform(log_absorbance(means))
        self._scale = StandardScaler().fit(scores)
        wide = np.ones(scores.shape[1])
        kernel = ConstantKernel(10.0, (1e-2, 1e6)) * RBF(10.0 * wide, (1e-1, 1e6)) + WhiteKernel(1e-3, (1e-8, 1e1))
        self._fitted = GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=1, random_state=0)
        self._fitted.fit(self._scale.transform(scores), np.log(lab))

    def predict(self, means: Floats) -> Floats:
        """Return colours of sample means."""
        return np.exp(self._fitted.predict(self._scale.transform(self._pls.fitted.transform(log_absorbance(means)))))


def oracle_nearest(moments: Moments, features: Floats) -> Codes:
    """Return the most likely beer of each row by the simulator's own means and covariances (normal likelihood)."""
    q = moments.means.shape[1]
    score = []
    for mean, covariance in zip(moments.means, moments.covariances, strict=True):
        # a trace of the diagonal keeps a covariance of few draws invertible
        root = np.linalg.cholesky(covariance + 1e-6 * np.trace(covariance) / q * np.eye(q))
        z = np.linalg.solve(root, (features - mean).T)
        score.append(-0.5 * (z**2).sum(axis=0) - np.log(np.diag(root)).sum())
    return np.argmax(score, axis=0)
