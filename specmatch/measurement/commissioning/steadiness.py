"""How steady a module is: drift over the hour, and repeats of a cup that is taken out and put back."""

import numpy as np

from specmatch.array_types import Floats
from specmatch.measurement.checks.wavelength import wavelength_shift
from specmatch.measurement.commissioning.response import Estimate

FEWEST_FOR_A_SLOPE = 4


def slope_per_hour(values: Floats, hours: Floats) -> Estimate | None:
    """Fit a straight line over time; its uncertainty allows for neighbours in time that go together."""
    # values, hours (n,)
    n = values.size
    if n < FEWEST_FOR_A_SLOPE or not np.isfinite(hours).all() or np.ptp(hours) <= 0:
        return None
    order = np.argsort(hours, kind="stable")
    t, y = hours[order] - hours.mean(), values[order]
    slope = float(t @ y) / float(t @ t)
    left = y - y.mean() - slope * t
    variance = float(left @ left) / (n - 2)
    # neighbours that go together tell less than their number (first-order autoregression)
    rho = float(np.clip(left[1:] @ left[:-1] / max(left @ left, 1e-300), 0.0, 0.8))
    return Estimate(slope, float(np.sqrt(variance / (t @ t) * (1.0 + rho) / (1.0 - rho))))


def level_of(net: Floats) -> Floats:
    """Return the log level of each scan over its mates, channels of more light weighing more."""
    # net (n, p) -> (n,)
    mean = net.mean(axis=0)
    bright = mean > 0.1 * mean.max()
    share: Floats = np.log(net[:, bright].clip(min=1e-12)) - np.log(mean[bright])
    level: Floats = share @ (mean[bright] / mean[bright].sum())
    return level


def tilt_of(net: Floats, nm: Floats) -> Floats:
    """Return the log level of the blue half of the light less that of the red half."""
    # net (n, p) -> (n,)
    mean = net.mean(axis=0)
    middle = nm[np.searchsorted(np.cumsum(mean) / mean.sum(), 0.5)]
    return level_of(net[:, nm < middle]) - level_of(net[:, nm >= middle])


def shifts_of(net: Floats, nm: Floats) -> Floats:
    """Return how far the axis of each scan has moved against their mean, on the flanks of the lamp, nm."""
    # net (n, p) -> (n,)
    mean = net.mean(axis=0)
    bright = mean > 0.05 * mean.max()
    return wavelength_shift(net[:, bright] / mean[bright], mean[bright], nm[bright])


def spread(values: Floats) -> Estimate:
    """Return the standard deviation of repeats with its own."""
    # values (n,)
    sd = float(values.std(ddof=1))
    return Estimate(sd, sd / float(np.sqrt(2.0 * (values.size - 1))))
