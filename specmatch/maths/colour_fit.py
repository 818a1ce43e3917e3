"""The colour regression of one set: spectra of batches to lab colours, with leave-batch-out jackknife+ intervals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specmatch.array_types import Floats, Ints
from specmatch.errors import OptionError
from specmatch.maths.band import channel_noise
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
from specmatch.maths.lab_colours import check_colours, pour_subsets
from specmatch.maths.pls_regression import FEWEST_BATCHES_FOR_PLS, PlsRegression, fit_pls_regression
from specmatch.maths.process_regression import AS_GIVEN, LOG_ABSORBANCE, OPTICAL, ProcessRegression, fit_process
from specmatch.maths.statistics import mean_by, parent_codes

Names = NDArray[np.str_]

PLS = "pls"
REGRESSIONS = (OPTICAL, LOG_ABSORBANCE, PLS)

# Rows predicted at a time: a block of folds by rows stays in the processor's cache.
BLOCK = 1024

# The optical model needs to see a beer's slope: a few channels over a part of the visible.
VISIBLE_NM, FEWEST_CHANNELS, LEAST_SPAN_NM = (380.0, 800.0), 8, 60.0

# A regression whose squared error is this many times another's is not chosen, whichever batch is out: it need not try.
HOPELESS = 1.5

# The first regression keeps its place unless another's squared error is less than this share of its own: a few dozen
# batches know a mean square to a fifth or so, and a choice that changes from fold to fold only widens the intervals.
WORTH_A_CHANGE = 0.8

# Before anything is held out: a lab's and a pour's relative error, and a constant error of 0.1 EBC.
FIRST_ERROR = ErrorModel(constant=0.1, relative=0.015)


@dataclass(frozen=True)
class ColourFit:
    """A fitted colour regression; see `fit_colour`.

    Attributes
    ----------
    regression : str
        The one that answers: `"optical"`, `"log_absorbance"`, `"as_given"` or `"pls"`.
    fold_regression : ndarray of str, shape (K,)
        The one chosen without each batch.
    optical, spectral, pls : ProcessRegression, ProcessRegression, PlsRegression or None
        Those that are named above.
    error : ErrorModel
        Of log colour, from held-out residuals.
    batch_code : ndarray of int, shape (K,)
        The caller's code of each batch.
    lab_colour, held_out_colour : ndarray, shape (K,)
        Lab colour, and the prediction at all pours by the model that never saw the batch.
    score, score_batch, score_pours : ndarray, shape (m,)
        Signed held-out residuals of log colour over their expected size; position of the batch; number of pours behind.
    """

    regression: str
    fold_regression: Names
    optical: ProcessRegression | None
    spectral: ProcessRegression | None
    pls: PlsRegression | None
    error: ErrorModel
    batch_code: Ints
    lab_colour: Floats
    held_out_colour: Floats
    score: Floats
    score_batch: Ints
    score_pours: Ints

    @property
    def n_batches(self) -> int:
        """Number of batches behind the fit."""
        return self.lab_colour.size

    @property
    def most_pours(self) -> int:
        """Largest number of pours of a sample that the set holds."""
        return int(self.score_pours.max())

    def predict(self, reflectance: ArrayLike) -> Floats:
        """Return colours, shape (n,), of spectra of shape (n, p)."""
        return np.exp(self._one(self.regression).predict(reflectance)[0])

    def interval(self, reflectance: ArrayLike, n_pours: ArrayLike, coverage: float) -> Interval:
        """Return colours with limits that cover the lab value of a batch of the set's kind.

        Parameters
        ----------
        reflectance : array_like, shape (n, p)
            Mean reflectance of each sample.
        n_pours : array_like of int, shape (n,)
            Pours behind each row; scores of the same number are used, or of the largest number known.
        coverage : float
            In (0, 1).

        Returns
        -------
        Interval
        """
        check_coverage(coverage)
        rows = np.asarray(reflectance, float)
        pours = np.broadcast_to(np.asarray(n_pours, np.int64), rows.shape[:1])
        level = np.clip(pours, 1, self.most_pours)
        normal = self.n_batches < batches_needed(coverage)
        middle, low, high = (np.empty(rows.shape[0]) for _ in range(3))
        for m in np.unique(level):
            chosen = np.flatnonzero(level == m)
            for start in range(0, chosen.size, BLOCK):
                part = chosen[start : start + BLOCK]
                middle[part], low[part], high[part] = self._limits(rows[part], int(m), coverage, normal)
        return Interval(np.exp(middle), np.exp(low), np.exp(high), NORMAL if normal else JACKKNIFE_PLUS, normal)

    def _limits(self, rows: Floats, m: int, coverage: float, normal: bool) -> tuple[Floats, Floats, Floats]:
        middle, variance, without = self._one(self.regression).predict_with_and_without(rows)
        scale = np.sqrt(variance + self.error.relative_variance(np.exp(middle)))
        used = self.score_pours == m
        score, batch = self.score[used], self.score_batch[used]
        if normal:
            return middle, *t_interval(middle, scale, score, batch, coverage)
        for name in set(self.fold_regression.tolist()) - {self.regression}:
            folds = self.fold_regression == name
            without[:, folds] = self._one(name).predict_without(rows)[:, folds]
        return middle, *jackknife_plus(without, np.abs(score), scale, batch, coverage)

    def _named(self) -> "dict[str, ProcessRegression | PlsRegression]":
        found: dict[str, ProcessRegression | PlsRegression] = {}
        spectral = "" if self.spectral is None else self.spectral.inputs
        for name, one in ((OPTICAL, self.optical), (spectral, self.spectral), (PLS, self.pls)):
            if one is not None:
                found[name] = one
        return found

    def _one(self, name: str) -> "ProcessRegression | PlsRegression":
        return self._named()[name]


def _held_out(
    named: "dict[str, ProcessRegression | PlsRegression]", fold_regression: Names, rows: Floats, batch: Ints
) -> Floats:
    """Return log colours, shape (n,), each by the regression chosen and fitted without the batch of its row."""
    out = np.empty(len(rows))
    for name in np.unique(fold_regression):
        own = np.flatnonzero(fold_regression[batch] == name)
        out[own] = named[str(name)].predict_held_out(rows[own], batch[own])
    return out


def fit_colour(
    reflectance: ArrayLike,
    colour: ArrayLike,
    batch: ArrayLike,
    sample: ArrayLike,
    *,
    wavelength_nm: ArrayLike,
    regressions: tuple[str, ...] = REGRESSIONS,
    batch_means: ArrayLike | None = None,
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
    regressions : tuple of str
        What held-out batches choose from, the first one preferred: any of `"optical"`, `"log_absorbance"`,
        `"as_given"`, `"pls"`. With `"as_given"` among them, values are taken as they are by `"pls"` too. `"optical"`
        falls away for inputs that are no visible spectra, `"pls"` below 8 batches.
    batch_means : array_like, shape (K, p), optional
        Mean reflectance of each batch in order of its code, where more pours of it are known than are given here.

    Returns
    -------
    ColourFit

    Raises
    ------
    TooFewBatchesError
        With fewer than three batches.
    TableError
        If a colour is not above 0, all are the same, or those of one batch differ beyond reproducibility.
    OptionError
        For an unknown regression, or when none is left.

    Notes
    -----
    Every regression is fitted to batch means, weighted by an error model sd(y)^2 = a^2 + (b y)^2 that is learnt from
    held-out residuals. Kernel, components and regression are chosen by the relative error of held-out batches; for the
    intervals and the held-out colours all of that is chosen anew without each batch.

    Examples
    --------
    >>> samples, ebc = house.fitted.identity.samples, house.fitted.colour.lab_colour
    >>> fit = fit_colour(samples.reflectance, ebc, samples.batch, samples.batch, wavelength_nm=house.wavelengths_)
    >>> fit.n_batches, bool(np.abs(fit.held_out_colour / ebc - 1.0).max() < 0.1)
    (18, True)
    """
    R, y = np.asarray(reflectance, float), np.asarray(colour, float)
    nm = np.asarray(wavelength_nm, float)
    codes, position = np.unique(np.asarray(batch, np.int64), return_inverse=True)
    sample_position = np.unique(np.asarray(sample, np.int64), return_inverse=True)[1]
    check_colours(y, position)
    offered = _offered(regressions, nm, codes.size)
    sample_mean, _ = mean_by(R, sample_position)
    batch_of_sample = parent_codes(sample_position, position)
    mean = mean_by(sample_mean, batch_of_sample)[0] if batch_means is None else np.asarray(batch_means)
    lab = mean_by(y, position)[0]

    noise = channel_noise(R, sample_position)
    each = np.arange(codes.size)
    first = _fit_one(offered[0], offered, mean, lab, FIRST_ERROR, nm, noise)
    assert first is not None  # without a bar, none falls below it
    expected = fit_error_model(np.log(lab) - first.predict_held_out(mean, each), lab)
    named: dict[str, ProcessRegression | PlsRegression] = {}
    for name in offered:
        worst = HOPELESS * min((one.choice_error for one in named.values()), default=np.inf)
        one = _fit_one(name, offered, mean, lab, expected, nm, noise, worst)
        if one is not None:
            named[name] = one
    offered = list(named)
    handicap = np.where(np.arange(len(offered)) > 0, 1.0 / WORTH_A_CHANGE, 1.0)
    regression = offered[int(np.argmin(handicap * [named[name].choice_error for name in offered]))]
    errors_without = np.array([named[name].choice_error_without for name in offered])
    fold_regression = np.array(offered)[np.argmin(handicap[:, None] * errors_without, axis=0)]
    held_out = _held_out(named, fold_regression, mean, each)
    error = fit_error_model(np.log(lab) - held_out, lab)

    rows, score_sample, score_pours = pour_subsets(R, sample_position)
    score_batch = batch_of_sample[score_sample]
    predicted = _held_out(named, fold_regression, rows, score_batch)
    variance = named[regression].variance_without(rows, score_batch)
    scale = np.sqrt(variance + error.relative_variance(np.exp(predicted)))
    used = {name: named[name] for name in {regression, *fold_regression.tolist()}}
    return ColourFit(
        regression=regression,
        fold_regression=fold_regression,
        optical=used.get(OPTICAL),  # type: ignore[arg-type]
        spectral=used.get(LOG_ABSORBANCE, used.get(AS_GIVEN)),  # type: ignore[arg-type]
        pls=used.get(PLS),  # type: ignore[arg-type]
        error=error,
        batch_code=codes,
        lab_colour=lab,
        held_out_colour=np.exp(held_out),
        score=(np.log(lab)[score_batch] - predicted) / scale,
        score_batch=score_batch,
        score_pours=score_pours,
    )


def _offered(regressions: tuple[str, ...], nm: Floats, n_batches: int) -> list[str]:
    known = (OPTICAL, LOG_ABSORBANCE, AS_GIVEN, PLS)
    for name in regressions:
        if name not in known:
            raise OptionError(f"regression {name!r} is asked for; {', '.join(known)} are offered")
    if LOG_ABSORBANCE in regressions and AS_GIVEN in regressions:
        raise OptionError("log_absorbance and as_given are asked for together; values are reflectance or they are not")
    visible = nm.size >= FEWEST_CHANNELS and nm.min() >= VISIBLE_NM[0] and nm.max() <= VISIBLE_NM[1]
    visible = visible and np.ptp(nm) >= LEAST_SPAN_NM
    out = [
        name
        for name in regressions
        if (name != OPTICAL or visible) and (name != PLS or n_batches >= FEWEST_BATCHES_FOR_PLS)
    ]
    if not out:
        raise OptionError(
            f"none of {', '.join(regressions)} can be fitted to {n_batches} batches and {nm.size} channels"
        )
    return out


def _fit_one(
    name: str, offered: list[str], mean: Floats, lab: Floats, expected: ErrorModel, nm: Floats, noise: Floats,
    worst_error: float = np.inf,
) -> ProcessRegression | PlsRegression | None:  # fmt: skip
    variance = expected.relative_variance(lab)
    if name == PLS:
        inputs = AS_GIVEN if AS_GIVEN in offered else "absorbance"
        return fit_pls_regression(mean, lab, lab * np.sqrt(variance), inputs, worst_error)
    return fit_process(mean, np.log(lab), variance, nm, noise, name)
