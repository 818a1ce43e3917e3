"""How typical a spectrum is of each beer: distance in the scatter between batches, and a p-value for it.

The batch is the unit: degrees of freedom count batches, and a sample of m pours is held against scatter at m pours.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specmatch.errors import TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.beer_scatter import BATCHES_FOR_OWN_SCATTER, BeerScatter
from specmatch.maths.held_out import f_statistics, fit_beers, held_out_statistics
from specmatch.maths.metric import Metric, MetricChoice, Samples, squared_distances
from specmatch.maths.metric_choice import choose_metric, on_channels
from specmatch.maths.statistics import mean_by
from specmatch.maths.tail import Tail, fit_tail

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

F_TAIL, RANKS, NOT_AVAILABLE = "f_tail", "ranks", "none"
# channels that must be left, as a part of those fitted and for each component, to answer on them
LEAST_CHANNELS, LEAST_CHANNELS_PER_COMPONENT = 0.5, 2


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
        `ranks` (among the beer's own batches, each held out; the F tail beyond all of them), `f_tail`, or `none` where
        the set has no scatter to judge by (p-value 1: nothing can be refused).
    """

    p_value: Floats
    distance: Floats
    nearest_batch: Ints
    nearest_distance: Floats
    p_method: tuple[str, ...]


@dataclass(frozen=True)
class TypicalityFit:
    """What `fit_typicality` learnt.

    Attributes
    ----------
    samples : Samples
        What was fitted; upkeep and scans with missing channels start from it.
    choice : MetricChoice
    false_reject_rate : float
        The rate for which ranks are used where a beer has batches enough.
    metric : Metric
    beer_means, batch_means : ndarray, shapes (n_beers, a) and (n_batches, a)
        In scores of the metric.
    scatter : BeerScatter
        Variance of each beer over the pooled one.
    tail : Tail
        What batches held out say of the F tail.
    held_out_p : ndarray, shape (n_samples,)
        Tail p-value of each sample for its own beer with its batch left out; 1 for the only batch of a beer.
    """

    samples: Samples
    choice: MetricChoice
    false_reject_rate: float
    metric: Metric
    beer_means: Floats
    batch_means: Floats
    scatter: BeerScatter
    tail: Tail
    held_out_p: Floats

    @property
    def batches_per_beer(self) -> Ints:
        """Batches of each beer, shape (n_beers,)."""
        return self.samples.batches_per_beer

    @property
    def too_few_batches(self) -> Mask:
        """Beers, shape (n_beers,), whose scatter is borrowed from the others."""
        return self.batches_per_beer < BATCHES_FOR_OWN_SCATTER

    @property
    def judges(self) -> bool:
        """Whether anything can be refused: there must be more degrees of freedom than axes."""
        return self.metric.dof > self.beer_means.shape[1]

    @property
    def by_ranks(self) -> Mask:
        """Beers, shape (n_beers,), with batches enough for p-values by ranks at the stated rate."""
        # the tolerance keeps 1/0.05 - 1 = 19 from being pushed to 20 by rounding
        fewest = np.ceil(1.0 / self.false_reject_rate - 1.0 - 1e-9)
        return (self.batches_per_beer >= fewest) & self.judges

    @property
    def p_method(self) -> tuple[str, ...]:
        """Kind of p-value of each beer."""
        if not self.judges:
            return (NOT_AVAILABLE,) * len(self.beer_means)
        return tuple(RANKS if ranked else F_TAIL for ranked in self.by_ranks)

    def match(self, reflectance: Floats, n_pours: Ints, *, missing: Mask | None = None) -> Match:
        """Hold samples against every beer.

        Parameters
        ----------
        reflectance : ndarray, shape (n, p)
            Mean reflectance of each sample on the fitted wavelengths.
        n_pours : ndarray of int, shape (n,)
            Pours behind each row.
        missing : ndarray of bool, shape (n, p), optional
            Channels without a value; the answer then rests on the others.

        Returns
        -------
        Match

        Raises
        ------
        WavelengthMismatchError
            If a sample has too few channels left.
        """
        lacking = np.zeros(len(reflectance), bool) if missing is None else missing[:, self.metric.channels].any(axis=1)
        if missing is None or not lacking.any():
            return self._match(reflectance, n_pours)
        patterns, of_row = np.unique(missing[:, self.metric.channels], axis=0, return_inverse=True)
        of_row = of_row.ravel()
        parts = [
            self._on_channels(~pattern)._match(reflectance[of_row == i], n_pours[of_row == i])
            for i, pattern in enumerate(patterns)
        ]
        order = np.argsort(np.argsort(of_row, kind="stable"), kind="stable")

        def joined(name: str) -> NDArray[Any]:
            return np.concatenate([getattr(part, name) for part in parts])[order]

        nearest, distance = joined("nearest_batch"), joined("nearest_distance")
        return Match(joined("p_value"), joined("distance"), nearest, distance, self.p_method)

    def _match(self, reflectance: Floats, n_pours: Ints) -> Match:
        n_axes = self.beer_means.shape[1]
        scores = self.metric.scores(reflectance)
        squared = np.empty((len(scores), len(self.beer_means)))
        to_batch, nearest = np.empty(len(scores)), np.empty(len(scores), np.int64)
        for pours in np.unique(n_pours):
            rows = np.flatnonzero(n_pours == pours)
            scatter = self.metric.scatter(float(pours))
            for n_batches in np.unique(self.batches_per_beer):
                beers = np.flatnonzero(self.batches_per_beer == n_batches)
                root = np.sqrt(scatter + 1.0 / n_batches)
                squared[np.ix_(rows, beers)] = squared_distances(scores[rows] / root, self.beer_means[beers] / root)
            root = np.sqrt(scatter + 1.0)
            between = squared_distances(scores[rows] / root, self.batch_means / root)
            nearest[rows] = between.argmin(axis=1)
            to_batch[rows] = between.min(axis=1)
        squared /= self.scatter.scale
        distance, to_batch = np.sqrt(squared / n_axes), np.sqrt(to_batch / n_axes)
        return Match(self.p_values(squared), distance, nearest, to_batch, self.p_method)

    def p_values(self, squared: Floats) -> Floats:
        """Return p-values of squared distances, shape (n, n_beers) both, each in the scatter of its beer."""
        if not self.judges:
            return np.ones_like(squared)
        found = f_statistics(
            squared, self.beer_means.shape[1], self.metric.dof, self.scatter, np.arange(squared.shape[1])
        )
        p_value = self.tail.p_value(found.statistic, found.n_axes, found.dof)
        for beer in np.flatnonzero(self.by_ranks):
            p_value[:, beer] = self._rank(p_value[:, beer], int(beer))
        return p_value

    def _rank(self, p_value: Floats, beer: int) -> Floats:
        """Part of the beer's batches, the new one counted in, whose held-out samples lie as far out as each value."""
        rows = np.flatnonzero(self.samples.beer[self.samples.batch] == beer)
        order = np.argsort(self.held_out_p[rows], kind="stable")
        past = self.held_out_p[rows][order]
        # a batch of s samples counts once: each of them for 1/s (Lee, Barber, Willett, arXiv 2306.06342)
        weight = np.concatenate(
            [[0.0], np.cumsum(1.0 / np.bincount(self.samples.batch)[self.samples.batch[rows]][order])]
        )
        below = weight[np.searchsorted(past, p_value, side="right")]
        n_batches = self.batches_per_beer[beer]
        # farther out than every past batch the ranks only know "at most 1/(n+1)": there the tail grades
        return np.where(below > 0, (1.0 + below) / (n_batches + 1), np.minimum(p_value, 1.0 / (n_batches + 1)))

    def _on_channels(self, kept: Mask) -> "TypicalityFit":
        n_axes = self.choice.n_components
        if kept.all():
            return self
        if kept.sum() < max(LEAST_CHANNELS * kept.size, LEAST_CHANNELS_PER_COMPONENT * n_axes):
            raise WavelengthMismatchError(
                f"a sample has {kept.sum()} of the {kept.size} channels that tell the beers apart; "
                f"at least half of them are needed: measure again, or export the full range"
            )
        return typicality_of(self.samples, on_channels(self.choice, np.flatnonzero(kept)), self.false_reject_rate)


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


def typicality_of(samples: Samples, choice: MetricChoice, false_reject_rate: float) -> TypicalityFit:
    """Fit on samples with the choice of the metric made: exact, quick, and the same whatever led to the samples."""
    beers = fit_beers(samples, choice)
    out = held_out_statistics(samples, choice)
    tail = fit_tail(out.statistic, out.n_axes, out.dof, 1.0 / np.bincount(samples.batch)[samples.batch])
    held_out_p = np.where(np.isnan(out.statistic), 1.0, tail.p_value(out.statistic, out.n_axes, out.dof))
    return TypicalityFit(
        samples,
        choice,
        false_reject_rate,
        beers.metric,
        beers.beer_means,
        beers.batch_means,
        beers.scatter,
        tail,
        held_out_p,
    )


def _parent(child: Ints, parent: Ints) -> Ints:
    of_child = np.empty(child.max() + 1, np.int64)
    of_child[child] = parent
    return of_child
