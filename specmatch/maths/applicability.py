"""Is a spectrum of the kind that a set holds: leverage, T2, spectral residual, and their limits by batches."""

# Degrees of freedom count batches: pours of one batch repeat each other and add nothing to what the set spans.

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints, Mask
from specmatch.errors import TooFewBatchesError
from specmatch.maths.classification.discriminant_space import principal_axes
from specmatch.maths.classification.t2_and_q import scaled_chi_square, t2_limit_new
from specmatch.maths.spectra.noise import weighing_noise
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.levels import Levels
from specmatch.maths.statistics.robust import MOST_ODD, beyond_robust_limit, median_by, spherical_pca_outliers

N_FOLDS = 10
FEWEST_BATCHES = 3

# a few bad scans must not buy themselves a component: so large a part of the batches has no say in their number
TRIMMED = 0.05

# below so many components beers of all colours leave much outside, and that says nothing against a batch
FEWEST_COMPONENTS = 3

# a further component must take this part off the held-out residual, or the components stop
WORTHWHILE = 0.10


@dataclass(frozen=True)
class Span:
    """The batches that span a domain, without odd pours, and how many components they need."""

    noise: Floats  # (p,): of the channels, between pours
    spectra: Floats  # (n_batches, p): means of batches in units of noise
    deviations: Floats  # (n_pours, p): of the pours kept about their sample
    levels: Levels  # of the pours kept
    # (n_batches, most_components): squared residual of each batch outside 1, 2, ... components of the others
    held_out: Floats
    n_components: int  # the last that takes `WORTHWHILE` off the held-out residual
    # (n_pours,): pours left out: unlike all others or unlike their mates, or of a batch that others leave far outside
    odd: Mask


def robust_pca(each: Floats, reflectance: Floats, levels: Levels, scale: LogAbsorbance, most_components: int) -> Span:
    """Leave out what is odd, and count the components of the rest."""
    # each, reflectance (n_pours, p)
    batch = levels.codes("batch")
    odd = _odd_pours(each, levels, most_components)
    if np.unique(batch[~odd]).size < FEWEST_BATCHES:
        odd = np.zeros(odd.size, bool)
    while True:
        kept, part = each[~odd], levels.part(~odd)
        noise = weighing_noise(kept, part.sample)
        samples = scale.apply(part.mean(reflectance[~odd], to="sample")) / noise
        spectra = part.mean(samples, to="batch", of="sample")
        held_out = _held_out_residuals(spectra, most_components)
        inner = len(held_out) - int(TRIMMED * len(held_out))
        n_components = _worthwhile_components(np.sort(held_out, axis=0)[:inner].mean(axis=0))
        far = _odd_batches(held_out, n_components)
        # one that is far out may hide another; so many odd ones are a kind of their own
        if not far.any() or odd.mean() > MOST_ODD:
            return Span(noise, spectra, part.about_sample(kept), part, held_out, n_components, odd)
        odd |= np.isin(batch, np.unique(batch[~odd])[far])


def _odd_pours(each: Floats, levels: Levels, most_components: int) -> Mask:
    """Pours unlike all others, or unlike their mates where a sample has three pours or more."""
    noise, sample = weighing_noise(each, levels.sample, robust=True), levels.sample
    odd = spherical_pca_outliers(each / noise, most_components)
    beside_mates = np.flatnonzero((levels.counts("sample") > 2)[sample])
    if beside_mates.size:
        from_mates = (each - median_by(each, sample)[sample])[beside_mates] / noise
        odd[beside_mates] |= spherical_pca_outliers(from_mates, most_components)
    return odd


def _odd_batches(held_out: Floats, n_components: int) -> Mask:
    """Batches that others leave far outside, whether or not they have made a component of their own since."""
    odd = np.zeros(len(held_out), bool)
    for components in range(min(FEWEST_COMPONENTS, n_components), n_components + 1):
        odd |= beyond_robust_limit(held_out[:, components - 1])
    return odd


def scores_and_residual(deviations: Floats, loadings: Floats) -> tuple[Floats, Floats]:
    """Split deviations from the centre into scores and what these leave."""
    # deviations (n, p), loadings (p, A) -> (n, A), (n,)
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


# batches that a component must have behind it, so that its limit is not all extrapolation
BATCHES_PER_COMPONENT = 3
MOST_COMPONENTS = 10
ROWS = 256
SCALES = {
    "log_absorbance": LogAbsorbance("log_absorbance", 0.03, 0.03),
    "absorbance": LogAbsorbance("absorbance"),
    "reflectance": LogAbsorbance("reflectance"),
}


@dataclass(frozen=True)
class DomainCheck:
    """Where samples lie against the set; one entry a sample."""

    leverage: Floats  # h = t'(T'T)^-1 t, T the scores of the batches
    leverage_limit: float  # 3A/n
    t2: Floats  # Hotelling's T2 = (n-1) h
    t2_limit: float  # for a new spectrum
    q: Floats  # sum of squared spectral residual
    q_limit: Floats  # q_limit, joint_limit: at the number of pours of each sample
    joint: Floats  # nh h/h0 + Nq q/q0, about chi-squared with Nh + Nq degrees of freedom
    joint_limit: Floats
    nearest_distance: Floats  # distance to the nearest batch in scores of unit variance
    nearest_limit: float  # the largest distance of a batch from its own nearest
    outside: Mask  # T2 or Q beyond its limit


@dataclass(frozen=True)
class ApplicabilityDomain:
    """Principal components of the batches, and what held-out batches leave outside them."""

    scale: LogAbsorbance
    noise: Floats  # (p,): by which channels are divided
    odd_pour: Mask  # (n_pours,): left out of the fit as unlike all others
    centre: Floats  # centre, loadings, score_sd: of A components; loadings are orthonormal
    loadings: Floats
    score_sd: Floats
    scores: Floats  # (n_batches, A): of unit variance
    # leverage_mean, leverage_dof, q_mean, q_dof: leverage and squared residual of batches as mean/dof chi-squared(dof)
    leverage_mean: float
    leverage_dof: float
    q_mean: float
    q_dof: float
    pour_q: float  # mean squared residual of a pour about its sample
    per_pour: float  # mean of 1/m over the fitted samples of m pours
    t2_limit: float
    nearest_limit: float
    false_alarm_rate: float

    def check(self, reflectance: Floats, n_pours: Ints) -> DomainCheck:
        """Hold samples against the set."""
        # reflectance (n, p), n_pours (n,)
        n_batches, n_components = self.scores.shape
        scores, q = self._scores_and_residual(reflectance)
        nearest = _to_nearest(self.scores, scores, 1)
        leverage = (scores**2).sum(axis=1) / (n_batches - 1)
        t2 = (n_batches - 1) * leverage
        q_mean = self._q_mean(n_pours)
        q_limit = q_mean * self._limit_of_mean
        joint = self.leverage_dof * leverage / self.leverage_mean + self.q_dof * q / q_mean
        joint_limit = np.full(len(q), chdtri(self.leverage_dof + self.q_dof, self.false_alarm_rate))
        return DomainCheck(
            leverage, 3.0 * n_components / n_batches, t2, self.t2_limit, q, q_limit, joint, joint_limit,
            nearest, self.nearest_limit, outside=(t2 > self.t2_limit) | (q > q_limit),
        )  # fmt: skip

    def outside(self, reflectance: Floats, n_pours: Ints) -> Mask:
        """Return what `check` says of T2 and Q, without all else."""
        scores, q = self._scores_and_residual(reflectance)
        return np.asarray(((scores**2).sum(axis=1) > self.t2_limit) | (q > self._q_mean(n_pours) * self._limit_of_mean))

    def _scores_and_residual(self, reflectance: Floats) -> tuple[Floats, Floats]:
        scores, q = np.empty((len(reflectance), self.scores.shape[1])), np.empty(len(reflectance))
        # rows at a time, so that what one step leaves is still at hand for the next
        for start in range(0, len(reflectance), ROWS):
            block = slice(start, start + ROWS)
            deviations = self.scale.apply(reflectance[block])
            deviations /= self.noise
            deviations -= self.centre
            scores[block], q[block] = scores_and_residual(deviations, self.loadings)
        scores /= self.score_sd
        return scores, q

    def _q_mean(self, n_pours: Ints) -> Floats:
        # fewer pours leave more noise outside the components; Box's g grows with it and h stays
        return np.maximum(self.q_mean + (1.0 / n_pours - self.per_pour) * self.pour_q, 0.1 * self.q_mean)

    @cached_property
    def _limit_of_mean(self) -> float:
        return float(chdtri(self.q_dof, self.false_alarm_rate / 2.0)) / self.q_dof


def _to_nearest(batches: Floats, rows: Floats, k: int) -> Floats:
    """Return the distance of each row from its k-th nearest batch, shape (n,)."""
    from scipy.spatial import cKDTree  # here, because a reading must not wait for its import

    return np.asarray(cKDTree(batches).query(rows, [k])[0][:, 0])


def fit_domain(
    reflectance: Floats, levels: Levels, *, transform: str = "log_absorbance", false_alarm_rate: float = 0.01
) -> ApplicabilityDomain:
    """Learn the space that the batches of a set span, from all that is not odd; `odd_pour` names what is."""
    # Q limits rest on batches held out in ten folds: residuals of the fitted batches themselves are too small.
    # reflectance (n_pours, p)
    # false_alarm_rate: part of samples of the set's own kind that may be called outside; half goes to each of T2 and Q
    n_given = levels.beer.size
    if n_given < FEWEST_BATCHES:
        raise TooFewBatchesError(f"a domain cannot be learnt from {n_given} batches; give three or more")
    scale = SCALES[transform]
    each = scale.apply(reflectance)
    most = int(np.clip(n_given // BATCHES_PER_COMPONENT, 1, MOST_COMPONENTS))
    kept = robust_pca(each, reflectance, levels, scale, most)
    n_batches, pour_dof = len(kept.spectra), len(kept.deviations) - kept.levels.batch.size
    centre, loadings = principal_axes(kept.spectra, np.ones(kept.spectra.shape[1]), kept.n_components)
    n_axes = loadings.shape[1]
    scores, _ = scores_and_residual(kept.spectra - centre, loadings)
    score_sd = np.sqrt((scores**2).sum(axis=0) / (n_batches - 1))
    # identical spectra have no spread: their scores are then counted in units of 1 and stay 0
    score_sd = np.where(score_sd > 0, score_sd, 1.0)
    scores /= score_sd
    # a set whose held-out spectra leave nothing outside still needs a limit above rounding
    rounding = 1e-20 * max(1.0, float((kept.spectra**2).sum(axis=1).max()))
    pour_q = float(scores_and_residual(kept.deviations / kept.noise, loadings)[1].sum() / max(1, pour_dof))
    # batches that are all one spectrum have no leverage; a mean of rounding keeps the joint distance a number
    leverage_mean, leverage_dof = scaled_chi_square((scores**2).sum(axis=1) / (n_batches - 1) + 1e-12)
    q_mean, q_dof = scaled_chi_square(kept.held_out[:, n_axes - 1] + rounding)
    return ApplicabilityDomain(
        scale=scale,
        noise=kept.noise,
        odd_pour=kept.odd,
        centre=centre,
        loadings=loadings,
        score_sd=score_sd,
        scores=scores,
        leverage_mean=leverage_mean,
        leverage_dof=leverage_dof,
        q_mean=q_mean,
        q_dof=q_dof,
        pour_q=pour_q,
        per_pour=kept.levels.per_pour,
        t2_limit=t2_limit_new(n_batches, n_axes, 1.0 - false_alarm_rate / 2.0),
        nearest_limit=float(_to_nearest(scores, scores, 2).max()),  # the nearest of all is the batch itself
        false_alarm_rate=false_alarm_rate,
    )
