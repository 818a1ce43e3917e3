"""Choose the metric of identity by held-out batches and held-out beers.

A good metric keeps batches of one beer together and refuses beers that the house does not make. The second cannot be
counted on the house's own beers as they stand, because they lie far apart in colour; so each beer is left out in
turn, brewed stronger and weaker (Beer-Lambert) over the colours of the house, and must be refused by the others.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specmatch.maths.metric import Metric, Projection, Samples, project, scatter_metric, transformed
from specmatch.maths.statistics import mean_by

Floats = NDArray[np.float64]

OFFSETS = (0.03, 0.06, 0.12, 0.25)
LOW_EDGES_NM = (430.0, 440.0, 450.0)
MOST_COMPONENTS = 8
N_STRENGTHS = 9
# false reject rates over which refusal is averaged: the rates at which houses work, and a smoother figure than one
FALSE_REJECT_RATES = (0.02, 0.05, 0.10)


@dataclass(frozen=True)
class Candidate:
    """One metric to be tried."""

    transform: str
    offset: float
    low_edge_nm: float
    n_components: int


def held_out_distance(scores: Floats, samples: Samples, dof: int) -> Floats:
    """Return squared distance of each batch from its beer when the batch took no part in mean or scatter.

    Parameters
    ----------
    scores : ndarray, shape (n_samples, a)
        In the metric fitted on all batches.
    samples : Samples
    dof : int
        Of that metric.

    Returns
    -------
    ndarray, shape (n_batches,)
        NaN for the only batch of a beer; T2 of the other batches' mean and scatter, times n/(n+1) of their number.

    Notes
    -----
    Leaving batch b out moves the mean of its n batches by -dev/(n-1) and takes n/(n-1) dev dev' from the sum of
    squares; the Sherman-Morrison formula then gives the distance without another fit.
    """
    batch_means, _ = mean_by(scores, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    n = per_beer[samples.beer].astype(float)
    within = ((batch_means - beer_means[samples.beer]) ** 2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = n / (n - 1.0)
        left = 1.0 - ratio * within / dof
        # a batch that alone makes the scatter along its direction is infinitely far from the others
        return np.where(
            n > 1, np.where(left > 0, ratio * (dof - 1) / dof * within / np.maximum(left, 1e-12), np.inf), np.nan
        )


@dataclass(frozen=True)
class Foreign:
    """Batches of every beer brewed over the colours of the house: spectra and the beer that each of them is."""

    reflectance: Floats  # (n, p)
    beer: NDArray[np.int64]  # (n,)


def brewed_over_the_colours(samples: Samples) -> Foreign | None:
    """Return each batch at strengths that carry it over the colours of the house, or None where that means nothing.

    Strength scales absorbance (Beer-Lambert), so a batch of strength s has reflectance R^s.
    """
    batch_spectra, _ = mean_by(samples.reflectance, samples.batch)
    depth = -np.log10(np.clip(batch_spectra, 1e-4, None)).mean(axis=1)
    if samples.batches_per_beer.size < 2 or depth.min() <= 0 or batch_spectra.max() > 1.5:
        return None
    strengths = np.geomspace(depth.min(), depth.max(), N_STRENGTHS) / depth[:, None]
    spectra = np.clip(batch_spectra, 1e-4, None)[:, None, :] ** strengths[:, :, None]
    return Foreign(spectra.reshape(-1, batch_spectra.shape[1]), np.repeat(samples.beer, N_STRENGTHS))


def merit(metric: Metric, samples: Samples, foreign: Foreign | None) -> float:
    """Return held-out batches given to their own beer, plus held-out beers refused (both as fractions)."""
    scores = metric.scores(samples.reflectance)
    batch_means, _ = mean_by(scores, samples.batch)
    beer_means, per_beer = mean_by(batch_means, samples.beer)
    shrink = per_beer / (per_beer + 1.0)
    to_beers = ((batch_means[:, None, :] - beer_means) ** 2).sum(axis=2) * shrink
    own = held_out_distance(scores, samples, metric.dof)
    judged = np.isfinite(own)
    rows = np.arange(own.size)
    to_beers[rows, samples.beer] = np.inf
    right = float(np.mean(own[judged] < to_beers[judged].min(axis=1))) if judged.any() else 0.0
    if foreign is None or not judged.any():
        return right
    distance = ((metric.scores(foreign.reflectance)[:, None, :] - beer_means) ** 2).sum(axis=2) * shrink
    distance[np.arange(foreign.beer.size), foreign.beer] = np.inf
    nearest = distance.min(axis=1)
    limits = np.quantile(own[judged], 1.0 - np.array(FALSE_REJECT_RATES))
    return right + float(np.mean(nearest > limits[:, None]))


def most_components(dof: int) -> int:
    """Return the most components that the degrees of freedom carry: three a component, so that the F tail is short."""
    return int(np.clip(dof // 3, 1, MOST_COMPONENTS))


def metric_of(
    samples: Samples, pours: Floats, pour_sample: NDArray[np.int64], wavelength_nm: Floats, candidate: Candidate
) -> Metric:
    """Fit the metric of one candidate."""
    channels = np.flatnonzero(wavelength_nm >= candidate.low_edge_nm)
    projection = _projection(samples, pours, pour_sample, channels, candidate)
    return scatter_metric(projection, samples, channels, candidate.transform, candidate.offset, candidate.n_components)


def choose_metric(
    samples: Samples,
    pours: Floats,
    pour_sample: NDArray[np.int64],
    wavelength_nm: Floats,
    *,
    transform: str = "auto",
    n_components: int | None = None,
) -> tuple[Metric, float]:
    """Try the candidates; return the metric of the best and its merit.

    Parameters
    ----------
    samples : Samples
    pours : ndarray, shape (n_pours, p)
        Reflectance of each pour.
    pour_sample : ndarray of int, shape (n_pours,)
    wavelength_nm : ndarray, shape (p,)
    transform : str, default "auto"
        Take this transform and choose the rest.
    n_components : int or None
        Take this many and choose the rest.

    Returns
    -------
    metric : Metric
    merit : float

    Notes
    -----
    Among candidates of the same merit the first, which has the fewer components, is kept.
    """
    dof = samples.beer.size - samples.batches_per_beer.size
    if dof == 0:
        scale = "reflectance" if transform == "auto" else transform
        plain = Candidate(scale, OFFSETS[0], -np.inf, n_components or min(pours.shape))
        return metric_of(samples, pours, pour_sample, wavelength_nm, plain), 0.0
    foreign = brewed_over_the_colours(samples)
    scales = [("reflectance", 1.0), ("absorbance", 1.0), *(("log_absorbance", offset) for offset in OFFSETS)]
    if transform != "auto":
        scales = [scale for scale in scales if scale[0] == transform]
    edges = [
        -np.inf,
        *(edge for edge in LOW_EDGES_NM if (wavelength_nm < edge).any() and (wavelength_nm >= edge).sum() > 20),
    ]
    best: tuple[float, Metric] | None = None
    for name, offset in scales:
        for edge in edges:
            channels = np.flatnonzero(wavelength_nm >= edge)
            candidate = Candidate(name, offset, edge, n_components or most_components(dof))
            projection = _projection(samples, pours, pour_sample, channels, candidate)
            most = min(candidate.n_components, projection.loadings.shape[1])
            for n in [most] if n_components else range(1, most + 1):
                metric = scatter_metric(projection, samples, channels, name, offset, n)
                found = merit(metric, samples, foreign)
                if best is None or found > best[0] + 1e-9:
                    best = found, metric
    assert best is not None
    return best[1], best[0]


def _projection(
    samples: Samples, pours: Floats, pour_sample: NDArray[np.int64], channels: NDArray[np.int64], candidate: Candidate
) -> Projection:
    spectra = transformed(samples.reflectance[:, channels], candidate.transform, candidate.offset)
    each = transformed(pours[:, channels], candidate.transform, candidate.offset)
    deviations = each - mean_by(each, pour_sample)[0][pour_sample]
    return project(samples, spectra, deviations, len(pours) - len(spectra), candidate.n_components)
