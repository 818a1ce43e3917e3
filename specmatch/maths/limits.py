"""Is a spectrum of the kind that a set holds: leverage, T2, spectral residual, and the limits that go with them.

Degrees of freedom count batches: pours of one batch repeat each other and add nothing to what the set spans.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TooFewBatchesError
from specmatch.maths.critical_values import scaled_chi_square, t2_limit_new
from specmatch.maths.domain_batches import batches_that_span, scores_and_residual
from specmatch.maths.metric import squared_distances
from specmatch.maths.sample_scatter import principal_axes
from specmatch.maths.spectral_scale import Scale
from specmatch.maths.statistics import mean_by

# batches that a component must have behind it, so that its limit is not all extrapolation
BATCHES_PER_COMPONENT = 3
MOST_COMPONENTS = 10
ROWS = 1024
SCALES = {
    "log_absorbance": Scale("log_absorbance", 0.03, 0.03),
    "absorbance": Scale("absorbance"),
    "reflectance": Scale("reflectance"),
}


@dataclass(frozen=True)
class DomainCheck:
    """Where samples lie against the set; one entry a sample.

    Attributes
    ----------
    leverage : ndarray
        h = t'(T'T)^-1 t, T the scores of the batches.
    t2, q : ndarray
        Hotelling's T2 = (n-1) h, and the sum of squared spectral residual.
    joint : ndarray
        Nh h/h0 + Nq q/q0, about chi-squared with Nh + Nq degrees of freedom.
    nearest_distance : ndarray
        Distance to the nearest batch in scores of unit variance.
    q_limit, joint_limit : ndarray
        Limits at the number of pours of each sample.
    leverage_limit, t2_limit, nearest_limit : float
        3A/n; the limit for a new spectrum; the largest distance of a batch from its own nearest.
    outside : ndarray of bool
        T2 or Q beyond its limit.
    """

    leverage: Floats
    t2: Floats
    q: Floats
    joint: Floats
    nearest_distance: Floats
    q_limit: Floats
    joint_limit: Floats
    leverage_limit: float
    t2_limit: float
    nearest_limit: float
    outside: Mask


@dataclass(frozen=True)
class DomainFit:
    """Principal components of the batches, and what held-out batches leave outside them.

    Attributes
    ----------
    scale : Scale
    noise : ndarray, shape (p,)
        By which channels are divided.
    odd_pour : ndarray of bool, shape (n_pours,)
        Left out of the fit as unlike all others.
    centre, loadings, score_sd : ndarray, shapes (p,), (p, A) and (A,)
        Of A components; loadings are orthonormal.
    scores : ndarray, shape (n_batches, A)
        Of unit variance.
    leverage_mean, leverage_dof, q_mean, q_dof : float
        Leverage and squared residual of batches as mean/dof chi-squared(dof).
    pour_q : float
        Mean squared residual of a pour about its sample.
    per_pour : float
        Mean of 1/m over the fitted samples of m pours.
    t2_limit, nearest_limit : float
    false_alarm_rate : float
    """

    scale: Scale
    noise: Floats
    odd_pour: Mask
    centre: Floats
    loadings: Floats
    score_sd: Floats
    scores: Floats
    leverage_mean: float
    leverage_dof: float
    q_mean: float
    q_dof: float
    pour_q: float
    per_pour: float
    t2_limit: float
    nearest_limit: float
    false_alarm_rate: float

    def check(self, reflectance: Floats, n_pours: Ints) -> DomainCheck:
        """Hold samples against the set.

        Parameters
        ----------
        reflectance : ndarray, shape (n, p)
            Mean reflectance of each sample on the fitted wavelengths.
        n_pours : ndarray of int, shape (n,)
            Pours behind each row.

        Returns
        -------
        DomainCheck
        """
        n_batches, n_components = self.scores.shape
        scores = np.empty((len(reflectance), n_components))
        q, nearest = np.empty(len(reflectance)), np.empty(len(reflectance))
        # rows at a time, so that what one step leaves is still at hand for the next
        for start in range(0, len(reflectance), ROWS):
            block = slice(start, start + ROWS)
            deviations = self.scale.apply(reflectance[block]) / self.noise - self.centre
            scores[block], q[block] = scores_and_residual(deviations, self.loadings)
            scores[block] /= self.score_sd
            nearest[block] = np.sqrt(squared_distances(scores[block], self.scores).min(axis=1))
        leverage = (scores**2).sum(axis=1) / (n_batches - 1)
        t2 = (n_batches - 1) * leverage
        # fewer pours leave more noise outside the components; Box's g grows with it and h stays
        q_mean = np.maximum(self.q_mean + (1.0 / n_pours - self.per_pour) * self.pour_q, 0.1 * self.q_mean)
        tail = self.false_alarm_rate / 2.0
        q_limit = q_mean / self.q_dof * chdtri(self.q_dof, tail)
        joint = self.leverage_dof * leverage / self.leverage_mean + self.q_dof * q / q_mean
        joint_limit = np.full(len(q), chdtri(self.leverage_dof + self.q_dof, self.false_alarm_rate))
        outside = (t2 > self.t2_limit) | (q > q_limit)
        leverage_limit = 3.0 * n_components / n_batches
        return DomainCheck(
            leverage,
            t2,
            q,
            joint,
            nearest,
            q_limit,
            joint_limit,
            leverage_limit,
            self.t2_limit,
            self.nearest_limit,
            outside,
        )


def fit_domain(
    reflectance: Floats,
    batch: Ints,
    sample: Ints,
    *,
    wavelength_nm: Floats,
    transform: str = "log_absorbance",
    false_alarm_rate: float = 0.01,
) -> DomainFit:
    """Learn the space that the batches of a set span.

    Parameters
    ----------
    reflectance : ndarray, shape (n_pours, p)
        One row a pour, on the usable band, without missing values.
    batch, sample : ndarray of int, shape (n_pours,)
        Codes from 0 upwards, none left out.
    wavelength_nm : ndarray, shape (p,)
        Kept in step with the columns; the domain uses all of them.
    transform : {"log_absorbance", "absorbance", "reflectance"}, default "log_absorbance"
        See `specmatch.maths.spectral_scale.Scale`. On absorbance the noise of dark beers would rule the residual.
    false_alarm_rate : float, default 0.01
        Part of samples of the set's own kind that may be called outside; half goes to each of T2 and Q.

    Returns
    -------
    DomainFit

    Raises
    ------
    TooFewBatchesError
        With fewer than three batches.

    Notes
    -----
    Q limits rest on batches held out in ten folds: residuals of the fitted batches themselves are too small. The
    number of components is the last that takes 10 % or more off the held-out residual. Channels count in units of
    their noise between pours. Pours unlike all others (`odd_rows`) and batches that the others leave far outside take
    no part, so that a few bad scans in a set neither hide nor drag the limits; they are named in `odd_pour`.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> nm = np.linspace(450.0, 650.0, 21)
    >>> strength = np.exp(rng.normal(0, 0.3, 20))
    >>> reflectance = 10 ** -np.outer(strength, np.exp(-(nm - 450.0) / 90.0)) + rng.normal(0, 1e-4, (20, 21))
    >>> fit = fit_domain(reflectance, np.arange(20), np.arange(20), wavelength_nm=nm)
    >>> spiked = reflectance[:1] + 0.1 * (nm == 500.0)
    >>> fit.check(np.vstack([reflectance[:1], spiked]), np.array([1, 1])).outside.tolist()
    [False, True]
    """
    if batch.max() < 2:
        raise TooFewBatchesError(f"a domain cannot be learnt from {batch.max() + 1} batches; give three or more")
    scale = SCALES[transform]
    each = scale.apply(reflectance)
    most = int(np.clip((batch.max() + 1) // BATCHES_PER_COMPONENT, 1, MOST_COMPONENTS))
    span = batches_that_span(each, reflectance, batch, sample, scale, most)
    kept = span.kept
    n_batches, pour_dof = len(kept.spectra), len(kept.deviations) - kept.n_pours.size
    centre, loadings = principal_axes(kept.spectra, np.ones(kept.spectra.shape[1]), span.n_components)
    n_axes = loadings.shape[1]
    scores, _ = scores_and_residual(kept.spectra - centre, loadings)
    score_sd = np.sqrt((scores**2).sum(axis=0) / (n_batches - 1))
    # identical spectra have no spread: their scores are then counted in units of 1 and stay 0
    score_sd = np.where(score_sd > 0, score_sd, 1.0)
    scores /= score_sd
    # a set whose held-out spectra leave nothing outside still needs a limit above rounding
    rounding = 1e-20 * max(1.0, float((kept.spectra**2).sum(axis=1).max()))
    pour_q = float(scores_and_residual(kept.deviations / kept.noise, loadings)[1].sum() / max(1, pour_dof))
    between = squared_distances(scores, scores)
    np.fill_diagonal(between, np.inf)
    # batches that are all one spectrum have no leverage; a mean of rounding keeps the joint distance a number
    leverage_mean, leverage_dof = scaled_chi_square((scores**2).sum(axis=1) / (n_batches - 1) + 1e-12)
    q_mean, q_dof = scaled_chi_square(span.held_out[:, n_axes - 1] + rounding)
    return DomainFit(
        scale=scale,
        noise=kept.noise,
        odd_pour=span.odd,
        centre=centre,
        loadings=loadings,
        score_sd=score_sd,
        scores=scores,
        leverage_mean=leverage_mean,
        leverage_dof=leverage_dof,
        q_mean=q_mean,
        q_dof=q_dof,
        pour_q=pour_q,
        per_pour=float(np.mean(mean_by(1.0 / kept.n_pours, kept.sample_batch)[0])),
        t2_limit=t2_limit_new(n_batches, n_axes, 1.0 - false_alarm_rate / 2.0),
        nearest_limit=float(np.sqrt(between.min(axis=1).max())),
        false_alarm_rate=false_alarm_rate,
    )
