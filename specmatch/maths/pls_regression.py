"""Colour of batches by weighted partial least squares on absorbance, components chosen by held-out batches."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats, Ints
from specmatch.maths.pls import PlsModels, fit_pls, fit_pls_without, left_out_sets
from specmatch.maths.process_regression import AS_GIVEN
from specmatch.maths.transforms import absorbance

MOST_COMPONENTS = 15
FEWEST_BATCHES_FOR_PLS = 8
INNER_FOLDS = 5

# Above this the components are chosen once: one batch in hundreds does not move the choice.
MOST_BATCHES_TO_CHOOSE = 150

# Folds of a first look, and how far beyond the bar they must lie: errors of tenths left out are a little larger.
FEW_FOLDS, CLEARLY = 10, 1.2

# A straight line may run below any colour; a reading is cut at this share of the palest lab colour.
SHARE_OF_PALEST = 0.1


@dataclass(frozen=True)
class PlsRegression:
    """A fitted partial least squares regression; see `fit_pls_regression`.

    Attributes
    ----------
    inputs : str
        `"as_given"`, or `"absorbance"`.
    n_components : int
    coefficients, intercept : ndarray, shape (p,); float
        Of colour on the inputs, in their raw units.
    fold_coefficients, fold_intercept : ndarray, shape (K, p) and (K,)
        Of the models without each batch, components chosen without it too.
    rotation, score_square, centre, total_weight
        As in `PlsModels`, of the final model: they give the variance of a prediction.
    palest : float
        Smallest colour that is answered.
    choice_error, choice_error_without : float; ndarray, shape (K,)
        As in `ProcessRegression`.
    """

    inputs: str
    n_components: int
    coefficients: Floats
    intercept: float
    fold_coefficients: Floats
    fold_intercept: Floats
    rotation: Floats
    score_square: Floats
    centre: Floats
    total_weight: float
    palest: float
    choice_error: float
    choice_error_without: Floats

    def predict(self, reflectance: ArrayLike) -> tuple[Floats, Floats]:
        """Return log colours, shape (n,), and their variance by the weighted least squares of the scores."""
        rows = self._rows(reflectance)
        colour = np.maximum(rows @ self.coefficients + self.intercept, self.palest)
        return np.log(colour), self._variance(rows) / colour**2

    def predict_without(self, reflectance: ArrayLike) -> Floats:
        """Return log colours by the models without each batch, shape (n, K)."""
        rows = self._rows(reflectance)
        return np.log(np.maximum(rows @ self.fold_coefficients.T + self.fold_intercept, self.palest))

    def predict_with_and_without(self, reflectance: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return what `predict` and `predict_without` do, shapes (n,), (n,) and (n, K)."""
        return *self.predict(reflectance), self.predict_without(reflectance)

    def predict_held_out(self, reflectance: ArrayLike, batch: Ints) -> Floats:
        """Return log colours, shape (n,), each by the model without the batch at position `batch` of its row."""
        colour = np.einsum("np,np->n", self._rows(reflectance), self.fold_coefficients[batch])
        return np.log(np.maximum(colour + self.fold_intercept[batch], self.palest))

    def variance_without(self, reflectance: ArrayLike, left_out: Ints) -> Floats:
        """Return the variance of each row, shape (n,); one batch in many moves it little: it is that of the whole."""
        del left_out
        return self.predict(reflectance)[1]

    def _rows(self, reflectance: ArrayLike) -> Floats:
        return np.asarray(reflectance, float) if self.inputs == AS_GIVEN else absorbance(reflectance)

    def _variance(self, rows: Floats) -> Floats:
        score = (rows - self.centre) @ self.rotation.T
        return 1.0 / self.total_weight + (score**2 / self.score_square).sum(axis=1)


def one_standard_error(square: ArrayLike) -> int:
    """Return the fewest components whose held-out error is within one standard error of the least.

    Parameters
    ----------
    square : array_like, shape (A, n)
        Squared held-out errors of 1 .. A components in n batches.

    Returns
    -------
    int
        1 .. A.

    Notes
    -----
    L. Breiman, J. H. Friedman, R. A. Olshen, C. J. Stone, *Classification and Regression Trees*, 1984, section 3.4.3
    (reference from memory); n = batches.

    Examples
    --------
    >>> one_standard_error([[9.0, 9.0, 9.0], [1.0, 1.2, 1.1], [0.9, 1.3, 1.0]])
    2
    """
    errors = np.asarray(square, float)
    mean = errors.mean(axis=1)
    best = int(np.argmin(mean))
    slack = errors[best].std(ddof=1) / np.sqrt(errors.shape[1]) if errors.shape[1] > 1 else 0.0
    return int(np.argmax(mean <= mean[best] + slack)) + 1


def fit_pls_regression(
    reflectance: Floats, colour: Floats, sd: Floats, inputs: str, worst_error: float = np.inf
) -> PlsRegression | None:
    """Fit weighted PLS to batch means, choosing the components by relative error of held-out batches.

    Parameters
    ----------
    reflectance : ndarray, shape (K, p)
        A row a batch, K at least 8.
    colour, sd : ndarray, shape (K,)
        Lab colours and the expected error of each; the weights are 1/sd^2.
    inputs : {"absorbance", "as_given"}
    worst_error : float
        Mean squared relative error of held-out batches above which the fit is not worth its nested choices.

    Returns
    -------
    PlsRegression or None
        Without each batch the components were chosen anew, by five folds of the others. None above `worst_error`.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> R = 10 ** -rng.uniform(0.2, 1.0, (20, 4))
    >>> model = fit_pls_regression(R, -np.log10(R) @ [3.0, 2.0, 1.0, 0.5], np.ones(20), "absorbance")
    >>> model.coefficients.round(3).tolist()
    [3.0, 2.0, 1.0, 0.5]
    """
    rows = reflectance if inputs == AS_GIVEN else absorbance(reflectance)
    n, p = rows.shape
    weight = sd**-2.0
    palest = SHARE_OF_PALEST * float(colour.min())
    most = min(MOST_COMPONENTS, n - 2 - -(-(n - 1) // INNER_FOLDS), p)

    def squares(models: PlsModels, sets: list[Ints]) -> list[Floats]:
        """Squared relative errors in each left-out set, shape (A, rows of the set)."""
        return [
            np.log(
                np.maximum(models.coefficients[g] @ rows[out].T + models.intercept[g][:, None], palest) / colour[out]
            )
            ** 2
            for g, out in enumerate(sets)
        ]

    if n > MOST_BATCHES_TO_CHOOSE:
        # a regression that is hopeless by a few folds is not worth one fold a batch
        few = left_out_sets(np.arange(n) % FEW_FOLDS)
        rough = np.concatenate(squares(fit_pls_without(rows, colour, few, most, weight), few), axis=1)
        if rough.mean(axis=1).min() > CLEARLY * worst_error:
            return None
    singles = left_out_sets(np.arange(n))
    folds = fit_pls_without(rows, colour, singles, most, weight)
    error = np.concatenate(squares(folds, singles), axis=1)
    chosen = one_standard_error(error)
    if error.mean(axis=1).min() > worst_error:
        return None
    if n > MOST_BATCHES_TO_CHOOSE:
        choice = np.full(n, chosen)
        without = np.full(n, error[chosen - 1].mean())
    else:
        choice, without = np.empty(n, np.int64), np.empty(n)
        inner = left_out_sets(np.arange(n - 1) % INNER_FOLDS)
        sets, outer = [], []
        for i in range(n):
            others = np.delete(np.arange(n), i)
            for members in inner:
                sets.append(np.concatenate([others[members], [i]]))
                outer.append(i)
        nested = squares(fit_pls_without(rows, colour, sets, most, weight), sets)
        for i in range(n):
            # the last column of each set is batch i itself, which chooses nothing
            own = np.concatenate([nested[k][:, :-1] for k in np.flatnonzero(np.array(outer) == i)], axis=1)
            choice[i] = one_standard_error(own)
            without[i] = own[choice[i] - 1].mean()
    final = fit_pls(rows, colour, chosen, weight)
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
        palest=palest,
        choice_error=float(error[chosen - 1].mean()),
        choice_error_without=without,
    )
