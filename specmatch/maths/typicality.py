"""How typical a spectrum is of each beer: distance in the scatter between batches, and a p-value for it.

The batch is the unit: degrees of freedom count batches, and a sample of m pours is held against scatter at m pours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from specmatch.errors import TooFewBatchesError
from specmatch.maths.metric import Metric, Samples, squared_distances
from specmatch.maths.metric_choice import choose_metric
from specmatch.maths.statistics import mean_by

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

F_TAIL, NOT_AVAILABLE = "f_tail", "none"
# fewer batches than this and the beer's own scatter is not looked at: the pooled one stands for it
BATCHES_FOR_OWN_SCATTER = 4


@dataclass(frozen=True)
class Match:
    """Samples against beers.

    Attributes
    ----------
    p_value, distance : ndarray, shape (n, n_beers)
        How often a true sample of the beer lies as far out, and its distance as a root mean square over the axes in
        units of the beer's scatter (about 1 for a typical sample).
    nearest_batch, nearest_distance : ndarray, shape (n,)
        Code of the nearest fitted batch and its distance in the same units.
    p_method : tuple of str, one a beer
        `f_tail`, or `none` where the set has no scatter to judge by (p-value 1: nothing can be refused).
    """

    p_value: Floats
    distance: Floats
    nearest_batch: Ints
    nearest_distance: Floats
    p_method: tuple[str, ...]


@dataclass(frozen=True)
class TypicalityFit:
    """What `fit_typicality` learnt: a metric, the beers' means in it, and the batches they rest on."""

    metric: Metric
    beer_means: Floats  # (n_beers, a)
    batches_per_beer: Ints  # (n_beers,)
    batch_means: Floats  # (n_batches, a)
    merit: float

    @property
    def too_few_batches(self) -> NDArray[np.bool_]:
        """Beers, shape (n_beers,), whose scatter is borrowed from the others."""
        return self.batches_per_beer < BATCHES_FOR_OWN_SCATTER

    def match(self, reflectance: Floats, n_pours: Ints) -> Match:
        """Hold samples against every beer.

        Parameters
        ----------
        reflectance : ndarray, shape (n, p)
            Mean reflectance of each sample on the fitted wavelengths.
        n_pours : ndarray of int, shape (n,)
            Pours behind each row.

        Returns
        -------
        Match
        """
        n_axes, dof = self.beer_means.shape[1], self.metric.dof
        scores = self.metric.scores(reflectance)
        squared = np.empty((len(scores), len(self.beer_means)))
        to_batch, nearest = np.empty(len(scores)), np.empty(len(scores), np.int64)
        for pours in np.unique(n_pours):
            rows = np.flatnonzero(n_pours == pours)
            scatter = self.metric.scatter(float(pours))
            for n_batches in np.unique(self.batches_per_beer):
                beers = np.flatnonzero(self.batches_per_beer == n_batches)
                scale = 1.0 / np.sqrt(scatter + 1.0 / n_batches)
                squared[np.ix_(rows, beers)] = squared_distances(scores[rows] * scale, self.beer_means[beers] * scale)
            scale = 1.0 / np.sqrt(scatter + 1.0)
            between = squared_distances(scores[rows] * scale, self.batch_means * scale)
            nearest[rows] = between.argmin(axis=1)
            to_batch[rows] = between.min(axis=1)
        if dof < n_axes:
            p_value, method = np.ones_like(squared), NOT_AVAILABLE
        else:
            p_value, method = fdtrc(n_axes, dof - n_axes + 1, squared * (dof - n_axes + 1) / (dof * n_axes)), F_TAIL
        methods = (method,) * len(self.beer_means)
        return Match(p_value, np.sqrt(squared / n_axes), nearest, np.sqrt(to_batch / n_axes), methods)


def fit_typicality(
    reflectance: Floats,
    beer: Ints,
    batch: Ints,
    sample: Ints,
    *,
    wavelength_nm: Floats,
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
    T2 of beer k is n/(n+1) (z - m)' W^-1 (z - m) with m the mean of its n batches and W the pooled scatter of samples
    about their beers with nu = batches - beers degrees of freedom; (nu - a + 1)/(nu a) T2 ~ F(a, nu - a + 1) for a
    axes (Hotelling; T. W. Anderson, An Introduction to Multivariate Statistical Analysis, ch. 5; from memory).

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
    sample_batch, batch_beer = _parent(sample, batch), _parent(batch, beer)
    samples = Samples(means, n_pours, sample_batch, batch_beer)
    metric, merit = choose_metric(samples, reflectance, sample, transform=transform, n_components=n_components)
    batch_means, _ = mean_by(metric.scores(means), sample_batch)
    beer_means, per_beer = mean_by(batch_means, batch_beer)
    return TypicalityFit(metric, beer_means, per_beer, batch_means, merit)


def _parent(child: Ints, parent: Ints) -> Ints:
    of_child = np.empty(child.max() + 1, np.int64)
    of_child[child] = parent
    return of_child
