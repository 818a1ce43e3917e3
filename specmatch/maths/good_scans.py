"""Learn what good scans of a house look like, and how far they reach beyond chance."""

from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.fault_finding import rows_by
from specmatch.maths.fault_shapes import FAULTS, Optics, glare_of
from specmatch.maths.faults import FaultFit, pour_departures
from specmatch.maths.light_noise import fit_light_noise
from specmatch.maths.natural_scatter import NaturalScatter, fit_natural_scatter
from specmatch.maths.statistics import mean_by, parent_codes

# faults that a pour can have while its mates have not; the axis of an instrument does not come and go with a pour
_OF_A_POUR = np.array([not fault.name.startswith("axis_") for fault in FAULTS])
# quantile at which good scans are compared with chance: high enough to matter, low enough for a few bad scans to hide
_COMPARED_AT = 0.90
N_FOLDS = 4
# a pour this much farther out than good ones is odd whatever the cause
_ODD_DISTANCE = 1.5


def learn_good_scans(reflectance: Floats, beer: Ints, batch: Ints, sample: Ints, *, wavelength_nm: Floats) -> FaultFit:
    """Learn what good scans look like: all that judging pours against their mates needs.

    Parameters
    ----------
    reflectance : ndarray, shape (n_pours, p)
        One row a pour, on the usable band, without missing values.
    beer, batch, sample : ndarray of int, shape (n_pours,)
        Codes from 0 upwards, none left out.
    wavelength_nm : ndarray, shape (p,)

    Returns
    -------
    FaultFit
        With a `sample_doubt` of ones: before samples are judged, `doubt_samples`.

    Notes
    -----
    A gain is twice the log likelihood ratio of a fault against none; by chance alone it is chi-squared with one degree
    of freedom half of the time, and 0 otherwise, since sizes are not negative. Where the set's own scans reach higher
    (each batch held against the mean of the others, each pour against its mates), gains are divided by the ratio.

    Examples
    --------
    >>> from specmatch.house.set_pours import gather_set
    >>> pours = gather_set(refs)
    >>> codes = (pours.beer, pours.batch, pours.sample)
    >>> fit = learn_good_scans(pours.reflectance, *codes, wavelength_nm=pours.wavelength_nm)
    >>> fit.batches_per_beer.tolist(), fit.sample_doubt.max().item()
    ([6, 6, 6], 1.0)
    """
    replicated = bool((np.bincount(sample) > 1).any())
    noise = fit_light_noise(reflectance, sample if replicated else beer, wavelength_nm=wavelength_nm)
    means = mean_by(reflectance, beer)[0]
    optics = Optics(wavelength_nm, noise.light, glare_of(means))
    unknown = NaturalScatter(np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0)
    certain = np.ones(len(FAULTS))
    blank = FaultFit(
        optics, noise, unknown, means, np.bincount(beer), np.stack([certain, certain]),
        np.where(_OF_A_POUR, certain, np.inf), np.inf,
    )  # fmt: skip
    fit = _good_scans(blank, reflectance, beer, batch, sample)
    if not replicated:
        return fit
    gains, distances = pour_departures(fit, reflectance, sample)
    told = np.bincount(sample)[sample] > 1
    return replace(
        fit,
        pour_doubt=np.where(_OF_A_POUR, _over_chance(gains[told]), np.inf),
        pour_distance_limit=float(_ODD_DISTANCE * max(1.0, np.quantile(distances[told], _COMPARED_AT))),
    )


def doubt_samples(fit: FaultFit, reflectance: Floats, beer: Ints, batch: Ints, sample: Ints) -> FaultFit:
    """Learn how far samples of batches held out reach beyond chance.

    Parameters
    ----------
    fit : FaultFit
        From `learn_good_scans`.
    reflectance : ndarray, shape (n_pours, p)
    beer, batch, sample : ndarray of int, shape (n_pours,)
        As for `learn_good_scans`.

    Returns
    -------
    FaultFit

    Examples
    --------
    >>> from specmatch.house.set_pours import gather_set
    >>> pours = gather_set(refs)
    >>> codes = (pours.beer, pours.batch, pours.sample)
    >>> fit = doubt_samples(house.fitted.faults, pours.reflectance, *codes)
    >>> fit.sample_doubt.shape, bool((fit.sample_doubt >= 1.0).all())
    ((2, 13), True)
    """
    single, full = _held_out_gains(fit, reflectance, beer, batch, sample)
    return replace(fit, sample_doubt=np.stack([_over_chance(single), _over_chance(full)]))


def _good_scans(fit: FaultFit, reflectance: Floats, beer: Ints, batch: Ints, sample: Ints) -> FaultFit:
    """Return the fit with beer means and scatter learnt from these scans."""
    sample_means, _ = mean_by(reflectance, sample)
    sample_batch, batch_beer = parent_codes(sample, batch), parent_codes(batch, beer)
    beer_means, batches_per_beer = mean_by(mean_by(sample_means, sample_batch)[0], batch_beer)
    scatter = fit_natural_scatter(reflectance, beer, batch, sample, optics=fit.optics, noise=fit.noise)
    return replace(fit, scatter=scatter, beer_means=beer_means, batches_per_beer=batches_per_beer)


def _held_out_gains(fit: FaultFit, reflectance: Floats, beer: Ints, batch: Ints, sample: Ints) -> tuple[Floats, Floats]:
    """Gains of single pours and of samples, (n, n_faults) each, by beer means and scatter that never saw the batch."""
    batch_beer = parent_codes(batch, beer)
    # the batches of each beer are dealt out to the folds in turn
    fold = np.empty(batch_beer.size, np.int64)
    for k in np.unique(batch_beer):
        own = np.flatnonzero(batch_beer == k)
        fold[own] = np.arange(own.size) % N_FOLDS
    single, full = ([np.zeros((0, len(FAULTS)))] for _ in range(2))
    for held_out in range(N_FOLDS):
        left = np.flatnonzero(fold[batch] != held_out)
        rows = np.flatnonzero((fold[batch] == held_out) & np.isin(beer, beer[left]))
        if not rows.size:
            continue
        known = np.unique(beer[left])
        part = _good_scans(fit, reflectance[left], *(_from_zero(of[left]) for of in (beer, batch, sample)))
        its_beer, its_sample = np.searchsorted(known, beer[rows]), _from_zero(sample[rows])
        means, n_pours = mean_by(reflectance[rows], its_sample)
        single.append(_gains(part, reflectance[rows], its_beer, np.ones(rows.size, np.int64)))
        full.append(_gains(part, means, parent_codes(its_sample, its_beer), n_pours))
    return np.concatenate(single), np.concatenate(full)


def _gains(fit: FaultFit, reflectance: Floats, beer: Ints, n_pours: Ints) -> Floats:
    gains = np.zeros((len(reflectance), len(FAULTS)))
    for (k, m), rows in rows_by(beer, n_pours):
        detector = fit.sample_detector(k, float(m))
        gains[rows] = detector.explain(reflectance[rows] - detector.base).gain
    return gains


def _from_zero(codes: Ints) -> Ints:
    return np.unique(codes, return_inverse=True)[1].astype(np.int64)


def _over_chance(gains: Floats) -> Floats:
    """How much farther good scans reach than chance would let them, for each fault, 1 or more."""
    if not len(gains):
        return np.ones(gains.shape[1])
    by_chance = float(chdtri(1, 2.0 * (1.0 - _COMPARED_AT)))
    return np.maximum(np.quantile(gains, _COMPARED_AT, axis=0) / by_chance, 1.0)
