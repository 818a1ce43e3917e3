"""How typical a spectrum is of each beer: distance in the scatter between batches, and a p-value for it.

The batch is the unit: degrees of freedom count batches, and a sample of m pours is held against scatter at m pours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from specmatch.errors import TooFewBatchesError, WavelengthMismatchError
from specmatch.maths.beer_scatter import BeerScatter, shrink_scatter
from specmatch.maths.metric import Metric, MetricChoice, Samples, build_metric, squared_distances
from specmatch.maths.metric_choice import choose_metric, held_out_distance, on_channels
from specmatch.maths.statistics import mean_by

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

F_TAIL, RANKS, NOT_AVAILABLE = "f_tail", "ranks", "none"
# fewer batches than this and the scatter of a beer is all but borrowed from the others
BATCHES_FOR_OWN_SCATTER = 4
# rounds of "scale the beers, pool, scale again"; the scales are settled to a per mille after three
N_ROUNDS = 4
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
    held_out_p : ndarray, shape (n_batches,)
        F-tail p-value of each batch for its own beer with the batch left out; 1 for the only batch of a beer.
    """

    samples: Samples
    choice: MetricChoice
    false_reject_rate: float
    metric: Metric
    beer_means: Floats
    batch_means: Floats
    scatter: BeerScatter
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

        def joined(name: str) -> NDArray:
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
        p_value = f_tail(squared, self.beer_means.shape[1], self.metric.dof, self.scatter.dof)
        for beer in np.flatnonzero(self.by_ranks):
            past = np.sort(self.held_out_p[self.samples.beer == beer])
            below = np.searchsorted(past, p_value[:, beer], side="right")
            # farther out than every past batch the ranks only know "at most 1/(n+1)": there the tail grades
            beyond = np.minimum(p_value[:, beer], 1.0 / (past.size + 1))
            p_value[:, beer] = np.where(below > 0, (1.0 + below) / (past.size + 1), beyond)
        return p_value

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


def f_tail(squared: Floats, n_axes: int, dof: float, scale_dof: Floats | float) -> Floats:
    """Return the chance of a squared distance as large: (nu - a + 1)/(nu a) T2 beyond F(a, nu - a + 1).

    Parameters
    ----------
    squared : ndarray
        T2.
    n_axes : int
        a.
    dof : float
        nu, of the scatter matrix.
    scale_dof : float or ndarray
        Of the beer's own variance; the fewer of the two degrees of freedom count.
    """
    second = dof - n_axes + 1
    return fdtrc(n_axes, np.minimum(second, scale_dof), np.asarray(squared) * (second / (dof * n_axes)))


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
    dof = samples.beer.size - samples.batches_per_beer.size
    per_beer = samples.batches_per_beer.astype(float)
    common = np.ones(per_beer.size)
    for _ in range(N_ROUNDS):
        metric = build_metric(choice, samples, common)
        batch_means, _ = mean_by(metric.scores(samples.reflectance), samples.batch)
        beer_means, _ = mean_by(batch_means, samples.beer)
        within = ((batch_means - beer_means[samples.beer]) ** 2).sum(axis=1)
        scatter, held_out_p = _own_scatter(within, samples.beer, per_beer, batch_means.shape[1], dof)
        if not np.isfinite(scatter.prior_dof) and (common == 1.0).all():
            break
        common = scatter.scale
    return TypicalityFit(samples, choice, false_reject_rate, metric, beer_means, batch_means, scatter, held_out_p)


def _own_scatter(within: Floats, beer: Ints, per_beer: Floats, n_axes: int, dof: int) -> tuple[BeerScatter, Floats]:
    """Variance of each beer, and p-values of batches held out of mean, pooled scatter and own variance.

    `within` are squared distances of batches from the mean of their beer, shape (n_batches,).
    """
    if not dof:
        return shrink_scatter(np.ones(per_beer.size), np.zeros(per_beer.size)), np.ones(within.size)
    sums = np.bincount(beer, within)
    variance = sums / (n_axes * np.maximum(per_beer - 1.0, 1.0))
    axes_worth = _axes_worth(within, beer, per_beer, sums, n_axes)
    scatter = shrink_scatter(variance, axes_worth * (per_beer - 1.0))
    n = per_beer[beer]
    distance = held_out_distance(within / scatter.scale[beer], n, dof)
    own_dof = np.maximum(n - 2.0, 0.0) * axes_worth
    if np.isfinite(scatter.prior_dof):
        left = np.maximum(sums[beer] - n / np.maximum(n - 1.0, 1.0) * within, 0.0)
        prior = scatter.prior_dof
        own = left / (n_axes * np.maximum(n - 2.0, 1.0))
        distance *= scatter.scale[beer] * (prior + own_dof) / (prior * scatter.prior_scale + own_dof * own)
    p_value = f_tail(distance, n_axes, dof - 1.0, scatter.prior_dof + own_dof) if dof > n_axes else np.ones(n.size)
    return scatter, np.where(n > 1, p_value, 1.0)


def _axes_worth(within: Floats, beer: Ints, per_beer: Floats, sums: Floats, n_axes: int) -> float:
    """Degrees of freedom that one batch brings to its beer's variance: all axes if normal, fewer with longer tails."""
    n = per_beer[beer]
    # two or three batches share their mean so closely that their distances hardly differ, whatever the tails
    told = (n >= BATCHES_FOR_OWN_SCATTER) & (sums[beer] > 0)
    if not told.any():
        return float(n_axes)
    relative = within[told] * n[told] / sums[beer][told] - 1.0
    spread = float((relative**2).sum() / (1.0 - 1.0 / n[told]).sum())
    return float(min(n_axes, 2.0 / max(spread, 2.0 / n_axes)))


def _parent(child: Ints, parent: Ints) -> Ints:
    of_child = np.empty(child.max() + 1, np.int64)
    of_child[child] = parent
    return of_child
