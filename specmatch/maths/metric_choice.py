"""Choose the metric of identity by held-out batches and held-out beers.

A good metric keeps batches of one beer together and refuses beers that the house does not make. The second cannot be
counted on the house's own beers as they stand, because they lie far apart in colour; so each beer is left out in
turn, brewed stronger and weaker (Beer-Lambert) over the colours of the house, and must be refused by the others.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specmatch.maths.metric import Metric, Samples, Scale, channel_noise, project, scatter_metric
from specmatch.maths.statistics import mean_by

Floats = NDArray[np.float64]

SCALES = (
    Scale("reflectance"),
    Scale("absorbance"),
    *(Scale("log_absorbance", offset, dark) for dark in (0.0, 0.03, 0.06) for offset in (0.03, 0.06)),
)
# the noisiest channel that is used, over the median: light falls off towards both ends of the band
NOISIEST = (np.inf, 3.0, 1.5)
MOST_COMPONENTS = 10
# batches less beers behind each component, so that the F tail is short
DOF_PER_COMPONENT = 4
N_STRENGTHS = 9
# false reject rates over which refusal is averaged: the rates at which houses work, and a smoother figure than one
FALSE_REJECT_RATES = (0.02, 0.05, 0.10)


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


def choose_metric(
    samples: Samples,
    pours: Floats,
    pour_sample: NDArray[np.int64],
    *,
    transform: str = "auto",
    n_components: int | None = None,
) -> tuple[Metric, float]:
    """Try scales, bands and numbers of components; return the metric of the best and its merit.

    Parameters
    ----------
    samples : Samples
    pours : ndarray, shape (n_pours, p)
        Reflectance of each pour.
    pour_sample : ndarray of int, shape (n_pours,)
    transform : str, default "auto"
        Take this transform and choose the rest.
    n_components : int or None
        Take this many and choose the rest.

    Returns
    -------
    metric : Metric
    merit : float
        See `merit`; 0 where nothing could be held out.

    Notes
    -----
    Among candidates of the same merit the first, which has the fewer components, is kept.
    """
    scales = [scale for scale in SCALES if transform in ("auto", scale.transform)]
    dof = samples.beer.size - samples.batches_per_beer.size
    foreign = brewed_over_the_colours(samples) if dof else None
    best: tuple[float, Metric] | None = None
    for scale in scales if dof else scales[:1]:
        spectra, each = scale.apply(samples.reflectance), scale.apply(pours)
        deviations = each - mean_by(each, pour_sample)[0][pour_sample]
        noise = _noise(samples, spectra, deviations)
        if not dof:
            # plain distance in all that the batches span: nothing is known of scatter
            projection = project(samples, spectra, deviations, noise, n_components or len(spectra))
            return scatter_metric(projection, samples, np.arange(noise.size), scale, len(spectra)), 0.0
        most = n_components or int(np.clip(dof // DOF_PER_COMPONENT, 1, MOST_COMPONENTS))
        for noisiest in NOISIEST:
            channels = np.flatnonzero(noise <= noisiest * np.median(noise))
            projection = project(samples, spectra[:, channels], deviations[:, channels], noise[channels], most)
            available = projection.axes.shape[1]
            for n in [available] if n_components else range(1, available + 1):
                metric = scatter_metric(projection, samples, channels, scale, n)
                found = merit(metric, samples, foreign)
                if best is None or found > best[0] + 1e-9:
                    best = found, metric
    assert best is not None
    return best[1], best[0]


def _noise(samples: Samples, spectra: Floats, pour_deviations: Floats) -> Floats:
    """Noise of each channel from pours about their sample, else from samples about their beer."""
    pour_dof = len(pour_deviations) - len(spectra)
    if pour_dof:
        return channel_noise(pour_deviations, pour_dof)
    of_sample = samples.beer[samples.batch]
    deviations = spectra - mean_by(spectra, of_sample)[0][of_sample]
    return channel_noise(deviations, len(spectra) - samples.batches_per_beer.size)
