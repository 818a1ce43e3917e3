"""The colour regression of one set: spectra of batches to lab colours, with leave-batch-out jackknife+ intervals."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.conformal import (
    JACKKNIFE_PLUS,
    NORMAL,
    Interval,
    batches_needed,
    check_coverage,
    jackknife_plus,
    t_interval,
)
from specmatch.maths.error_model import ErrorModel, fit_error_model
from specmatch.maths.gaussian_process import GaussianProcess, Kernel, fit_gaussian_process
from specmatch.maths.statistics import mean_by
from specmatch.maths.transforms import absorbance

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

FEWEST_BATCHES = 3

# Reproducibility limit R95 over the value: 1.12-1.44 EBC at 4.7-5.2 EBC and 2.25 at 8.9, in a trial of 21 laboratories
# (Angelino, Monatsschrift fuer Brauwissenschaft 53(3/4):54-55, 2000; boiled wort).
REPRODUCIBILITY = 0.25

# Rows predicted at a time: a block of folds by rows stays within a few megabytes.
BLOCK = 2048

LOG_ABSORBANCE = "log_absorbance"

# Added to absorbance before the logarithm, so that channels where a pale beer absorbs nothing do not run to -infinity.
ABSORBANCE_OFFSET = 0.2

LINEAR = (0.3, 1.0, 3.0)
BEND = (0.1, 0.3, 1.0, 3.0)
REACH = (0.3, 1.0, 2.0)
# Variance of log lab colour that the prior expects: a lab's error and a pour's, and a constant part of 0.1 EBC or so.
FIRST_ERROR = ErrorModel(constant=0.1, relative=0.015)


@dataclass(frozen=True)
class ColourFit:
    """A fitted colour regression; see `fit_colour`.

    Attributes
    ----------
    transform : str or None
        `"log_absorbance"`, or None where the values were taken as given.
    process : GaussianProcess
        Log colour from the features of a spectrum, conditioned on all batches.
    fold_kernel : ndarray, shape (K, 3)
        Linear, bend and reach of the kernel that was chosen without each batch.
    fold_weight : ndarray, shape (K, K)
        Weights of the process without each batch.
    error : ErrorModel
        Of log colour, from held-out residuals.
    batch_code : ndarray of int, shape (K,)
        The caller's code of each batch.
    lab_colour, held_out_colour : ndarray, shape (K,)
        Lab colour, and the prediction at all pours by the model that never saw the batch.
    score, score_batch, score_pours : ndarray, shape (m,)
        Signed held-out residuals of log colour over their expected size; position of the batch; number of pours behind.
    """

    transform: str | None
    process: GaussianProcess
    fold_kernel: Floats
    fold_weight: Floats
    error: ErrorModel
    batch_code: Codes
    lab_colour: Floats
    held_out_colour: Floats
    score: Floats
    score_batch: Codes
    score_pours: Codes

    @property
    def n_batches(self) -> int:
        return self.lab_colour.size

    def predict(self, reflectance: ArrayLike) -> Floats:
        """Return colours, shape (n,), of spectra of shape (n, p)."""
        return np.exp(self.process.predict(spectral_features(reflectance, self.transform))[0])

    def interval(self, reflectance: ArrayLike, n_pours: ArrayLike, coverage: float) -> Interval:
        """Return colours with limits that cover the lab value of a batch of the set's kind.

        Parameters
        ----------
        reflectance : array_like, shape (n, p)
            Mean reflectance of each sample.
        n_pours : array_like of int, shape (n,)
            Pours behind each row; scores of the same number are used, or of the largest number known.
        coverage : float

        Returns
        -------
        Interval
        """
        check_coverage(coverage)
        rows = np.asarray(reflectance, float)
        pours = np.broadcast_to(np.asarray(n_pours, np.int64), rows.shape[:1])
        level = np.clip(pours, 1, self.score_pours.max())
        normal = self.n_batches < batches_needed(coverage)
        middle, low, high = (np.empty(rows.shape[0]) for _ in range(3))
        for m in np.unique(level):
            chosen = np.flatnonzero(level == m)
            for start in range(0, chosen.size, BLOCK):
                part = chosen[start : start + BLOCK]
                middle[part], low[part], high[part] = self._limits(rows[part], int(m), coverage, normal)
        return Interval(np.exp(middle), np.exp(low), np.exp(high), NORMAL if normal else JACKKNIFE_PLUS, normal)

    def _limits(self, rows: Floats, m: int, coverage: float, normal: bool) -> tuple[Floats, Floats, Floats]:
        features = spectral_features(rows, self.transform)
        middle, variance = self.process.predict(features)
        scale = np.sqrt(variance + self.error.relative_variance(np.exp(middle)))
        used = self.score_pours == m
        score, batch = self.score[used], self.score_batch[used]
        if normal:
            return middle, *t_interval(middle, scale, score, batch, coverage)
        centre = self._without(features)[:, batch]
        return middle, *jackknife_plus(centre, np.abs(score) * scale[:, None], batch, coverage)

    def _without(self, features: Floats) -> Floats:
        """Return log colour by the model without each batch, shape (n, K)."""
        out = np.empty((features.shape[0], self.n_batches))
        for row in np.unique(self.fold_kernel, axis=0):
            folds = np.flatnonzero((self.fold_kernel == row).all(axis=1))
            out[:, folds] = Kernel(*row.tolist())(features, self.process.features) @ self.fold_weight[folds].T
        return out


def spectral_features(reflectance: ArrayLike, transform: str | None = LOG_ABSORBANCE) -> Floats:
    """Return the features of spectra: log of absorbance plus an offset, over the root of their number.

    Parameters
    ----------
    reflectance : array_like, shape (n, p)
    transform : {"log_absorbance", None}

    Returns
    -------
    ndarray, shape (n, p)

    Raises
    ------
    OptionError
        For another transform.

    Examples
    --------
    >>> spectral_features([[1.0, 1.0, 1.0, 1.0]]).round(3).tolist()
    [[-0.805, -0.805, -0.805, -0.805]]
    """
    if transform is None:
        rows = np.asarray(reflectance, float)
        return rows / np.sqrt(rows.shape[1])
    if transform != LOG_ABSORBANCE:
        raise OptionError(f"scale is {transform!r}; {LOG_ABSORBANCE!r} or None is offered")
    depth = absorbance(reflectance)
    # reflectance a little above 1 (lamp, foam) must not reach the pole of the logarithm
    return np.log(np.maximum(depth, -ABSORBANCE_OFFSET / 2.0) + ABSORBANCE_OFFSET) / np.sqrt(depth.shape[1])


def fit_colour(
    reflectance: ArrayLike,
    colour: ArrayLike,
    batch: ArrayLike,
    sample: ArrayLike,
    *,
    wavelength_nm: ArrayLike,
    transform: str | None = LOG_ABSORBANCE,
) -> ColourFit:
    """Fit the colour regression of a set.

    Parameters
    ----------
    reflectance : array_like, shape (n_pours, p)
        A row a pour, on the usable band, without NaN.
    colour : array_like, shape (n_pours,)
        Lab colour of the pour's batch, above 0.
    batch, sample : array_like of int, shape (n_pours,)
        Codes of batch and sample.
    wavelength_nm : array_like, shape (p,)
    transform : {"log_absorbance", None}
        What becomes of reflectance; None takes the values as given.

    Returns
    -------
    ColourFit

    Raises
    ------
    TooFewBatchesError
        With fewer than three batches.
    TableError
        If a colour is not above 0, or all colours are the same.

    Notes
    -----
    A Gaussian process for log colour on batch means, its kernel chosen by the relative error of held-out batches; for
    the intervals the choice is made anew without each batch.
    """
    R, y = np.asarray(reflectance, float), np.asarray(colour, float)
    codes, position = np.unique(np.asarray(batch, np.int64), return_inverse=True)
    sample_codes, sample_position = np.unique(np.asarray(sample, np.int64), return_inverse=True)
    check_colours(y, position)
    sample_mean, _ = mean_by(R, sample_position)
    batch_of_sample = np.zeros(sample_codes.size, np.int64)
    batch_of_sample[sample_position] = position
    features = spectral_features(mean_by(sample_mean, batch_of_sample)[0], transform)
    lab = mean_by(y, position)[0]

    kernels = [Kernel(*values) for values in product(LINEAR, BEND, REACH)]
    noise = FIRST_ERROR.relative_variance(lab)
    processes = [fit_gaussian_process(features, np.log(lab), noise, kernel) for kernel in kernels]
    chosen = int(np.argmin([np.mean(process.held_out_error**2) for process in processes]))
    # for each batch left out, judge every kernel by the others, each of them predicted without either
    without_two = np.array([np.nanmean(process.errors_without_two() ** 2, axis=1) for process in processes])
    fold_choice = np.argmin(without_two, axis=0)
    folds = np.arange(codes.size)
    fold_weight = np.array([processes[g].weights_without()[i] for i, g in enumerate(fold_choice)])
    fold_kernel = np.array([[kernels[g].linear, kernels[g].bend, kernels[g].reach] for g in fold_choice])
    process = processes[chosen]
    held_out = np.log(lab) - np.array([processes[g].held_out_error[i] for i, g in enumerate(fold_choice)])
    error = fit_error_model(np.log(lab) - held_out, lab)

    rows, score_sample, score_pours = pour_subsets(R, sample_position)
    score_batch = batch_of_sample[score_sample]
    score_features = spectral_features(rows, transform)
    predicted, scale = np.empty(score_batch.size), np.empty(score_batch.size)
    for g in np.unique(fold_choice):
        mine = np.flatnonzero(fold_choice[score_batch] == g)
        covariance = kernels[g](score_features[mine], features)
        predicted[mine] = np.einsum("mk,mk->m", covariance, fold_weight[score_batch[mine]])
        _, variance = processes[g].predict(score_features[mine])
        # leaving the batch out gives back the variance that it took away
        share = np.einsum("mk,mk->m", covariance, processes[g].inverse[score_batch[mine]])
        variance = variance + share**2 / np.diag(processes[g].inverse)[score_batch[mine]]
        scale[mine] = np.sqrt(variance + error.relative_variance(np.exp(predicted[mine])))
    return ColourFit(
        transform=transform,
        process=process,
        fold_kernel=fold_kernel,
        fold_weight=fold_weight,
        error=error,
        batch_code=codes[folds],
        lab_colour=lab,
        held_out_colour=np.exp(held_out),
        score=(np.log(lab)[score_batch] - predicted) / scale,
        score_batch=score_batch,
        score_pours=score_pours,
    )


def check_colours(colour: Floats, batch: Codes) -> None:
    """Refuse lab colours from which nothing can be learnt.

    Parameters
    ----------
    colour : ndarray, shape (n,)
    batch : ndarray of int, shape (n,)
        Position of each row's batch, 0 .. K-1.

    Raises
    ------
    TooFewBatchesError
        With fewer than three batches.
    TableError
        If a colour is not above 0, all are the same, or those of one batch differ beyond reproducibility.

    Examples
    --------
    >>> check_colours(np.array([5.0, 10.0, 20.0]), np.arange(3))
    """
    n_batches = int(batch.max()) + 1 if batch.size else 0
    if n_batches < FEWEST_BATCHES:
        raise TooFewBatchesError(
            f"{n_batches} batches with a lab colour; a colour regression needs {FEWEST_BATCHES} or more"
        )
    if not np.all(colour > 0):
        worst = float(colour[~(colour > 0)][0])
        raise TableError(f"a lab colour is {worst:g}; colours are above 0: check the sheet, and the blank of the lab")
    if np.ptp(colour) <= 1e-9 * np.max(colour):
        raise TableError(f"every lab colour is {colour[0]:g}; a colour regression needs batches of different colours")
    for code in range(n_batches):
        own = colour[batch == code]
        if np.ptp(own) > REPRODUCIBILITY * own.mean():
            raise TableError(
                f"lab colours of one batch run from {own.min():g} to {own.max():g}; two labs differ by more than "
                f"{REPRODUCIBILITY:.0%} once in twenty times: find the wrong value, or split the batch"
            )


def pour_subsets(reflectance: Floats, sample: Codes) -> tuple[Floats, Codes, Codes]:
    """Return mean spectra of fewer pours of each sample, as a reading of so many pours would see it.

    Parameters
    ----------
    reflectance : ndarray, shape (n_pours, p)
    sample : ndarray of int, shape (n_pours,)
        Codes 0 .. S-1.

    Returns
    -------
    rows : ndarray, shape (m, p)
    sample : ndarray of int, shape (m,)
    n_pours : ndarray of int, shape (m,)
        For every number from 1 to the largest of any sample; a sample that has fewer stands with all it has.

    Examples
    --------
    >>> rows, sample, n_pours = pour_subsets(np.array([[1.0], [3.0], [8.0]]), np.array([0, 0, 1]))
    >>> rows[:, 0].tolist(), sample.tolist(), n_pours.tolist()
    ([1.0, 3.0, 8.0, 2.0, 8.0], [0, 0, 1, 0, 1], [1, 1, 1, 2, 2])
    """
    members = np.split(np.argsort(sample, kind="stable"), np.cumsum(np.bincount(sample))[:-1])
    rows, owner, pours = [], [], []
    for m in range(1, max(len(pour) for pour in members) + 1):
        for code, pour in enumerate(members):
            k = min(m, len(pour))
            # neighbours in a ring: every pour counts alike, and there are as many subsets as pours
            starts = range(1) if k == len(pour) else range(len(pour))
            for start in starts:
                rows.append(reflectance[pour[(start + np.arange(k)) % len(pour)]].mean(axis=0))
                owner.append(code)
                pours.append(m)
    return np.array(rows), np.array(owner, np.int64), np.array(pours, np.int64)
