"""The beers of a house in their metric, and samples held against them: distances, p-values, nearest batches."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import WavelengthMismatchError
from specmatch.maths.beer_scatter import BATCHES_FOR_OWN_SCATTER, BeerScatter
from specmatch.maths.held_out import f_statistics, fit_beers, held_out_statistics
from specmatch.maths.metric import Metric, MetricChoice, on_channels
from specmatch.maths.residual import Residual, fit_residual, with_residual
from specmatch.maths.sample_scatter import Samples
from specmatch.maths.tail import Tail, fit_tail

F_TAIL, RANKS, NOT_AVAILABLE = "f_tail", "ranks", "none"
# numbers that one block of rows may fill: they stay in the processor's cache
BLOCK = 2**17
# pairs of samples and batches from which a search tree is quicker than looking at all of them
MANY_PAIRS = 10**7
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
    """What `specmatch.maths.typicality.fit_typicality` learnt.

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
    residual : Residual
        What batches held out leave outside the axes.
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
    residual: Residual
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
        n_axes, n_beers = self.beer_means.shape[1], len(self.beer_means)
        scores, left = self.metric.scores_and_residual(reflectance)
        squared = np.empty((len(scores), n_beers))
        nearest, to_batch = np.empty(len(scores), np.int64), np.empty(len(scores))
        for pours in np.unique(n_pours):
            rows = np.flatnonzero(n_pours == pours)
            weight = self.weights(float(pours))
            step = max(1, BLOCK // (n_beers * n_axes))
            for block in np.split(rows, range(step, rows.size, step)):
                departures = scores[block][:, None, :] - self.beer_means
                squared[block] = np.einsum("nka,ka->nk", departures**2, weight)
            nearest[rows], to_batch[rows] = self.nearest_batch(scores[rows], float(pours))
        distance = np.sqrt(squared / n_axes)
        outside = self.residual.p_value(left, np.asarray(n_pours, float))
        return Match(
            self.p_values(squared, np.arange(n_beers), outside[:, None]), distance, nearest, to_batch, self.p_method
        )

    def weights(self, n_pours: float) -> Floats:
        """Return what a squared departure from each beer counts along each axis, shape (n_beers, a)."""
        scatter = self.metric.scatter(n_pours) + 1.0 / self.batches_per_beer[:, None]
        return 1.0 / (scatter * self.scatter.scale[:, None])

    def nearest_batch(self, scores: Floats, n_pours: float) -> tuple[Ints, Floats]:
        """Return the nearest batch of each row of scores, shape (n, a), and its root mean square distance, (n,)."""
        root = np.sqrt(self.metric.scatter(n_pours) + 1.0)
        rows, batches = scores / root, self.batch_means / root
        if len(rows) * len(batches) > MANY_PAIRS:
            from scipy.spatial import cKDTree  # here, because reading one sample must not wait for its import

            nearest = cKDTree(batches).query(rows)[1]
            return nearest, np.sqrt(((rows - batches[nearest]) ** 2).mean(axis=1))
        nearest = np.empty(len(rows), np.int64)
        step = max(1, BLOCK // len(batches))
        for start in range(0, len(rows), step):
            block = rows[start : start + step]
            nearest[start : start + step] = ((batches**2).sum(axis=1) - 2.0 * block @ batches.T).argmin(axis=1)
        return nearest, np.sqrt(((rows - batches[nearest]) ** 2).mean(axis=1))

    def nearest_beer(self, reflectance: Floats, n_pours: int = 1) -> Ints:
        """Return the beer at the smallest distance, shape (n,), of samples of `n_pours` pours each, shape (n, p)."""
        scores, weight = self.metric.scores(reflectance), self.weights(float(n_pours))
        pulled = weight * self.beer_means
        offset, nearest = (pulled * self.beer_means).sum(axis=1), np.empty(len(scores), np.int64)
        step = max(1, BLOCK // len(offset))
        for start in range(0, len(scores), step):
            block = scores[start : start + step]
            nearest[start : start + step] = ((block * block) @ weight.T - 2.0 * block @ pulled.T + offset).argmin(
                axis=1
            )
        return nearest

    def p_values(self, squared: Floats, beer: Ints, outside: Floats) -> Floats:
        """Return p-values of squared distances, each in the scatter of its beer.

        Parameters
        ----------
        squared : ndarray, shape (..., n)
        beer : ndarray of int, shape (n,)
        outside : ndarray, broadcast against `squared`
            P-values of what the samples leave outside the axes.

        Returns
        -------
        ndarray, shape of `squared`
        """
        if not self.judges:
            return np.ones_like(squared)
        found = f_statistics(squared, self.beer_means.shape[1], self.metric.dof, self.scatter, beer)
        p_value = with_residual(self.tail.p_value(found.statistic, found.n_axes, found.dof), outside)
        for ranked in np.unique(beer[self.by_ranks[beer]]):
            p_value[..., beer == ranked] = self._rank(p_value[..., beer == ranked], int(ranked))
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


def typicality_of(samples: Samples, choice: MetricChoice, false_reject_rate: float) -> TypicalityFit:
    """Fit on samples with the choice of the metric made: exact, quick, and the same whatever led to the samples.

    Parameters
    ----------
    samples : Samples
    choice : MetricChoice
    false_reject_rate : float
        In (0, 1); which beers have batches enough for ranks follows from it.

    Returns
    -------
    TypicalityFit

    Examples
    --------
    >>> known = house.fitted.identity
    >>> again = typicality_of(known.samples, known.choice, 0.05)
    >>> bool(np.array_equal(again.beer_means, known.beer_means)), again.p_method
    (True, ('f_tail', 'f_tail', 'f_tail'))
    """
    beers = fit_beers(samples, choice)
    out = held_out_statistics(samples, choice)
    far = out.distance
    tail = fit_tail(far.statistic, far.n_axes, far.dof, 1.0 / np.bincount(samples.batch)[samples.batch])
    weighted = choice.pour_covariance / np.outer(choice.noise, choice.noise)
    plane = beers.metric.plane
    pour_left = float(max(0.0, np.trace(weighted) - np.einsum("ij,ik,kj->", plane, weighted, plane)))
    residual = fit_residual(out.residual, pour_left, beers.metric.per_pour)
    p_value = with_residual(
        tail.p_value(far.statistic, far.n_axes, far.dof), residual.p_value(out.residual, samples.n_pours.astype(float))
    )
    held_out_p = np.where(np.isnan(p_value), 1.0, p_value)
    return TypicalityFit(
        samples,
        choice,
        false_reject_rate,
        beers.metric,
        beers.beer_means,
        beers.batch_means,
        beers.scatter,
        tail,
        residual,
        held_out_p,
    )
