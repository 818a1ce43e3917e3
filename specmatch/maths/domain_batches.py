"""The batches that span what a set holds: the odd ones found and left out, and what each leaves outside the others."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.outlying_rows import MOST_ODD, far_out, median_by, odd_rows, robust_noise
from specmatch.maths.sample_scatter import channel_noise, principal_axes
from specmatch.maths.spectral_scale import Scale
from specmatch.maths.statistics import mean_by, parent_codes

N_FOLDS = 10
FEWEST_BATCHES = 3
# a few bad scans must not buy themselves a component: so large a part of the batches has no say in their number
TRIMMED = 0.05
# below so many components beers of all colours leave much outside, and that says nothing against a batch
FEWEST_COMPONENTS = 3
# a further component must take this part off the held-out residual, or the components stop
WORTHWHILE = 0.10


@dataclass(frozen=True)
class KeptBatches:
    """What is left of a set without its odd pours.

    Attributes
    ----------
    codes : ndarray of int, shape (n_batches,)
        As the caller counts batches.
    noise : ndarray, shape (p,)
        Of the channels, between pours.
    spectra : ndarray, shape (n_batches, p)
        Means of batches in units of noise.
    deviations : ndarray, shape (n_pours, p)
        Of pours about their sample.
    n_pours, sample_batch : ndarray of int, shape (n_samples,)
        Pours of each sample, and its row of `spectra`.
    """

    codes: Ints
    noise: Floats
    spectra: Floats
    deviations: Floats
    n_pours: Ints
    sample_batch: Ints


@dataclass(frozen=True)
class Span:
    """The batches that span a domain, and how many components they need.

    Attributes
    ----------
    kept : KeptBatches
    held_out : ndarray, shape (n_batches, most_components)
        Squared residual of each batch outside 1, 2, ... components of the others.
    n_components : int
        The last that takes `WORTHWHILE` off the held-out residual.
    odd : ndarray of bool, shape (n_pours,)
        Pours left out: unlike all others or unlike their mates, or of a batch that others leave far outside.
    """

    kept: KeptBatches
    held_out: Floats
    n_components: int
    odd: Mask


def batches_that_span(
    each: Floats, reflectance: Floats, batch: Ints, sample: Ints, scale: Scale, most_components: int
) -> Span:
    """Leave out what is odd, and count the components of the rest.

    Parameters
    ----------
    each, reflectance : ndarray, shape (n_pours, p)
        Pours on the scale of the components, and as reflectance.
    batch, sample : ndarray of int, shape (n_pours,)
    scale : Scale
    most_components : int

    Returns
    -------
    Span

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> strength = np.exp(rng.normal(0.0, 0.3, 25))
    >>> rows = 10 ** -np.outer(strength, np.linspace(0.5, 0.1, 20)) + rng.normal(0.0, 0.002, (25, 20))
    >>> rows[24, 7] += 0.3
    >>> each, scale = np.arange(25), Scale("reflectance")
    >>> np.flatnonzero(batches_that_span(rows, rows, each, each, scale, 4).odd).tolist()
    [24]
    """
    odd = _odd_pours(each, sample, most_components)
    if np.unique(batch[~odd]).size < FEWEST_BATCHES:
        odd = np.zeros(odd.size, bool)
    while True:
        kept = _kept(each, reflectance, batch, sample, odd, scale)
        held_out = _held_out_residuals(kept.spectra, most_components)
        n_components = _worthwhile_components(_trimmed_mean(held_out))
        far = _odd_batches(held_out, n_components)
        # one that is far out may hide another; so many odd ones are a kind of their own
        if not far.any() or odd.mean() > MOST_ODD:
            return Span(kept, held_out, n_components, odd)
        odd |= np.isin(batch, kept.codes[far])


def _odd_pours(each: Floats, sample: Ints, most_components: int) -> Mask:
    """Pours unlike all others, or unlike their mates where a sample has three pours or more."""
    noise = robust_noise(each - mean_by(each, sample)[0][sample])
    odd = odd_rows(each / noise, most_components)
    beside_mates = np.flatnonzero((np.bincount(sample) > 2)[sample])
    if beside_mates.size:
        from_mates = (each - median_by(each, sample)[sample])[beside_mates] / noise
        odd[beside_mates] |= odd_rows(from_mates, most_components)
    return odd


def _kept(each: Floats, reflectance: Floats, batch: Ints, sample: Ints, odd: Mask, scale: Scale) -> KeptBatches:
    batch_codes, batch = np.unique(batch[~odd], return_inverse=True)
    sample = np.unique(sample[~odd], return_inverse=True)[1]
    sample_batch = parent_codes(sample, batch)
    deviations = each[~odd] - mean_by(each[~odd], sample)[0][sample]
    pour_dof = len(deviations) - sample_batch.size
    noise = channel_noise(deviations.T @ deviations / max(1, pour_dof), pour_dof)
    spectra, _ = mean_by(scale.apply(mean_by(reflectance[~odd], sample)[0]) / noise, sample_batch)
    return KeptBatches(batch_codes, noise, spectra, deviations, np.bincount(sample), sample_batch)


def _trimmed_mean(held_out: Floats) -> Floats:
    """Mean over the batches without the largest `TRIMMED` of them, shape (most,)."""
    inner = len(held_out) - int(TRIMMED * len(held_out))
    return np.sort(held_out, axis=0)[:inner].mean(axis=0)


def _odd_batches(held_out: Floats, n_components: int) -> Mask:
    """Batches that others leave far outside, whether or not they have made a component of their own since."""
    odd = np.zeros(len(held_out), bool)
    for components in range(min(FEWEST_COMPONENTS, n_components), n_components + 1):
        odd |= far_out(held_out[:, components - 1])
    return odd


def scores_and_residual(deviations: Floats, loadings: Floats) -> tuple[Floats, Floats]:
    """Split deviations from the centre into scores and what these leave.

    Parameters
    ----------
    deviations : ndarray, shape (n, p)
    loadings : ndarray, shape (p, A)
        Orthonormal.

    Returns
    -------
    scores : ndarray, shape (n, A)
    residual : ndarray, shape (n,)
        Sum of squares outside the components.

    Examples
    --------
    >>> scores, residual = scores_and_residual(np.array([[3.0, 4.0]]), np.array([[1.0], [0.0]]))
    >>> scores.tolist(), residual.tolist()
    ([[3.0]], [16.0])
    """
    scores = deviations @ loadings
    left = deviations - scores @ loadings.T
    return scores, np.einsum("np,np->n", left, left)


def _held_out_residuals(spectra: Floats, most: int) -> Floats:
    """Return Q of each batch at 1 .. `most` components fitted without it, shape (n_batches, most)."""
    fold = np.arange(len(spectra)) % min(N_FOLDS, len(spectra))
    residuals = np.empty((len(spectra), most))
    for held_out in range(fold.max() + 1):
        centre, loadings = principal_axes(spectra[fold != held_out], np.ones(spectra.shape[1]), most)
        deviations = spectra[fold == held_out] - centre
        explained = np.cumsum((deviations @ loadings) ** 2, axis=1)
        explained = explained[:, np.minimum(np.arange(most), explained.shape[1] - 1)]
        residuals[fold == held_out] = (deviations**2).sum(axis=1, keepdims=True) - explained
    return np.maximum(residuals, 0.0)


def _worthwhile_components(residual: Floats) -> int:
    """Return the last component that takes `WORTHWHILE` off the mean held-out residual (the first always stays)."""
    drop = 1.0 - residual[1:] / np.maximum(residual[:-1], np.finfo(float).tiny)
    return int(np.flatnonzero(np.append(True, drop >= WORTHWHILE))[-1]) + 1
