"""Weighted partial least squares for one response, with all left-out sets and all component counts at once."""

# The kernel form needs only X'WX and X'Wy. A model without some rows follows from the whole by taking away those rows'
# own part and the rank-one term of the new mean, so that hundreds of cross-validation folds cost little more than a
# fit. Sources: B. S. Dayal, J. F. MacGregor, J. Chemometrics 11:73-85, 1997 (the kernel algorithm); O.-C. G. Engstroem,
# M. H. Jensen, J. Chemometrics, DOI 10.1002/cem.70008 (folds from the whole).

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.errors import OptionError
from specmatch.maths.regression.rows_and_responses import (
    ABSORBANCE,
    LOG,
    SHARE_OF_LEAST,
    Response,
    SpectralRows,
    learn_rows,
)
from specmatch.maths.spectra.transforms import absorbance
from specmatch.maths.statistics.levels import rows_of

# A component whose covariance with the response is this much smaller than the first one's is rounding, not signal:
# float64 carries 16 digits, and products of squares lose half of them.
EXHAUSTED = 1e-12


@dataclass(frozen=True)
class PlsModels:
    """Linear models of 1 .. A components, for one or more training sets."""

    coefficients: Floats  # (n_models, A, p): in raw units of the spectra; row `a` is the model of `a + 1` components
    intercept: Floats  # (n_models, A)
    rotation: Floats  # (n_models, A, p): scores of a spectrum are its centred values times these
    # (n_models, A): weighted sum of squares of the training scores; scores are orthogonal under the weights
    score_square: Floats
    centre: Floats  # (n_models, p): weighted mean of the training spectra
    total_weight: Floats  # (n_models,)

    def predict(self, spectra: ArrayLike) -> Floats:
        """Return predictions, shape (n_models, A, n), for spectra of shape (n, p)."""
        return self.coefficients @ np.asarray(spectra, float).T + self.intercept[:, :, None]


_NOBODY = np.zeros(0, np.int64)


def fit_pls(
    spectra: ArrayLike, response: ArrayLike, n_components: int, weight: ArrayLike | None = None,
    *, without: Sequence[Ints] = (_NOBODY,),
) -> PlsModels:  # fmt: skip
    """Fit weighted PLS models of every count of components up to `n_components`, a series without each set of rows."""
    # spectra (n, p), response (n,), weight (n,), without (rows of the set,)
    X, y, left_out = np.asarray(spectra, float), np.asarray(response, float), without
    n, p = X.shape
    smallest = n - max((len(rows) for rows in left_out), default=0)
    if not 1 <= n_components <= min(smallest - 1, p):
        raise OptionError(
            f"{n_components} components asked; the smallest training set has {smallest} rows and {p} wavelengths, "
            f"so 1 to {min(smallest - 1, p)} can be fitted"
        )
    w = np.ones(n) if weight is None else np.asarray(weight, float)
    total = w.sum()
    x_mean, y_mean = w @ X / total, w @ y / total
    root = np.sqrt(w)
    X = X - x_mean
    X *= root[:, None]
    y = root * (y - y_mean)
    S, s = X.T @ X, X.T @ y
    blocks, answers = [X[out] for out in left_out], [y[out] for out in left_out]

    kept = np.array([total - w[out].sum() for out in left_out])
    # mean of each training set, from what is missing of the whole, whose mean is 0
    shift = np.array([-root[out] @ block for out, block in zip(left_out, blocks, strict=True)]) / kept[:, None]
    level = np.array([-root[out] @ answer for out, answer in zip(left_out, answers, strict=True)]) / kept
    start = np.array([s - answer @ block for answer, block in zip(answers, blocks, strict=True)])
    start -= (kept * level)[:, None] * shift

    def times_scatter(r: Floats) -> Floats:
        product = r @ S - (kept * np.einsum("gp,gp->g", shift, r))[:, None] * shift
        for g, block in enumerate(blocks):
            product[g] -= (block @ r[g]) @ block
        return product

    coefficients, rotation, score_square = _components(start, times_scatter, n_components)
    return PlsModels(
        coefficients=coefficients,
        intercept=y_mean + level[:, None] - np.einsum("gap,gp->ga", coefficients, x_mean + shift),
        rotation=rotation,
        score_square=score_square,
        centre=x_mean + shift,
        total_weight=kept,
    )


def _components(
    start: Floats, times_scatter: Callable[[Floats], Floats], n_components: int
) -> tuple[Floats, Floats, Floats]:
    """Run the kernel recursion for all training sets side by side: coefficients, rotation, squares of scores."""
    n_models, p = start.shape
    c = start.copy()
    first = np.linalg.norm(start, axis=1)
    R = np.zeros((n_models, n_components, p))
    P = np.zeros((n_models, n_components, p))
    coefficients = np.zeros((n_models, n_components, p))
    score_square = np.zeros((n_models, n_components))
    b = np.zeros((n_models, p))
    for a in range(n_components):
        size = np.linalg.norm(c, axis=1)
        alive = size > EXHAUSTED * first
        w = np.where(alive, 1.0 / np.where(alive, size, 1.0), 0.0)[:, None] * c
        if a:
            w -= np.matmul(np.matmul(P[:, :a], w[:, :, None]).transpose(0, 2, 1), R[:, :a])[:, 0]
        Sr = times_scatter(w)
        tau = np.einsum("gp,gp->g", w, Sr)
        alive &= tau > 0
        inverse = np.where(alive, 1.0 / np.where(alive, tau, 1.0), 0.0)
        q = np.einsum("gp,gp->g", w, start) * inverse
        R[:, a], P[:, a], score_square[:, a] = w, Sr * inverse[:, None], np.where(alive, tau, 0.0)
        c -= Sr * q[:, None]
        b += w * q[:, None]
        coefficients[:, a] = b
    return coefficients, R, score_square


MOST_COMPONENTS = 15
FEWEST_BATCHES_FOR_PLS = 8
INNER_FOLDS = 5

# Above this the components are chosen once: one batch in hundreds does not move the choice.
MOST_BATCHES_TO_CHOOSE = 150

# Folds of a first look, and how far beyond the bar they must lie: errors of tenths left out are a little larger.
FEW_FOLDS, CLEARLY = 10, 1.2


@dataclass(frozen=True)
class PlsRegression:
    """A fitted partial least squares regression; see `fit_pls_regression`."""

    inputs: str  # `"absorbance"`, or a kind of `SpectralRows`
    n_components: int
    coefficients: Floats  # coefficients, intercept: (p,): of colour on the inputs, in their raw units
    intercept: float
    # fold_coefficients, fold_intercept: (K, p): of the models without each batch, components chosen without it too
    fold_coefficients: Floats
    fold_intercept: Floats
    # rotation, score_square, centre, total_weight: as in `PlsModels`, of the final model: they give the variance of a
    # prediction
    rotation: Floats
    score_square: Floats
    centre: Floats
    total_weight: float
    palest: float  # smallest colour that is answered
    choice_error: float  # choice_error, choice_error_without: (K,): as in `ProcessRegression`
    choice_error_without: Floats
    response: Response = LOG
    rows: SpectralRows | None = None  # None: plain absorbance

    def predict(self, reflectance: ArrayLike) -> tuple[Floats, Floats]:
        """Return responses, shape (n,), and their variance by the weighted least squares of the scores."""
        rows = self._rows(reflectance)
        colour = np.maximum(rows @ self.coefficients + self.intercept, self.palest)
        steepness = 1.0 / (self.response.unit * (colour if self.response.logarithmic else 1.0))
        score = (rows - self.centre) @ self.rotation.T
        variance = 1.0 / self.total_weight + (score**2 / self.score_square).sum(axis=1)
        return self.response.of(colour), variance * steepness**2

    def predict_without(self, reflectance: ArrayLike) -> Floats:
        """Return responses by the models without each batch, shape (n, K)."""
        rows = self._rows(reflectance)
        return self.response.of(np.maximum(rows @ self.fold_coefficients.T + self.fold_intercept, self.palest))

    def predict_with_and_without(self, reflectance: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return what `predict` and `predict_without` do, shapes (n,), (n,) and (n, K)."""
        return *self.predict(reflectance), self.predict_without(reflectance)

    def predict_held_out(self, reflectance: ArrayLike, batch: Ints) -> tuple[Floats, Floats]:
        """Return what `predict` does, (n,) each, by the model without the batch at position `batch` of each row."""
        # one batch in many moves the variance little: it is that of the whole
        colour = np.einsum("np,np->n", self._rows(reflectance), self.fold_coefficients[batch])
        response = self.response.of(np.maximum(colour + self.fold_intercept[batch], self.palest))
        return response, self.predict(reflectance)[1]

    def _rows(self, reflectance: ArrayLike) -> Floats:
        return absorbance(reflectance) if self.rows is None else self.rows.of(reflectance)


def one_standard_error(square: ArrayLike) -> int:
    """Return the fewest components whose held-out error is within one standard error of the least."""
    # L. Breiman, J. H. Friedman, R. A. Olshen, C. J. Stone, *Classification and Regression Trees*, 1984, section 3.4.3
    # (reference from memory). The standard error is that of the difference, batch by batch: that of the least error
    # itself is so large where a few batches err most that everything lies within it.
    # square (A, n)
    errors = np.asarray(square, float)
    behind = errors - errors[int(np.argmin(errors.mean(axis=1)))]
    slack = behind.std(axis=1, ddof=1) / np.sqrt(errors.shape[1]) if errors.shape[1] > 1 else 0.0
    return int(np.argmax(behind.mean(axis=1) <= slack)) + 1


@dataclass(frozen=True)
class _Batches:
    """What PLS is fitted to."""

    rows: Floats  # (K, p)
    colour: Floats  # colour, weight: (K,)
    weight: Floats
    palest: float  # no prediction is counted as paler
    response: Response
    share: Floats  # (K,): what the squared error of each batch counts, 1 on average

    def without(self, sets: list[Ints], most: int) -> tuple[PlsModels, list[Floats]]:
        """Fit without each set, and return the squared errors of the response in it, shape (A, rows of the set)."""
        models = fit_pls(self.rows, self.colour, most, self.weight, without=sets)
        known, squares = self.response.of(self.colour), []
        for coefficients, intercept, out in zip(models.coefficients, models.intercept, sets, strict=True):
            found = np.maximum(coefficients @ self.rows[out].T + intercept[:, None], self.palest)
            squares.append(self.share[out] * (self.response.of(found) - known[out]) ** 2)
        return models, squares


def fit_pls_regression(
    reflectance: Floats,
    colour: Floats,
    sd: Floats,
    inputs: str,
    worst_error: float = np.inf,
    *,
    response: Response = LOG,
    share: Floats | None = None,
) -> PlsRegression | None:
    """Fit weighted PLS to batch means, choosing the components by the error of the response of held-out batches."""
    # reflectance (K, p), colour, sd, share (K,)
    made = None if inputs == ABSORBANCE and response == LOG else learn_rows(reflectance, inputs)
    rows = absorbance(reflectance) if made is None else made.of(reflectance)
    n, p = rows.shape
    palest = SHARE_OF_LEAST * float(colour.min()) if response.logarithmic else -np.inf
    batches = _Batches(rows, colour, sd**-2.0, palest, response, np.ones(n) if share is None else share)
    most = min(MOST_COMPONENTS, n - 2 - -(-(n - 1) // INNER_FOLDS), p)
    if np.isfinite(worst_error):
        # a regression that is hopeless by a few folds is not worth one fold a batch
        rough = np.concatenate(batches.without(rows_of(np.arange(n) % FEW_FOLDS), most)[1], axis=1)
        if rough.mean(axis=1).min() > CLEARLY * worst_error:
            return None
    folds, squares = batches.without(rows_of(np.arange(n)), most)
    error = np.concatenate(squares, axis=1)
    chosen = one_standard_error(error)
    if error.mean(axis=1).min() > worst_error:
        return None
    if n > MOST_BATCHES_TO_CHOOSE:
        choice, without = np.full(n, chosen), np.full(n, error[chosen - 1].mean())
    else:
        choice, without = _chosen_without(batches, most)
    final = fit_pls(rows, colour, chosen, batches.weight)
    at = np.arange(n)
    used = final.score_square[0] > 0
    return PlsRegression(
        inputs=inputs,
        n_components=chosen,
        coefficients=final.coefficients[0, -1],
        intercept=float(final.intercept[0, -1]),
        fold_coefficients=folds.coefficients[at, choice - 1],
        fold_intercept=folds.intercept[at, choice - 1],
        rotation=final.rotation[0][used],
        score_square=final.score_square[0][used],
        centre=final.centre[0],
        total_weight=float(final.total_weight[0]),
        palest=batches.palest,
        choice_error=float(error[chosen - 1].mean()),
        choice_error_without=without,
        response=response,
        rows=made,
    )


def _chosen_without(batches: _Batches, most: int) -> tuple[Ints, Floats]:
    """Return the components that the others choose without each batch, and their mean square error, shape (K,)."""
    n = len(batches.rows)
    choice, without = np.empty(n, np.int64), np.empty(n)
    inner = rows_of(np.arange(n - 1) % INNER_FOLDS)
    sets = [np.append(np.delete(np.arange(n), i)[members], i) for i in range(n) for members in inner]
    nested, k = batches.without(sets, most)[1], len(inner)
    for i in range(n):
        # the last column of each set is batch i itself, which chooses nothing
        own = np.concatenate([errors[:, :-1] for errors in nested[i * k : (i + 1) * k]], axis=1)
        choice[i] = one_standard_error(own)
        without[i] = own[choice[i] - 1].mean()
    return choice, without
