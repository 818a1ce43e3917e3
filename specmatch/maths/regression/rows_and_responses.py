"""What regressions are fitted on: spectra of any liquid as rows, values as responses, and how errors of values grow."""

# Channels of nothing but noise would own the variance of the rows, so each is divided by its noise, which its
# neighbours show. Colour is taken as its logarithm, because its errors are relative; values that lie near 0 or below
# are taken as they are.

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError
from specmatch.maths.spectra.noise import channel_noise
from specmatch.maths.spectra.transforms import absorbance, unit_variance

AS_GIVEN, SNV, ABSORBANCE, SNV_ABSORBANCE = "as_given", "snv", "absorbance", "snv_absorbance"
KINDS = (AS_GIVEN, SNV, ABSORBANCE, SNV_ABSORBANCE)

# Channels over which noise is averaged: a few rows know that of a single one badly.
NEIGHBOURS = 11

# Noise below this part of the usual spread between rows counts as this part: what is bent there is no noise (tuning).
LEAST_NOISE = 0.03


@dataclass(frozen=True)
class SpectralRows:
    """What is made of spectra before they are regressed on; see `learn_rows`."""

    kind: str  # one of `KINDS`
    centre: Floats  # (p,): a row of the set
    weight: Floats  # (p,): over the noise of each channel, so that rows have a mean square length of 1

    def of(self, spectra: ArrayLike) -> Floats:
        """Return the rows of spectra."""
        # spectra (n, p) -> (n, p)
        return (_made(spectra, self.kind) - self.centre) * self.weight


def _made(spectra: ArrayLike, kind: str) -> Floats:
    if kind not in KINDS:
        raise OptionError(f"rows are {kind!r}; one of {', '.join(KINDS)} is offered")
    rows = absorbance(spectra) if kind in (ABSORBANCE, SNV_ABSORBANCE) else np.asarray(spectra, float)
    return unit_variance(rows) if kind in (SNV, SNV_ABSORBANCE) else rows


def learn_rows(spectra: Floats, kind: str) -> SpectralRows:
    """Learn the noise of channels from a set's spectra: from no value that is to be regressed."""
    # spectra (K, p)
    rows = _made(spectra, kind)
    about = rows - rows.mean(axis=0)
    # Centred on a row and not on the mean: rows about their mean sum to 0, and with more channels than rows a straight
    # line would know the one that is left out from the others.
    centre = rows[int((about**2).sum(axis=1).argmin())]
    weight = np.ones(rows.shape[1])
    if weight.size >= NEIGHBOURS:
        of_channel = np.pad(channel_noise(about, np.arange(len(rows))) ** 2, NEIGHBOURS // 2, mode="edge")
        noise = np.convolve(of_channel, np.full(NEIGHBOURS, 1.0 / NEIGHBOURS), mode="valid")
        usual = np.median((about**2).mean(axis=0))
        weight = 1.0 / np.sqrt(np.maximum(noise + LEAST_NOISE**2 * usual, np.finfo(float).tiny))
    length = np.sqrt((((rows - centre) * weight) ** 2).sum(axis=1).mean())
    return SpectralRows(kind, centre, weight / length if length > 0 else weight)


# a / b, the colour below which the constant part rules, in the unit of the colours; 0 is none
_CROSSOVERS = np.concatenate([[0.0], np.geomspace(0.5, 100.0, 24)])

# c y / b at the darkest colour: how the growing part stands to the relative one there; 0 is none
_GROWTHS = np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.0])

# The growing part must earn its place by so much of log likelihood, or a dozen residuals would see it in noise.
_PRICE = 0.5

# b y / a at the largest value, where values are taken as they are: how the relative part stands to the constant one
_RELATIVE_PARTS = np.array([0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0])

# A straight line may run below any value; where all values are above 0, an answer is cut at this share of the least.
SHARE_OF_LEAST = 0.1

# Before anything is held out: error as a part of the spread of values that are no colours.
FIRST_PART = 0.1


@dataclass(frozen=True)
class ErrorModel:
    """Standard deviation of a value's error: sd(y)^2 = a^2 + (b y)^2 + (c y^2)^2."""

    constant: float  # `a`, in the unit of the values: the lab's readings of pale beers
    relative: float  # `b`, a fraction: pours, lamp, the lab
    growth: float = 0.0  # `c`, per unit of value: the darker, the less light is left to read from

    def relative_variance(self, value: ArrayLike) -> Floats:
        """Return the variance of the log value to first order: that of the value over its square."""
        y = np.asarray(value, float)
        return self.relative**2 + (self.constant / y) ** 2 + (self.growth * y) ** 2

    def variance(self, value: ArrayLike) -> Floats:
        """Return the variance of the value, of the shape of `value`."""
        y = np.asarray(value, float)
        return self.constant**2 + (self.relative * y) ** 2 + (self.growth * y**2) ** 2


@dataclass(frozen=True)
class Response:
    """What a regression is fitted to: (log y - centre) / unit, or (y - centre) / unit."""

    logarithmic: bool = True
    centre: float = 0.0
    unit: float = 1.0
    least: float = 0.0  # no answer is below it

    def of(self, value: ArrayLike) -> Floats:
        """Return values as the regression takes them."""
        y = np.asarray(value, float)
        return ((np.log(y) if self.logarithmic else y) - self.centre) / self.unit

    def value(self, response: ArrayLike) -> Floats:
        """Return the values again."""
        y = self.centre + self.unit * np.asarray(response, float)
        return np.exp(y) if self.logarithmic else np.maximum(y, self.least)

    def variance(self, error: ErrorModel, value: ArrayLike) -> Floats:
        """Return the variance of the response at values whose error is known."""
        return (error.relative_variance(value) if self.logarithmic else error.variance(value)) / self.unit**2

    def error(self, residual: ArrayLike, value: ArrayLike) -> ErrorModel:
        """Fit the error model to residuals of the response."""
        e = self.unit * np.asarray(residual, float)
        return fit_error_model(e, value) if self.logarithmic else _fit_absolute(e, np.asarray(value, float))

    def log_likelihood(self, residual: ArrayLike, value: ArrayLike) -> float:
        """Return the log likelihood of the values, so that responses of one set can be compared."""
        e, y = np.asarray(residual, float), np.asarray(value, float)
        variance = self.variance(self.error(e, y), y)
        steepness = np.log(self.unit) + (np.log(y) if self.logarithmic else 0.0)
        return float(-np.sum(0.5 * (e**2 / variance + np.log(variance)) + steepness))


LOG = Response()


def responses(value: Floats) -> tuple[Response, ...]:
    """Return the responses that values allow, each of mean 0 and standard deviation 1."""
    # value (K,)
    positive = bool((value > 0).all())
    least = SHARE_OF_LEAST * float(value.min()) if positive else -np.inf
    out = (Response(False, float(value.mean()), float(value.std()), least),)
    return (*out, Response(True, float(np.log(value).mean()), float(np.log(value).std()))) if positive else out


def first_error(response: Response) -> ErrorModel:
    """Return the error of a response before anything is held out."""
    part = FIRST_PART * response.unit
    return ErrorModel(0.0, part) if response.logarithmic else ErrorModel(part, 0.0)


def fit_error_model(residual: ArrayLike, colour: ArrayLike) -> ErrorModel:
    """Fit the error model to relative residuals by maximum likelihood of normal errors."""
    # residual (n,), colour (n,)
    e, y = np.asarray(residual, float), np.asarray(colour, float)
    darkest = float(y.max())
    ratio, growth = (grid.ravel() for grid in np.meshgrid(_CROSSOVERS, _GROWTHS, indexing="ij"))
    shape = 1.0 + (ratio[:, None] / y) ** 2 + (growth[:, None] * y / darkest) ** 2
    picked, relative = _likeliest(e, shape, np.where(growth > 0, _PRICE, 0.0))
    return ErrorModel(relative * float(ratio[picked]), relative, relative * float(growth[picked]) / darkest)


def _fit_absolute(residual: Floats, value: Floats) -> ErrorModel:
    """Fit the error model to residuals in the unit of the values, which may be 0 or below."""
    largest = max(float(np.abs(value).max()), np.finfo(float).tiny)
    shape = 1.0 + (_RELATIVE_PARTS[:, None] * value / largest) ** 2
    picked, constant = _likeliest(residual, shape, np.where(_RELATIVE_PARTS > 0, _PRICE, 0.0))
    return ErrorModel(constant, constant * float(_RELATIVE_PARTS[picked]) / largest)


def _likeliest(residual: Floats, shape: Floats, price: Floats) -> tuple[int, float]:
    """Return which shape of variance is likeliest, less its price, and the standard deviation that scales it."""
    # residual (n,), shape (m, n), price (m,)
    # with the ratios held, the best square is the mean of the scaled squares; the likelihood that is left picks them
    best_square = np.maximum(np.mean(residual**2 / shape, axis=1), np.finfo(float).tiny)
    loss = 0.5 * (residual.size * np.log(best_square) + np.log(shape).sum(axis=1)) + price
    picked = int(np.argmin(loss))
    return picked, float(np.sqrt(best_square[picked]))
