"""Choose the metric of identity by held-out batches and held-out beers.

A good metric keeps batches of one beer together and refuses beers that the house does not make. The second cannot be
counted on the house's own beers as they stand, because they lie far apart in colour; so each beer is left out in
turn, brewed stronger and weaker (Beer-Lambert) over the colours of the house, and must be refused by the others.
"""

from dataclasses import replace

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.metric import MetricChoice
from specmatch.maths.metric_merit import brewed_over_the_colours, merits
from specmatch.maths.sample_scatter import Samples, channel_noise, principal_axes
from specmatch.maths.spectral_scale import Scale
from specmatch.maths.statistics import mean_by

SCALES = (
    Scale("reflectance"),
    Scale("absorbance"),
    *(Scale("log_absorbance", offset, dark) for dark in (0.0, 0.03, 0.06, 0.10) for offset in (0.03, 0.05, 0.08)),
)
MOST_COMPONENTS = 10
# a set of one beer holds no other beer out; what served invented houses of twelve beers best then stands unchosen
ONE_BEER_SCALE, ONE_BEER_COMPONENTS = Scale("log_absorbance", 0.03, 0.03), 6
# batches less beers behind each component, so that the F tail is short
DOF_PER_COMPONENT = 4
# more beers than this add time to the choice and nothing to its outcome
MOST_BEERS = 40


def choose_metric(
    samples: Samples,
    pours: Floats,
    pour_sample: Ints,
    *,
    transform: str = "auto",
    n_components: int | None = None,
) -> MetricChoice:
    """Try scales and numbers of components, and return the best.

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
    MetricChoice

    Notes
    -----
    Among candidates of the same merit the first, which has the fewer components, is kept. Without any beer of two
    batches nothing can be held out: all axes that the batches span are then kept, on the first scale. A set of one
    beer has no other to hold out and takes a fixed scale.

    Examples
    --------
    >>> known, pours = house.fitted.identity, house.fitted.identity.samples.reflectance
    >>> choice = choose_metric(known.samples, pours, np.arange(len(pours)), transform="absorbance", n_components=2)
    >>> choice.scale.transform, choice.n_components
    ('absorbance', 2)
    """
    scales = [scale for scale in SCALES if transform in ("auto", scale.transform)]
    dof = samples.beer.size - samples.batches_per_beer.size
    if not dof:
        return _on_scale(scales[0], samples, pours, pour_sample, n_components or len(samples.reflectance))
    most = n_components or int(np.clip(dof // DOF_PER_COMPONENT, 1, MOST_COMPONENTS))
    if samples.batches_per_beer.size == 1:
        scale = ONE_BEER_SCALE if transform == "auto" else scales[0]
        few_axes = int(np.clip(dof // 2, 1, ONE_BEER_COMPONENTS))
        return _on_scale(scale, samples, pours, pour_sample, n_components or few_axes)
    few = _manageable(samples)
    brewed = brewed_over_the_colours(few)
    best: MetricChoice | None = None
    for scale in scales:
        choice = _on_scale(scale, samples, pours, pour_sample, most)
        spectra = scale.apply(few.reflectance)
        centre, axes = principal_axes(mean_by(spectra, few.batch)[0], choice.noise, most)
        found = merits((spectra - centre) @ axes, few, (scale.apply(brewed.reflectance) - centre) @ axes, brewed.beer)
        n = found.size - 1 if n_components else int(found.argmax())
        if best is None or found[n] > best.merit + 1e-9:
            best = replace(choice, n_components=n + 1, merit=float(found[n]))
    assert best is not None
    return best


def _on_scale(scale: Scale, samples: Samples, pours: Floats, pour_sample: Ints, n_components: int) -> MetricChoice:
    """All channels on one scale: noise from pours about their sample, else from samples about their beer."""
    each = scale.apply(pours)
    deviations = each - mean_by(each, pour_sample)[0][pour_sample]
    pour_dof = len(pours) - samples.n_pours.size
    covariance = deviations.T @ deviations / max(1, pour_dof)
    if pour_dof:
        noise = channel_noise(covariance, pour_dof)
    else:
        spectra = scale.apply(samples.reflectance)
        of_sample = samples.beer[samples.batch]
        about_beer = spectra - mean_by(spectra, of_sample)[0][of_sample]
        dof = len(spectra) - samples.batches_per_beer.size
        noise = channel_noise(about_beer.T @ about_beer / max(1, dof), dof)
    return MetricChoice(scale, np.arange(noise.size), noise, covariance, pour_dof, samples.beer.size, n_components, 0.0)


def _manageable(samples: Samples) -> Samples:
    """Return the samples of at most `MOST_BEERS` beers, spread evenly over those that have two batches or more."""
    per_beer = samples.batches_per_beer
    if per_beer.size <= MOST_BEERS:
        return samples
    depth = mean_by(samples.reflectance.mean(axis=1), samples.beer[samples.batch])[0]
    candidates = np.flatnonzero(per_beer > 1)
    ordered = candidates[np.argsort(depth[candidates], kind="stable")]
    beers = ordered[np.unique(np.linspace(0, ordered.size - 1, MOST_BEERS).round().astype(np.int64))]
    batches = np.flatnonzero(np.isin(samples.beer, beers))
    kept = np.flatnonzero(np.isin(samples.batch, batches))
    return Samples(
        samples.reflectance[kept],
        samples.n_pours[kept],
        np.searchsorted(batches, samples.batch[kept]),
        np.searchsorted(np.sort(beers), samples.beer[batches]),
    )
