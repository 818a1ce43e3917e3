"""Learn how typical a spectrum is of each beer: distance in the scatter between batches, and a p-value for it.

The batch is the unit: degrees of freedom count batches, and a sample of m pours is held against scatter at m pours.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import bdtrc

from specmatch.array_types import Floats, Ints
from specmatch.errors import TooFewBatchesError
from specmatch.maths.metric_choice import choose_metric
from specmatch.maths.sample_scatter import Samples
from specmatch.maths.statistics import mean_by, parent_codes
from specmatch.maths.typical_beers import Match as Match
from specmatch.maths.typical_beers import TypicalityFit as TypicalityFit
from specmatch.maths.typical_beers import typicality_of

# a quarter more batches than the metric was chosen on may well choose another
GROWTH = 1.25


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
    samples = Samples(means, n_pours, parent_codes(sample, batch), parent_codes(batch, beer))
    choice = choose_metric(samples, reflectance, sample, transform=transform, n_components=n_components)
    return typicality_of(samples, choice, false_reject_rate)


@dataclass(frozen=True)
class Grown:
    """A fit with batches added.

    Attributes
    ----------
    fit : TypicalityFit
    refit_reasons : tuple of str
        Why it should be fitted anew; empty if it need not.
    """

    fit: TypicalityFit
    refit_reasons: tuple[str, ...]


def add_batches(fit: TypicalityFit, reflectance: Floats, beer: Ints, batch: Ints, sample: Ints) -> Grown:
    """Add batches without choosing the metric again.

    Parameters
    ----------
    fit : TypicalityFit
        Left as it is.
    reflectance : ndarray, shape (n_pours, p)
        One row a pour, on the fitted wavelengths.
    beer : ndarray of int, shape (n_pours,)
        Codes of the fit; new beers follow the last, none left out.
    batch, sample : ndarray of int, shape (n_pours,)
        Codes from 0 upwards among the new batches; they stand behind the fitted ones in the new fit.

    Returns
    -------
    Grown
        The fit is exactly what fitting old and new batches together gives with scale, channels, their noise and number
        of components held: axes, means, scatter and tail are all new.

    Examples
    --------
    >>> rng, nm, each = np.random.default_rng(0), np.linspace(450.0, 650.0, 21), np.arange(18)
    >>> strength = np.repeat([1.0, 2.0], 9) * np.exp(rng.normal(0, 0.03, 18))
    >>> reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0))
    >>> fit = fit_typicality(reflectance[:16], each[:16] // 9, each[:16], each[:16], wavelength_nm=nm)
    >>> grown = add_batches(fit, reflectance[16:], np.array([1, 1]), np.array([0, 1]), np.array([0, 1]))
    >>> grown.fit.batches_per_beer.tolist(), grown.refit_reasons
    ([9, 9], ())
    """
    means, n_pours = mean_by(reflectance, sample)
    old, choice, new_beer = fit.samples, fit.choice, parent_codes(batch, beer)
    samples = Samples(
        np.concatenate([old.reflectance, means]),
        np.concatenate([old.n_pours, n_pours]),
        np.concatenate([old.batch, parent_codes(sample, batch) + old.beer.size]),
        np.concatenate([old.beer, new_beer]),
    )
    each = choice.scale.apply(reflectance[:, choice.channels])
    deviations = each - mean_by(each, sample)[0][sample]
    pour_dof = choice.pour_dof + len(each) - n_pours.size
    squares = choice.pour_covariance * choice.pour_dof + deviations.T @ deviations
    choice = replace(choice, pour_covariance=squares / max(1, pour_dof), pour_dof=pour_dof)
    grown = typicality_of(samples, choice, fit.false_reject_rate)
    reasons = []
    n_known = len(fit.beer_means)
    if samples.beer.size > GROWTH * choice.n_batches:
        reasons.append(f"the set has grown from {choice.n_batches} to {samples.beer.size} batches since the last fit")
    if grown.batches_per_beer.size > n_known:
        reasons.append(f"{grown.batches_per_beer.size - n_known} beers are new, and the metric was chosen without them")
    own_beer = new_beer[parent_codes(sample, batch)]
    known = own_beer < n_known
    if known.any() and fit.judges:
        p_value = fit.match(means[known], n_pours[known]).p_value[np.arange(known.sum()), own_beer[known]]
        refused = int((p_value <= fit.false_reject_rate).sum())
        # one chance in a hundred of so many if nothing had changed
        if bdtrc(refused - 1, int(known.sum()), fit.false_reject_rate) < 0.01:
            reasons.append(
                f"{refused} of {known.sum()} new samples are unlike their own beer: look at them before all else"
            )
    return Grown(grown, tuple(reasons))
