"""The colour regression of one set: spectra of batches to lab colours, with leave-batch-out jackknife+ intervals."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import OptionError, TableError, TooFewBatchesError
from specmatch.maths.regression import conformal
from specmatch.maths.regression.gaussian_process import LOG_ABSORBANCE, OPTICAL, ProcessRegression, fit_process
from specmatch.maths.regression.lab_effects import NO_LABS, LabEffects, LabValues, fit_lab_effects, with_extra
from specmatch.maths.regression.pls import FEWEST_BATCHES_FOR_PLS, PlsRegression, fit_pls_regression
from specmatch.maths.regression.rows_and_responses import (
    ABSORBANCE,
    AS_GIVEN,
    KINDS,
    LOG,
    SNV,
    SNV_ABSORBANCE,
    ErrorModel,
    Response,
    first_error,
    responses,
)
from specmatch.maths.spectra.noise import channel_noise
from specmatch.maths.statistics.levels import Levels, mean_by

FEWEST_BATCHES = 3

# Reproducibility limit R95 over the value: 1.12-1.44 EBC at 4.7-5.2 EBC and 2.25 at 8.9, in a trial of 21 laboratories
# (Angelino, Monatsschrift fuer Brauwissenschaft 53(3/4):54-55, 2000; boiled wort).
REPRODUCIBILITY = 0.25

# Beyond so many pours a further one makes no difference to a colour, and a sample of a hundred would make ten thousand.
MOST_POURS = 8


def check_colours(colour: Floats, batch: Ints, *, any_sign: bool = False) -> None:
    """Refuse lab colours from which nothing can be learnt."""
    # colour (n,), batch (n,)
    # any_sign: values of another kind, which may be 0 or below
    n_batches = int(batch.max()) + 1 if batch.size else 0
    if n_batches < FEWEST_BATCHES:
        raise TooFewBatchesError(
            f"{n_batches} batches with a lab colour; a colour regression needs {FEWEST_BATCHES} or more"
        )
    if not (any_sign or np.all(colour > 0)):
        worst = float(colour[~(colour > 0)][0])
        raise TableError(f"a lab colour is {worst:g}; colours are above 0: check the sheet, and the blank of the lab")
    if np.ptp(colour) <= 1e-9 * np.max(np.abs(colour)):
        raise TableError(f"every lab colour is {colour[0]:g}; a colour regression needs batches of different colours")
    for code in range(n_batches):
        own = colour[batch == code]
        if np.ptp(own) > REPRODUCIBILITY * (np.ptp(colour) if any_sign else own.mean()):
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
Regression = ProcessRegression | PlsRegression
Regressions = dict[str, Regression]
PLS = "pls"
REGRESSIONS = (OPTICAL, LOG_ABSORBANCE, PLS)
# of values that are no beer's colour: on rows as they are given, and on reflectance
ROW_REGRESSIONS = (AS_GIVEN, SNV, PLS)
LIQUID_REGRESSIONS = (ABSORBANCE, SNV_ABSORBANCE, PLS)


def regressions_for(unit: str) -> tuple[str, ...]:
    """Return what held-out batches choose from for values in a unit: those of colour, or of any liquid's value."""
    return REGRESSIONS if unit in ("EBC", "SRM") else LIQUID_REGRESSIONS


# Rows predicted at a time: a block of folds by rows stays in the processor's cache.
BLOCK = 1024

# The optical model needs to see a beer's slope: a few channels over a part of the visible.
VISIBLE_NM, FEWEST_CHANNELS, LEAST_SPAN_NM = (380.0, 800.0), 8, 60.0

# A regression whose squared error is this many times another's is not chosen, whichever batch is out: it need not try.
HOPELESS = 1.5

# The first regression keeps its place unless another's squared error is less than this share of its own: a few dozen
# batches know a mean square to a fifth or so, and a choice that changes from fold to fold only widens the intervals.
WORTH_A_CHANGE = 0.8

# An error must matter: a pale lager's usual tolerance is about 10 % (common practice, no source), and a reading
# that errs by half of it as a rule decides nothing.
LEAST_ERROR = 0.05

# The optical regression is refused where another's squared error is this many times smaller: chance alone makes two
# mean squares of two dozen batches differ by half.
NO_BEER = 4.0
OTHERS_THAN_OPTICAL = (LOG_ABSORBANCE, PLS)

# Before anything is held out: a lab's and a pour's relative error, and a constant error of 0.1 EBC.
FIRST_ERROR = ErrorModel(constant=0.1, relative=0.015)


@dataclass(frozen=True)
class ColourModel:
    """A fitted colour regression; see `fit_colour`."""

    regression: str  # the one that answers: `"optical"`, `"log_absorbance"`, `"pls"` or a kind of `SpectralRows`
    fold_regression: Names  # (K,): the one chosen without each batch
    optical: ProcessRegression | None  # optical, spectral, pls, snv: those that are named above
    spectral: ProcessRegression | None
    pls: PlsRegression | None
    error: ErrorModel  # from held-out residuals
    batch_code: Ints  # (K,): code of each batch in the levels fitted on
    # lab_colour, held_out_colour: (K,): lab colour, and the prediction at all pours by the model that never saw the
    # batch
    lab_colour: Floats
    held_out_colour: Floats
    # score, score_batch, score_pours: (m,): signed held-out residuals of the response over their expected size;
    # position of the batch; number of pours behind
    score: Floats
    score_batch: Ints
    score_pours: Ints
    labs: LabEffects | None = None  # of labs that were told apart; colours are those of the first; None for old models
    response: Response = LOG  # what the regressions are fitted to
    snv: ProcessRegression | None = None

    @property
    def n_batches(self) -> int:
        """Number of batches behind the fit."""
        return self.lab_colour.size

    @cached_property
    def most_pours(self) -> int:
        """Largest number of pours of a sample that the set holds."""
        return int(self.score_pours.max())

    @cached_property
    def is_relative(self) -> bool:
        """Whether values and answers all lie above 0, so that errors and changes can be told as parts of them."""
        return bool(self.lab_colour.min() > 0.0)

    @property
    def usual_error(self) -> float:
        """Relative error of a value in the middle of the set, or of colours far from 0: that of pours, lamp and lab."""
        if self.response.logarithmic:
            return self.error.relative
        return float(np.sqrt(self.error.relative_variance(np.median(self.lab_colour))))

    def check_relative(self, what: str) -> None:
        """Refuse what counts in parts of a value where some values are 0 or below."""
        if not self.is_relative:
            raise OptionError(
                f"{what} counts errors as parts of a value, and the least value of the set is "
                f"{self.lab_colour.min():g}; it needs values above 0"
            )

    def predict(self, reflectance: ArrayLike) -> Floats:
        """Return colours, shape (n,), of spectra of shape (n, p)."""
        return self.response.value(self._named[self.regression].predict(reflectance)[0])

    def interval(self, reflectance: ArrayLike, n_pours: ArrayLike, coverage: float) -> conformal.Interval:
        """Return colours with limits that cover the lab value of a batch of the set's kind."""
        # reflectance (n, p), n_pours (n,)
        rows = np.asarray(reflectance, float)
        pours = np.broadcast_to(np.asarray(n_pours, np.int64), len(rows))
        level = np.minimum(np.maximum(pours, 1), self.most_pours)
        normal = self.n_batches < conformal.batches_needed(coverage)
        middle, low, high = (np.empty(rows.shape[0]) for _ in range(3))
        for m in np.flatnonzero(np.bincount(level)).tolist():
            chosen = np.flatnonzero(level == m)
            for start in range(0, chosen.size, BLOCK):
                part = chosen[start : start + BLOCK]
                middle[part], low[part], high[part] = self._limits(rows[part], m, coverage, normal)
        value = self.response.value
        method = conformal.NORMAL if normal else conformal.JACKKNIFE_PLUS
        return conformal.Interval(value(middle), value(low), value(high), method, normal)

    def held_out_errors(self, n_pours: int, coverage: float) -> Floats:
        """Return held-out errors at so many pours over half an interval, a column for each choice of the pours."""
        # -> (K, r): reading minus lab value, in logarithms; the choices of a batch that has fewer are said again
        used = self.score_pours == np.clip(n_pours, 1, self.most_pours)
        score, batch = self.score[used], self.score_batch[used]
        if self.n_batches < conformal.batches_needed(coverage):
            half = conformal.t_interval(np.zeros(1), np.ones(1), score, batch, coverage)[1]
        else:
            scores = conformal.held_out_scores(score, batch)
            half = scores.limits(np.zeros((1, self.n_batches)), np.ones(1), coverage)[1]
        own = [score[batch == code] for code in range(self.n_batches)]
        return -np.array([np.resize(one, max(map(len, own))) for one in own]) / half

    def _limits(self, rows: Floats, m: int, coverage: float, normal: bool) -> tuple[Floats, Floats, Floats]:
        middle, variance, without = self._named[self.regression].predict_with_and_without(rows)
        scale = np.sqrt(variance + self.response.variance(self.error, self.response.value(middle)))
        if normal:
            used = self.score_pours == m
            return middle, *conformal.t_interval(middle, scale, self.score[used], self.score_batch[used], coverage)
        for name, folds in self._other_folds:
            without[:, folds] = self._named[name].predict_without(rows)[:, folds]
        return middle, *self._scores[m].limits(without, scale, coverage)

    @cached_property
    def _other_folds(self) -> "list[tuple[str, Mask]]":
        """Folds that chose another regression than the whole."""
        others = sorted(set(self.fold_regression.tolist()) - {self.regression})
        return [(name, self.fold_regression == name) for name in others]

    @cached_property
    def _scores(self) -> dict[int, conformal.HeldOutScores]:
        """Scores of readings of so many pours."""
        used = {m: self.score_pours == m for m in np.unique(self.score_pours).tolist()}
        return {m: conformal.held_out_scores(self.score[rows], self.score_batch[rows]) for m, rows in used.items()}

    def held_out_widening(self, reflectance: Floats, left_out: Ints) -> Floats:
        """Return how many times wider an interval is where the batch at position `left_out` did not teach it, (n,)."""
        one = self._named[self.regression]
        middle, variance, _ = one.predict_with_and_without(reflectance)
        error = self.error.relative_variance(np.exp(middle))
        without = one.predict_held_out(reflectance, left_out)[1]
        return np.asarray(np.sqrt((without + error) / (variance + error)), float)

    def colours_without(self, batches: Ints) -> Floats | None:
        """Return what is predicted of some of its batches, (m,), without any of them; None where that takes a fit."""
        one = self._named[self.regression]
        if not isinstance(one, ProcessRegression) or len(one.process.features) < self.lab_colour.size:
            return None
        of = self.response.of(self.lab_colour[batches])
        return self.response.value(of - one.process.errors_without(batches))

    @cached_property
    def _named(self) -> Regressions:
        found: Regressions = {one.inputs: one for one in (self.optical, self.spectral, self.snv) if one is not None}
        return found if self.pls is None else found | {PLS: self.pls}


def _held_out(named: Regressions, fold_regression: Names, rows: Floats, batch: Ints) -> Floats:
    """Return responses, shape (n,), each by the regression chosen and fitted without the batch of its row."""
    out = np.empty(len(rows))
    for name in np.unique(fold_regression[batch]):
        own = np.flatnonzero(fold_regression[batch] == name)
        out[own] = named[str(name)].predict_held_out(rows[own], batch[own])[0]
    return out


def _chosen(named: Regressions) -> tuple[str, Names]:
    """Return the regression of least held-out error, the first one preferred, and the one chosen without each batch."""
    offered = list(named)
    handicap = np.where(np.arange(len(offered)) > 0, 1.0 / WORTH_A_CHANGE, 1.0)
    errors_without = np.array([one.choice_error_without for one in named.values()])
    without = np.array(offered)[np.argmin(handicap[:, None] * errors_without, axis=0)]
    return offered[int(np.argmin(handicap * [one.choice_error for one in named.values()]))], without


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
    """Fit the colour regression of a set: everything is chosen by held-out batches."""
    # Every regression is fitted to batch means, weighted by an error model that is learnt from held-out residuals; for
    # the intervals and the held-out colours all choices are made anew without each batch. Values that are no colour are
    # taken as they are or as logarithms, whichever is likelier.
    # reflectance (n_pours, p), colour (n_pours,), wavelength_nm (p,), batch_means (K, p)
    # regressions: what held-out batches choose from, the first one preferred: any of `REGRESSIONS`, or of
    # `ROW_REGRESSIONS`, or of `LIQUID_REGRESSIONS`
    # batch_means: mean reflectance of each batch in order of its code, where more pours of it are known than are given
    # here
    # values: who measured the lab colours and how well, in order of the batches' codes
    R, y = np.asarray(reflectance, float), np.asarray(colour, float)
    nm = np.asarray(wavelength_nm, float)
    position, each = levels.codes("batch"), np.arange(levels.beer.size)
    offered = _offered(regressions, nm, each.size)
    is_colour = offered[0] not in KINDS
    check_colours(y, position, any_sign=not is_colour)
    mean = levels.mean(R, to="batch") if batch_means is None else np.asarray(batch_means)
    lab = mean_by(y, position)[0]

    noise = channel_noise(R, levels.sample)
    extra = None if values is None or not is_colour else values.extra_variance
    given = _Given(mean, lab, nm, noise, extra, LOG, offered)
    given, first, labs = _of_one_lab(given, values) if is_colour else _likelier(given)
    lab, response = given.lab, given.response
    expected = response.error(response.of(lab) - first.predict_held_out(mean, each)[0], lab)
    named = _fit_all(given, expected)
    if offered == [OPTICAL]:
        _refuse_no_beer(given, expected, named[OPTICAL].choice_error)
    regression, fold_regression = _chosen(named)
    held_out = _held_out(named, fold_regression, mean, each)
    error = response.error(response.of(lab) - held_out, lab)

    score, score_batch, score_pours = _scored_pours(R, levels, given, named, (regression, fold_regression), error)
    return ColourModel(
        regression=regression,
        fold_regression=fold_regression,
        **_by_field({name: named[name] for name in {regression, *fold_regression.tolist()}}),
        error=error,
        batch_code=each,
        lab_colour=lab,
        held_out_colour=response.value(held_out),
        score=score,
        score_batch=score_batch,
        score_pours=score_pours,
        labs=labs,
        response=response,
    )


def _by_field(used: Regressions) -> dict[str, Any]:
    """Return the regressions that are chosen anywhere, by the field of the colour model that holds each."""
    spectral = (used[name] for name in (LOG_ABSORBANCE, AS_GIVEN, ABSORBANCE) if name in used)
    snv = used.get(SNV, used.get(SNV_ABSORBANCE))
    return {"optical": used.get(OPTICAL), "spectral": next(spectral, None), "snv": snv, "pls": used.get(PLS)}


def _scored_pours(
    reflectance: Floats, levels: Levels, given: "_Given", named: Regressions,
    chosen: tuple[str, Names], error: ErrorModel,
) -> tuple[Floats, Ints, Ints]:  # fmt: skip
    """Return errors of held-out readings over what is stated of them, their batches and their numbers of pours."""
    rows, sample, n_pours = pour_subsets(reflectance, levels.sample)
    batch, response = levels.batch[sample], given.response
    predicted, variance = named[chosen[0]].predict_held_out(rows, batch)
    other = chosen[1][batch] != chosen[0]
    predicted[other] = _held_out(named, chosen[1], rows[other], batch[other])
    of_error = response.variance(error, response.value(predicted))
    scale = np.sqrt(variance + with_extra(of_error, None if given.extra is None else given.extra[batch]))
    return (response.of(given.lab)[batch] - predicted) / scale, batch, n_pours


@dataclass(frozen=True)
class _Given:
    """What every regression of a set is fitted to."""

    mean: Floats  # (K, p)
    lab: Floats  # (K,)
    nm: Floats  # nm, noise: (p,)
    noise: Floats
    extra: Floats | None  # (K,)
    response: Response
    offered: list[str]

    def fit(self, name: str, expected: ErrorModel, worst: float = np.inf) -> Regression | None:
        """Fit one of the regressions, unless it is hopeless."""
        of_response = with_extra(self.response.variance(expected, self.lab), self.extra)
        rows = next((kind for kind in self.offered if kind in KINDS), None)
        share = None if rows is None else of_response.mean() / of_response
        if name != PLS:
            return fit_process(self.mean, self.response.of(self.lab), of_response, self.nm, self.noise, name, share)
        steep = self.response.unit * (self.lab if self.response.logarithmic else 1.0)
        return fit_pls_regression(
            self.mean, self.lab, steep * np.sqrt(of_response), rows or ABSORBANCE, worst,
            response=self.response, share=share,
        )  # fmt: skip


def _of_one_lab(given: _Given, values: LabValues | None) -> tuple[_Given, Regression, LabEffects]:
    """Return colours brought to those of one lab, the first regression on them, and what labs read above it."""
    first = given.fit(given.offered[0], FIRST_ERROR)
    assert first is not None  # without a bar, none falls below it
    labs = _lab_effects(first, given.mean, given.lab, values)
    if values is None or not labs.labs:
        return given, first, labs
    given = replace(given, lab=given.lab * np.exp(-labs.of(values.labs)))
    return given, given.fit(given.offered[0], FIRST_ERROR) or first, labs


def _likelier(given: _Given) -> tuple[_Given, Regression, LabEffects]:
    """Return values of any kind as they are or as logarithms, whichever is likelier, and the first regression."""
    tried = []
    for response in responses(given.lab):
        one = replace(given, response=response)
        first = one.fit(given.offered[0], first_error(response))
        assert first is not None  # without a bar, none falls below it
        residual = response.of(given.lab) - first.predict_held_out(given.mean, np.arange(given.lab.size))[0]
        tried.append((response.log_likelihood(residual, given.lab), one, first))
    _, given, first = max(tried, key=lambda found: found[0])
    return given, first, NO_LABS


def _refuse_no_beer(given: _Given, expected: ErrorModel, of_optical: float) -> None:
    """Refuse the optical regression for a liquid that absorbs otherwise than any beer: held-out batches tell."""
    # of_optical: its squared held-out error
    others = _offered(OTHERS_THAN_OPTICAL, given.nm, given.lab.size)
    errors = {name: one.choice_error for name in others if (one := given.fit(name, expected)) is not None}
    best = min(errors, key=errors.__getitem__)
    if of_optical > max(NO_BEER * errors[best], LEAST_ERROR**2):
        raise OptionError(
            f"regression='optical' errs by {np.sqrt(of_optical):.0%} on batches held out, {best!r} by "
            f"{np.sqrt(errors[best]):.1%}: these spectra are not those of a beer, whose absorption it rests on; take "
            f"regression={best!r}, or 'auto', which lets held-out batches choose"
        )


def _lab_effects(first: Regression, mean: Floats, lab: Floats, values: LabValues | None) -> LabEffects:
    if values is None or not isinstance(first, ProcessRegression):
        return NO_LABS
    known, rows = first.made(mean)
    inverse = first.process.inverse
    if len(inverse) == lab.size:
        return fit_lab_effects(values.labs, np.log(lab) - known, inverse)
    # of many hundreds of batches the process is held through a few: its residuals are all but independent
    rest = np.log(lab) - known - first.process.predict(rows)[0]
    return fit_lab_effects(values.labs, rest - rest.mean(), np.eye(lab.size) / float(np.var(rest)))


def _fit_all(given: _Given, expected: ErrorModel) -> Regressions:
    named: Regressions = {}
    for name in given.offered:
        worst = HOPELESS * min((one.choice_error for one in named.values()), default=np.inf)
        one = given.fit(name, expected, worst)
        if one is not None:
            named[name] = one
    return named


def _offered(regressions: tuple[str, ...], nm: Floats, n_batches: int) -> list[str]:
    known = (OPTICAL, LOG_ABSORBANCE, *KINDS, PLS)
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
        if (name != OPTICAL or visible)
        and (name != PLS or n_batches >= FEWEST_BATCHES_FOR_PLS)
        and (name not in (SNV, SNV_ABSORBANCE) or nm.size >= FEWEST_CHANNELS)
    ]
    if not out:
        raise OptionError(
            f"none of {', '.join(regressions)} can be fitted to {n_batches} batches and {nm.size} channels"
        )
    return out


# Chance of naming a beer that is like the others, for each beer: a set holds a dozen, and most are like the others.
FALSE_ALARM = 0.002


def beers_with_unreliable_colour(fit: ColourModel, beer: ArrayLike, n_beers: int) -> Mask:
    """Tell which beers err, held out, by so much more than the others that their A430 is not to be trusted."""
    # the mean square of a beer against that of all others by an F test, and at least 5 % of colour: haze, fruit and
    # nitro take light out of the beam that the lab's clarified beer never lost
    # beer (K,) -> (n_beers,)
    codes = np.asarray(beer, np.int64)
    if fit.response != LOG:  # of another value nothing is known that light in the beam would do to it
        return np.zeros(n_beers, dtype=bool)
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
