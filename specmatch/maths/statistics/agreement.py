"""How well predictions agree with reference values: figures of a validation, and whether new errors are as the old."""

# Figures and straight line are those of ISO 12099 (from memory), over n independent samples. An error is prediction
# minus reference: a positive bias means readings too dark. New errors are held against those of held-out batches by
# bias, slope and scatter, batches of a beer sharing an effect of it.

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, ndtri, stdtr, stdtrit

from specmatch.array_types import Floats, Ints
from specmatch.errors import TableError
from specmatch.maths.statistics.levels import mean_by
from specmatch.maths.statistics.robust import NORMAL_MAD
from specmatch.maths.statistics.variance_components import satterthwaite_df

# chance of a limit to be passed where there is neither bias nor slope
ALPHA = 0.05


@dataclass(frozen=True)
class Line:
    """A straight line by least squares, with the uncertainty of its two numbers."""

    intercept: float
    slope: float
    intercept_sd: float
    slope_sd: float
    correlation: float  # between the two, for the `x` that was given
    residual_sd: float  # with n - 2 degrees of freedom
    n: int

    def at(self, x: ArrayLike) -> tuple[Floats, Floats]:
        """Return the height of the line at `x`, and its standard uncertainty, both of the shape of `x`."""
        where = np.asarray(x, float)
        variance = (
            self.intercept_sd**2
            + (where * self.slope_sd) ** 2
            + 2.0 * where * self.correlation * self.intercept_sd * self.slope_sd
        )
        return self.intercept + self.slope * where, np.sqrt(variance)


def fit_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line by least squares (JCGM 100:2008, annex H.3)."""
    # x, y (n,)
    u, v = np.asarray(x, float), np.asarray(y, float)
    n = u.size
    if n < 3 or np.ptp(u) == 0.0:
        raise TableError(
            f"{n} points over a range of {np.ptp(u) if n else 0:g}; a line needs three, at different places"
        )
    middle = u.mean()
    square = float(np.sum((u - middle) ** 2))
    slope = float(np.sum((u - middle) * v)) / square
    intercept = float(v.mean() - slope * middle)
    residual_sd = float(np.sqrt(np.sum((v - intercept - slope * u) ** 2) / (n - 2)))
    root = float(np.sqrt(np.mean(u**2)))
    intercept_sd, slope_sd = residual_sd * root / np.sqrt(square), residual_sd / np.sqrt(square)
    correlation = -float(middle) / root if root else 0.0
    return Line(intercept, slope, intercept_sd, slope_sd, correlation, residual_sd, n)


@dataclass(frozen=True)
class Agreement:
    """Reference values against predictions; see `agreement`."""

    n: int
    bias: float  # mean of prediction minus reference; above 0 readings are too dark
    bias_limit: float  # A bias within it may be chance
    sep: float  # standard deviation of the errors about their mean
    rmsep: float
    slope: float  # slope, intercept: of reference on prediction
    intercept: float
    slope_t: float  # |slope - 1| over its standard error, n - 2 degrees of freedom
    slope_limit: float  # above it the slope is not 1
    rpd: float  # standard deviation of the reference values over SEP
    iqr_over_sep: float  # their interquartile range over SEP, for values that are spread unevenly
    r_squared: float  # 1 - sum of squared errors over that about the mean of the reference values


def agreement(reference: ArrayLike, predicted: ArrayLike) -> Agreement:
    """Compare predictions with reference values."""
    # RMSEP^2 = SEP^2 (n - 1)/n + bias^2; the slope is tested with the scatter about the line
    # reference, predicted (n,)
    y, yhat = np.asarray(reference, float), np.asarray(predicted, float)
    if y.shape != yhat.shape or y.ndim != 1:
        raise TableError(f"reference has shape {y.shape}, predicted {yhat.shape}; two lists of one length are needed")
    line = fit_line(yhat, y)
    e = yhat - y
    n = e.size
    sep = float(e.std(ddof=1))
    tiny = np.finfo(float).tiny
    quartiles = np.percentile(y, [25, 75])
    return Agreement(
        n=n,
        bias=float(e.mean()),
        bias_limit=bias_limit(sep, n),
        sep=sep,
        rmsep=float(np.sqrt(np.mean(e**2))),
        slope=line.slope,
        intercept=line.intercept,
        slope_t=abs(line.slope - 1.0) / max(line.slope_sd, tiny),
        slope_limit=float(stdtrit(n - 2, 1.0 - ALPHA / 2.0)),
        rpd=float(y.std(ddof=1)) / max(sep, tiny),
        iqr_over_sep=float(quartiles[1] - quartiles[0]) / max(sep, tiny),
        r_squared=1.0 - float(np.sum(e**2)) / max(float(np.sum((y - y.mean()) ** 2)), tiny),
    )


def bias_limit(sep: float, n: int) -> float:
    """Return the bias that chance alone may give: t(1 - ALPHA/2, n - 1) SEP / sqrt n."""
    return float(stdtrit(n - 1, 1.0 - ALPHA / 2.0)) * sep / float(np.sqrt(n))


# Chance with which the smallest bias that is stated would be found.
POWER = 0.8

# A bias matters that takes the intervals to so much less than they state.
COVERAGE_LOST = 0.2

# Errors beyond so many robust standard deviations say no more of a bias than one there: 95 % as sure as a mean where
# errors are normal, surer where tails are heavy (P. J. Huber, Annals of Mathematical Statistics 35:73-101, 1964; from
# memory)
HUBER = 1.345
# the search for it ends when nothing moves by so much of what errors are drawn in to
MOST_ROUNDS, SETTLED = 50, 1e-6


@dataclass(frozen=True)
class Scatter:
    """How errors scatter about the means of their beers, in units of their expected size."""

    mean_square: float
    df: int
    n_beers: int
    kurtosis: float  # 3 for normal errors, above it with heavy tails
    # reach, inside, drawn_in: where errors are drawn in to for a bias, the share of them that lie within, and the mean
    # square of drawn-in errors, as they bear on a mean, over `mean_square`
    reach: float = np.inf
    inside: float = 1.0
    drawn_in: float = 1.0

    def likelier_than(self, new: "Scatter") -> float:
        """Return how often errors that scatter as these do would scatter as much as the new ones."""
        # tails are those of both: a few batches seldom show how far one may lie out, and the new ones may be the first
        weight = np.array([self.df, new.df]) / (self.df + new.df)
        squares, kurtosis = np.array([(one.mean_square, one.kurtosis) for one in (self, new)]).T
        tails = float(weight @ (kurtosis * squares**2) / (weight @ squares) ** 2)
        # G. E. P. Box, Biometrika 40:318-335, 1953; L. H. Shoemaker, The American Statistician 57:105-114, 2003 (both
        # from memory): under such tails the variance of s^2 / sigma^2 is about (kurtosis - 1) / df
        df = [one.df * 2.0 / (max(tails, 3.0) - 1.0) for one in (new, self)]
        return float(fdtrc(*df, new.mean_square / self.mean_square))


def scatter_within(errors: Floats, beer: Ints) -> Scatter:
    """Return the scatter of errors about the means of beers."""
    # errors (n, r), beer (n,); errors of a row: of equally many pours of one batch, a column a choice of them
    beer = np.unique(beer, return_inverse=True)[1]
    mean, counts = mean_by(errors, beer)
    about = errors - mean[beer]
    df = len(beer) - counts.size
    square = float(np.sum(about**2) / errors.shape[1])
    scaled = about[(counts > 1)[beer]] * np.sqrt(counts / np.maximum(counts - 1, 1))[beer[(counts > 1)[beer]], None]
    if not (df and square > 0):
        return Scatter(0.0, df, counts.size, 3.0)
    kurtosis = float(np.mean(scaled**4) / np.mean(scaled**2) ** 2)
    reach = HUBER * float(np.median(np.abs(scaled))) / NORMAL_MAD or np.inf  # more than half agree to the digit
    short = np.clip(about, -reach, reach)
    inside = float(np.mean(np.abs(about) < reach))
    drawn = float(np.sum((short - mean_by(short, beer)[0][beer]) ** 2)) / inside**2
    return Scatter(square / df, df, counts.size, kurtosis, reach, inside, drawn / errors.shape[1] / square)


@dataclass(frozen=True)
class NewErrors:
    """Errors of new batches; see `judge_errors`."""

    bias: float  # weighted mean of the beers' mean errors
    bias_sd: float  # with `bias_df` degrees of freedom (Satterthwaite)
    bias_df: float
    slope: float  # of the error on `at`; NaN from fewer than three beers
    slope_sd: float
    centre: float  # weighted mean of `at`, where the line has the height `bias`
    p_bias: float  # p_bias, p_slope, p_beers, p_scatter: chance of as much in a model that errs as it did; 1 untested
    p_slope: float
    p_beers: float  # the beers' means differ among themselves, a slope aside
    p_scatter: float
    smallest_found: float  # a bias of this size would be found in eight of ten such validations
    matters: float  # a bias of this size takes intervals to covering `COVERAGE_LOST` less than they state


def judge_errors(
    errors: Floats, size: Floats, beer: Ints, at: Floats, known: Ints, old: Scatter, *, coverage: float, alpha: float
) -> NewErrors:
    """Judge new errors of a model, batches nested in beers."""
    # A model that is right errs by beer: it has learnt each beer from its own few batches, so the mean error of a beer
    # has the variance phi (size^2 / known + 1 / sum 1/size^2), phi the mean square within beers, of old and new errors
    # together. What the beers' means scatter by beyond it (random effect of the beer) widens the bias: its variance is
    # made of both mean squares, weighed by the degrees of freedom of new beers and of those the model was learnt from.
    # errors, size, at (n,): error of each new batch, its expected size, where it lies (log colour)
    # beer (n,): codes from 0; known (b,): batches of each beer behind the model; old: of errors over their size
    # alpha: level of the test of bias
    df = beer.size - known.size + old.df
    every = _through_beers(errors, size, beer, at, known)
    phi = (every.within + old.mean_square * old.df) / df
    p_beers = float(fdtrc(every.left_df, df, every.left / every.left_df / phi)) if every.left_df > 0 else 1.0
    # what the model learnt from was not drawn in
    line = _through_beers(_drawn_in(errors, size, at, known, old), size, beer, at, old.drawn_in * known.astype(float))
    core = (line.within + old.drawn_in * old.mean_square * old.df) / df
    squares, freedom = np.array([line.left / max(line.left_df, 1), core]), np.array([line.left_df, df])
    mixed = np.array([line.left_df, vouching := max(old.n_beers - 1, 1)]) / (line.left_df + vouching)
    variance = float(mixed @ squares)
    # beers that differ for reasons of their own tilt a line through them as they move its height
    bias_df, bias_sd = satterthwaite_df(mixed, squares, freedom), float(np.sqrt(variance / line.weight))
    told = np.isfinite(line.slope)
    slope_sd = float(np.sqrt(variance / line.spread_at)) if told else np.nan
    p_slope = 2.0 * float(stdtr(bias_df, -abs(line.slope) / slope_sd)) if told else 1.0
    tested = beer.size > known.size and old.df
    p_scatter = old.likelier_than(scatter_within((errors / size)[:, None], beer)) if tested else 1.0
    found = float(stdtrit(bias_df, 1.0 - alpha / 2.0) + stdtrit(bias_df, POWER))
    # so many standard deviations must a normal error be off to leave `COVERAGE_LOST` more outside
    off = float(ndtri(0.5 + coverage / 2.0) - ndtri(max(coverage - COVERAGE_LOST, 0.05)))
    return NewErrors(
        bias=line.bias,
        bias_sd=bias_sd,
        bias_df=bias_df,
        slope=line.slope,
        slope_sd=slope_sd,
        centre=line.centre,
        p_bias=2.0 * float(stdtr(bias_df, -abs(line.bias) / bias_sd)),
        p_slope=p_slope,
        p_beers=p_beers,
        p_scatter=p_scatter,
        smallest_found=found * bias_sd,
        matters=float(off * np.sqrt(phi * np.mean(size**2))),
    )


@dataclass(frozen=True)
class _LineOfBeers:
    """A line through the mean errors of beers."""

    bias: float
    slope: float  # NaN from fewer than three beers
    centre: float
    weight: float  # of all beers
    spread_at: float  # weighted sum of squares of where the beers lie
    left: float  # weighted sum of squares of the beers' means about the line, with `left_df` degrees of freedom
    left_df: int
    within: float  # sum of squares of errors about the means of beers


def _through_beers(errors: Floats, size: Floats, beer: Ints, at: Floats, known: Floats | Ints) -> _LineOfBeers:
    each = 1.0 / size**2
    total, counts = np.bincount(beer, each), np.bincount(beer)
    mean, where = np.bincount(beer, each * errors) / total, np.bincount(beer, each * at) / total
    weight = 1.0 / (counts / total / known + 1.0 / total)
    whole = float(weight.sum())
    bias, centre = float(weight @ mean) / whole, float(weight @ where) / whole
    x = where - centre
    spread, square = float(weight @ (mean - bias) ** 2), float(weight @ x**2)
    slope = float(weight @ (x * mean)) / square if counts.size >= 3 and np.ptp(where) > 0 else np.nan
    left, df = (spread - slope**2 * square, counts.size - 2) if np.isfinite(slope) else (spread, counts.size - 1)
    within = float(np.sum(each * (errors - mean[beer]) ** 2))
    return _LineOfBeers(bias, slope, centre, whole, square, left, df, within)


def _drawn_in(errors: Floats, size: Floats, at: Floats, known: Ints, old: Scatter) -> Floats:
    """Return errors whose means are robust: far ones drawn in to a line over `at`, all spread to the same doubt."""
    # pseudo-values of M-estimates: line + psi / mean psi' (P. J. Huber, Robust Statistics, 1981, 7.6; from memory)
    reach = old.reach * float(np.sqrt(1.0 + 1.0 / known.mean()))
    if not np.isfinite(reach):
        return errors
    columns = [np.ones(at.size)] + ([at - at.mean()] if known.size >= 3 and np.ptp(at) > 0 else [])
    design, scaled = np.stack(columns, axis=1) / size[:, None], errors / size
    line = np.zeros(at.size)
    for _ in range(MOST_ROUNDS):
        before, short = line, np.clip(scaled - line, -reach, reach)
        line = line + design @ np.linalg.lstsq(design, short, rcond=None)[0]
        if np.abs(line - before).max() <= SETTLED * reach:
            break
    # of few errors the share within reach is mostly luck, of many it tells that beers differ: old ones count as much
    inside = (old.inside + float(np.mean(np.abs(scaled - line) < reach))) / 2.0
    return size * (line + np.clip(scaled - line, -reach, reach) / inside)


def still_needed(found: NewErrors, size: Floats, beer: Ints, known: Ints) -> tuple[int, int]:
    """Return how many more batches of these beers, or else how many more beers of two batches, show what matters."""
    # size, beer (n,), known (b,) -> batches, beers: one of them, or both, 0
    counts, square = np.bincount(beer).astype(float), float(np.mean(size**2))

    def weight(n: Floats) -> float:
        return float(np.sum(1.0 / (square / known + square / n)))

    wanted = weight(counts) * (found.smallest_found / found.matters) ** 2
    if wanted <= weight(counts):
        return 0, 0
    more = 0
    # the model's own batches of these beers set a bound that no number of new ones passes
    if wanted < 0.9 * weight(np.full(known.size, np.inf)):
        while weight(counts) < wanted:
            counts[counts.argmin()] += 1
            more += 1
        return more, 0
    each = 1.0 / (square / float(known.mean()) + square / 2.0)
    return 0, int(np.ceil((wanted - weight(counts)) / each))
