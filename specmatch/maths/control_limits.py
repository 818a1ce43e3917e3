"""Control charts of single values: individuals, EWMA, CUSUM, all with limits from a baseline that stays put.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from specmatch.array_types import Floats
from specmatch.errors import OptionError

# mean range of two normal values over their standard deviation, in the digits that the handbook works with
D2 = 1.128
EWMA_WEIGHT = 0.3
# a CUSUM for shifts of about one standard deviation: half of it is allowed, five are the signal
CUSUM_ALLOWANCE, CUSUM_DECISION = 0.5, 5.0


@dataclass(frozen=True)
class Baseline:
    """Where a chart starts from.

    Attributes
    ----------
    centre : float
        Mean of the baseline.
    sd : float
        Mean moving range over 1.128: shifts within the baseline widen it less than they would a standard deviation.
    n : int
        Values behind it.
    """

    centre: float
    sd: float
    n: int


def baseline_of(values: ArrayLike) -> Baseline:
    """Return centre and standard deviation of a baseline.

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of time, n >= 2, finite.

    Returns
    -------
    Baseline

    Raises
    ------
    OptionError
        With fewer than two values.

    Examples
    --------
    >>> base = baseline_of([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(base.centre, 2), round(base.sd * 1.128, 4)
    (50.81, 1.8778)
    """
    x = np.asarray(values, float)
    if x.size < 2:
        raise OptionError(f"a baseline holds {x.size} values; give at least 2, better 20")
    return Baseline(float(x.mean()), float(np.abs(np.diff(x)).mean() / D2), int(x.size))


def individuals_limits(baseline: Baseline, *, width: float = 3.0) -> tuple[float, float]:
    """Return lower and upper limit of single values: `width` standard deviations about the centre.

    Parameters
    ----------
    baseline : Baseline
    width : float, default 3

    Returns
    -------
    lower, upper : float
        In the unit of the values.

    Examples
    --------
    >>> base = baseline_of([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> [round(limit, 3) for limit in individuals_limits(base)]
    [45.816, 55.804]
    """
    return baseline.centre - width * baseline.sd, baseline.centre + width * baseline.sd


def ewma(values: ArrayLike, start: float, *, weight: float = EWMA_WEIGHT) -> Floats:
    """Return the exponentially weighted moving average after each value.

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of time.
    start : float
        Average before the first value.
    weight : float, default 0.3
        Of the newest value, in (0, 1].

    Returns
    -------
    ndarray, shape (n,)

    Examples
    --------
    >>> ewma([52.0, 47.0], 50.0).round(2).tolist()
    [50.6, 49.52]
    """
    x = np.asarray(values, float)
    averages = np.empty(x.size)
    level = start
    for i, value in enumerate(x):
        level += weight * (value - level)
        averages[i] = level
    return averages


def ewma_limits(baseline: Baseline, *, weight: float = EWMA_WEIGHT, width: float = 3.0) -> tuple[float, float]:
    """Return lower and upper limit of the moving average once it has run for a while.

    Parameters
    ----------
    baseline : Baseline
    weight : float
        Of the newest value, in (0, 1), as for `ewma`.
    width : float, default 3
        In standard deviations of the average.

    Returns
    -------
    lower, upper : float
        In the unit of the values.

    Examples
    --------
    >>> [round(limit, 4) for limit in ewma_limits(Baseline(50.0, 2.0539, 20))]
    [47.4116, 52.5884]
    """
    half = width * baseline.sd * np.sqrt(weight / (2.0 - weight))
    return float(baseline.centre - half), float(baseline.centre + half)


def cusum(values: ArrayLike, target: float, allowance: float) -> tuple[Floats, Floats]:
    """Return the sums of departures upwards and downwards beyond an allowance, each never below 0.

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of time.
    target, allowance : float
        In the unit of the values.

    Returns
    -------
    upper, lower : ndarray, shape (n,)
        A signal stands where one of them exceeds the decision interval.

    Examples
    --------
    >>> upper, lower = cusum([1.0, 3.0], 0.0, 0.5)
    >>> upper.tolist(), lower.tolist()
    ([0.5, 3.0], [0.0, 0.0])
    """
    away = np.asarray(values, float) - target
    upper, lower = np.empty(away.size), np.empty(away.size)
    up = down = 0.0
    for i, departure in enumerate(away):
        up = max(0.0, up + departure - allowance)
        down = max(0.0, down - departure - allowance)
        upper[i], lower[i] = up, down
    return upper, lower
