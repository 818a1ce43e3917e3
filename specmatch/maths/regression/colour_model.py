"""Beers whose own held-out errors show that the absorbance at 430 nm cannot be read from them.

How the error of a colour grows with colour: sd(y)^2 = a^2 + (b y)^2 + (c y^2)^2, learnt from held-out residuals.

Lab colours that can teach, and the samples that a reading is held against.

The colour regression of one set: spectra of batches to lab colours, with leave-batch-out jackknife+ intervals.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.regression.conformal import (
    JACKKNIFE_PLUS,
    NORMAL,
    Interval,
    batches_needed,
    check_coverage,
    jackknife_plus,
    t_interval,
)
from specmatch.maths.regression.gp_regression import (
    AS_GIVEN,
    LOG_ABSORBANCE,
    OPTICAL,
    ProcessRegression,
    fit_process,
    process_inputs,
)
from specmatch.maths.regression.lab_effects import LabEffects, LabValues, fit_lab_effects, with_extra
from specmatch.maths.regression.pls import FEWEST_BATCHES_FOR_PLS, PlsRegression, fit_pls_regression
from specmatch.maths.spectra.band import channel_noise
from specmatch.maths.statistics.levels import Levels, mean_by

# a / b, the colour below which the constant part rules, in the unit of the colours; 0 is none
_CROSSOVERS = np.concatenate([[0.0], np.geomspace(0.5, 100.0, 24)])

# c y / b at the darkest colour: how the growing part stands to the relative one there; 0 is none
_GROWTHS = np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.0])

# The growing part must earn its place by so much of log likelihood, or a dozen residuals would see it in noise.
_PRICE = 0.5


@dataclass(frozen=True)
class ErrorModel:
    """Standard deviation of a colour's error."""

    constant: float  # `a`, in the unit of the colours: the lab's readings of pale beers
    relative: float  # `b`, a fraction, above 0: pours, lamp, the lab
    growth: float = 0.0  # `c`, per unit of colour: the darker, the less light is left to read from

    def relative_variance(self, colour: ArrayLike) -> Floats:
        """Return the variance of log colour to first order (variance over squared colour), of the shape of `colour`."""
        y = np.asarray(colour, float)
        return self.relative**2 + (self.constant / y) ** 2 + (self.growth * y) ** 2


def fit_error_model(residual: ArrayLike, colour: ArrayLike) -> ErrorModel:
    """Fit the error model to relative residuals by maximum likelihood of normal errors."""
    # residual (n,), colour (n,)
    e, y = np.asarray(residual, float), np.asarray(colour, float)
    darkest = float(y.max())
    ratio, growth = (grid.ravel() for grid in np.meshgrid(_CROSSOVERS, _GROWTHS, indexing="ij"))
    shape = 1.0 + (ratio[:, None] / y) ** 2 + (growth[:, None] * y / darkest) ** 2
    # with the ratios held, the best b^2 is the mean of the scaled squares; the likelihood that is left picks them
    best_square = np.maximum(np.mean(e**2 / shape, axis=1), np.finfo(float).tiny)
    loss = 0.5 * (y.size * np.log(best_square) + np.log(shape).sum(axis=1)) + _PRICE * (growth > 0)
    picked = int(np.argmin(loss))
    relative = float(np.sqrt(best_square[picked]))
    return ErrorModel(relative * float(ratio[picked]), relative, relative * float(growth[picked]) / darkest)


FEWEST_BATCHES = 3

# Reproducibility limit R95 over the value: 1.12-1.44 EBC at 4.7-5.2 EBC and 2.25 at 8.9, in a trial of 21 laboratories
# (Angelino, Monatsschrift fuer Brauwissenschaft 53(3/4):54-55, 2000; boiled wort).
REPRODUCIBILITY = 0.25

# Beyond so many pours a further one makes no difference to a colour, and a sample of a hundred would make ten thousand.
MOST_POURS = 8


def check_colours(colour: Floats, batch: Ints) -> None:
    """Refuse lab colours from which nothing can be learnt."""
    # colour (n,), batch (n,)
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


def pour_subsets(reflectance: Floats, sample: Ints) -> tuple[Floats, Ints, Ints]:
    """Return mean spectra of fewer pours of each sample, as a reading of so many pours would see it."""
    # reflectance (n_pours, p), sample (n_pours,) -> (m, p), (m,), (m,)
    order = np.argsort(sample, kind="stable")
    counts = np.bincount(sample)
    first = np.cumsum(counts) - counts
    place = np.arange(order.size) - np.repeat(first, counts)
    size, start, code = (np.repeat(each, counts) for each in (counts, first, np.arange(counts.size)))
    rows, owner, pours = [], [], []
    for m in range(1, min(int(counts.max()), MOST_POURS) + 1):
        # neighbours in a ring: every pour counts alike, and there are as many subsets as pours
        taken = (size > m) | (place == 0)
        k = np.minimum(m, size[taken])
        total = np.zeros((k.size, reflectance.shape[1]))
        for step in range(m):
            some = step < k
            total[some] += reflectance[order[(start + (place + step) % size)[taken][some]]]
        rows.append(total / k[:, None])
        owner.append(code[taken])
        pours.append(np.full(k.size, m, np.int64))
    return np.concatenate(rows), np.concatenate(owner), np.concatenate(pours)


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
class ColourModel:
    """A fitted colour regression; see `fit_colour`."""

    regression: str  # the one that answers: `"optical"`, `"log_absorbance"`, `"as_given"` or `"pls"`
    fold_regression: Names  # (K,): the one chosen without each batch
    optical: ProcessRegression | None  # optical, spectral, pls: those that are named above
    spectral: ProcessRegression | None
    pls: PlsRegression | None
    error: ErrorModel  # of log colour, from held-out residuals
    batch_code: Ints  # (K,): code of each batch in the levels fitted on
    # lab_colour, held_out_colour: (K,): lab colour, and the prediction at all pours by the model that never saw the
    # batch
    lab_colour: Floats
    held_out_colour: Floats
    # score, score_batch, score_pours: (m,): signed held-out residuals of log colour over their expected size; position
    # of the batch; number of pours behind
    score: Floats
    score_batch: Ints
    score_pours: Ints
    labs: LabEffects | None = None  # of labs that were told apart; colours are those of the first; None for old models

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
        """Return colours with limits that cover the lab value of a batch of the set's kind."""
        # reflectance (n, p), n_pours (n,)
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

    def held_out_widening(self, reflectance: Floats, left_out: Ints) -> Floats:
        """Return how many times wider an interval is where the batch at position `left_out` did not teach it, (n,)."""
        one = self._one(self.regression)
        middle, variance, _ = one.predict_with_and_without(reflectance)
        error = self.error.relative_variance(np.exp(middle))
        return np.asarray(
            np.sqrt((one.variance_without(reflectance, left_out) + error) / (variance + error)), float
        )  # fmt: skip

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
    levels: Levels,
    *,
    wavelength_nm: ArrayLike,
    regressions: tuple[str, ...] = REGRESSIONS,
    batch_means: ArrayLike | None = None,
    values: LabValues | None = None,
) -> ColourModel:
    """Fit the colour regression of a set.

    Every regression is fitted to batch means, weighted by an error model sd(y)^2 = a^2 + (b y)^2 that is learnt from
    held-out residuals. Kernel, components and regression are chosen by the relative error of held-out batches; for the
    intervals and the held-out colours all of that is chosen anew without each batch.
    """
    # reflectance (n_pours, p), colour (n_pours,), wavelength_nm (p,), batch_means (K, p)
    # regressions: what held-out batches choose from, the first one preferred: any of `"optical"`, `"log_absorbance"`,
    # `"as_given"`, `"pls"`
    # batch_means: mean reflectance of each batch in order of its code, where more pours of it are known than are given
    # here
    # values: who measured the lab colours and how well, in order of the batches' codes
    R, y = np.asarray(reflectance, float), np.asarray(colour, float)
    nm = np.asarray(wavelength_nm, float)
    position, each = levels.codes("batch"), np.arange(levels.beer.size)
    check_colours(y, position)
    offered = _offered(regressions, nm, each.size)
    mean = levels.mean(R, to="batch") if batch_means is None else np.asarray(batch_means)
    lab = mean_by(y, position)[0]

    noise = channel_noise(R, levels.sample)
    extra = None if values is None else values.extra_variance
    first = _fit_one(offered[0], offered, mean, lab, FIRST_ERROR, nm, noise, extra)
    assert first is not None  # without a bar, none falls below it
    labs = _lab_effects(first, mean, lab, values)
    if values is not None and labs.labs:
        # from here on all values are those of one lab
        lab = lab * np.exp(-labs.of(values.labs))
        again = _fit_one(offered[0], offered, mean, lab, FIRST_ERROR, nm, noise, extra)
        first = first if again is None else again
    expected = fit_error_model(np.log(lab) - first.predict_held_out(mean, each), lab)
    named = _fit_all(offered, mean, lab, expected, nm, noise, extra)
    offered = list(named)
    handicap = np.where(np.arange(len(offered)) > 0, 1.0 / WORTH_A_CHANGE, 1.0)
    regression = offered[int(np.argmin(handicap * [named[name].choice_error for name in offered]))]
    errors_without = np.array([named[name].choice_error_without for name in offered])
    fold_regression = np.array(offered)[np.argmin(handicap[:, None] * errors_without, axis=0)]
    held_out = _held_out(named, fold_regression, mean, each)
    error = fit_error_model(np.log(lab) - held_out, lab)

    rows, score_sample, score_pours = pour_subsets(R, levels.sample)
    score_batch = levels.batch[score_sample]
    predicted = _held_out(named, fold_regression, rows, score_batch)
    variance = named[regression].variance_without(rows, score_batch)
    of_error = error.relative_variance(np.exp(predicted))
    scale = np.sqrt(variance + with_extra(of_error, None if extra is None else extra[score_batch]))
    used = {name: named[name] for name in {regression, *fold_regression.tolist()}}
    return ColourModel(
        regression=regression,
        fold_regression=fold_regression,
        optical=used.get(OPTICAL),  # type: ignore[arg-type]
        spectral=used.get(LOG_ABSORBANCE, used.get(AS_GIVEN)),  # type: ignore[arg-type]
        pls=used.get(PLS),  # type: ignore[arg-type]
        error=error,
        batch_code=each,
        lab_colour=lab,
        held_out_colour=np.exp(held_out),
        score=(np.log(lab)[score_batch] - predicted) / scale,
        score_batch=score_batch,
        score_pours=score_pours,
        labs=labs,
    )


def _lab_effects(
    first: "ProcessRegression | PlsRegression", mean: Floats, lab: Floats, values: LabValues | None
) -> LabEffects:
    none = LabEffects((), np.zeros(0), np.zeros(0))
    if values is None or not isinstance(first, ProcessRegression):
        return none
    known, rows = process_inputs(mean, first.wavelength_nm, first.noise, first.inputs)
    inverse = first.process.inverse
    if len(inverse) == lab.size:
        return fit_lab_effects(values.labs, np.log(lab) - known, inverse)
    # of many hundreds of batches the process is held through a few: its residuals are all but independent
    rest = np.log(lab) - known - first.process.predict(rows)[0]
    return fit_lab_effects(values.labs, rest - rest.mean(), np.eye(lab.size) / float(np.var(rest)))


def _fit_all(
    offered: list[str], mean: Floats, lab: Floats, expected: ErrorModel, nm: Floats, noise: Floats, extra: Floats | None
) -> "dict[str, ProcessRegression | PlsRegression]":
    named: dict[str, ProcessRegression | PlsRegression] = {}
    for name in offered:
        worst = HOPELESS * min((one.choice_error for one in named.values()), default=np.inf)
        one = _fit_one(name, offered, mean, lab, expected, nm, noise, extra, worst)
        if one is not None:
            named[name] = one
    return named


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
    extra: Floats | None = None, worst_error: float = np.inf,
) -> ProcessRegression | PlsRegression | None:  # fmt: skip
    variance = with_extra(expected.relative_variance(lab), extra)
    if name == PLS:
        inputs = AS_GIVEN if AS_GIVEN in offered else "absorbance"
        return fit_pls_regression(mean, lab, lab * np.sqrt(variance), inputs, worst_error)
    return fit_process(mean, np.log(lab), variance, nm, noise, name)


# Chance of naming a beer that is like the others, for each beer: a set holds a dozen, and most are like the others.
FALSE_ALARM = 0.002

# And the error must matter: a pale lager's usual tolerance is about 10 % (common practice, no source), and a reading
# that errs by half of it as a rule decides nothing.
LEAST_ERROR = 0.05


def beers_with_unreliable_colour(fit: ColourModel, beer: ArrayLike, n_beers: int) -> Mask:
    """Tell which beers err, held out, by so much more than the others that their A430 is not to be trusted.

    Held-out residuals over their expected size; the mean square of a beer against that of all others by an F test, and
    at least 5 % of colour. Haze, fruit and nitro take light out of the beam that the lab's clarified beer never lost.
    """
    # beer (K,) -> (n_beers,)
    codes = np.asarray(beer, np.int64)
    residual = np.log(fit.held_out_colour / fit.lab_colour)
    square = residual**2 / fit.error.relative_variance(fit.lab_colour)
    unfit = np.zeros(n_beers, dtype=bool)
    for code in range(n_beers):
        own = codes == code
        n, rest = int(own.sum()), int((~own).sum())
        if n < FEWEST_BATCHES or rest < FEWEST_BATCHES:
            continue
        ratio = square[own].mean() / max(square[~own].mean(), np.finfo(float).tiny)
        matters = np.sqrt(np.mean(residual[own] ** 2)) >= LEAST_ERROR
        unfit[code] = matters and fdtrc(n, rest, ratio) < FALSE_ALARM
    return unfit
