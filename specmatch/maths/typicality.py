"""Learn how typical a spectrum is of each beer: distance in the scatter between batches, and a p-value for it.

The batch is the unit: degrees of freedom count batches, and a sample of m pours is held against scatter at m pours.
"""

import numpy as np
from numpy.typing import NDArray

from specmatch.errors import TooFewBatchesError
from specmatch.maths.metric import Samples
from specmatch.maths.metric_choice import choose_metric
from specmatch.maths.statistics import mean_by
from specmatch.maths.typical_beers import Match as Match
from specmatch.maths.typical_beers import TypicalityFit, typicality_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def fit_typicality(
    reflectance: Floats,
    beer: Ints,
    batch: Ints,
    sample: Ints,
    *,
    wavelength_nm: Floats,
    false_reject_rate: float = 0.05,
    transform: str = "auto",
    n_components: int | None = None,
) -> TypicalityFit:
    """Learn what is typical of each beer.

    Parameters
    ----------
    reflectance : ndarray, shape (n_pours, p)
        One row a pour, on the usable band, without missing values.
    beer, batch, sample : ndarray of int, shape (n_pours,)
        Codes from 0 upwards, none left out.
    wavelength_nm : ndarray, shape (p,)
        Kept in step with the columns; the metric finds its band from the noise of the channels.
    false_reject_rate : float, default 0.05
        Rate at which beers are to be refused; it decides which beers have batches enough for ranks.
    transform : {"auto", "reflectance", "absorbance", "log_absorbance"}, default "auto"
        `auto` lets held-out batches and held-out beers choose it.
    n_components : int or None
        Axes of the metric; None lets held-out batches and held-out beers choose.

    Returns
    -------
    TypicalityFit

    Raises
    ------
    TooFewBatchesError
        With fewer than two batches in all.

    Notes
    -----
    T2 of beer k is n/(n+1) (z - m)' W^-1 (z - m) / v with m the mean of its n batches, v its own variance over the
    pooled one, and W the pooled scatter of samples about their beers with nu = batches - beers degrees of freedom;
    (nu - a + 1)/(nu a) T2 ~ F(a, nu - a + 1) for a axes (Hotelling; T. W. Anderson, An Introduction to Multivariate
    Statistical Analysis, ch. 5; from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> strength = np.repeat([1.0, 2.0], 8) * np.exp(rng.normal(0, 0.03, 16))
    >>> nm = np.linspace(450.0, 650.0, 21)
    >>> reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0))
    >>> each = np.arange(16)
    >>> fit = fit_typicality(reflectance, each // 8, each, each, wavelength_nm=nm)
    >>> match = fit.match(reflectance[[0]] ** 1.4, np.array([1]))
    >>> (match.p_value < 0.05).tolist()
    [[True, True]]
    """
    means, n_pours = mean_by(reflectance, sample)
    if batch.max() < 1:
        raise TooFewBatchesError(
            f"identity cannot be learnt from {batch.max() + 1} batch; give at least two batches of a beer, or two beers"
        )
    samples = Samples(means, n_pours, _parent(sample, batch), _parent(batch, beer))
    choice = choose_metric(samples, reflectance, sample, transform=transform, n_components=n_components)
    return typicality_of(samples, choice, false_reject_rate)


def _parent(child: Ints, parent: Ints) -> Ints:
    of_child = np.empty(child.max() + 1, np.int64)
    of_child[child] = parent
    return of_child
