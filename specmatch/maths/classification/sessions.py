"""What batches measured in one session share, its reference's noise, axis and lamp: what scatter within beers lacks."""

# Where the batches of a beer come from many sessions, their scatter holds that effect already. Where they come from one
# or two, it lies between beers instead, and scatter within a beer is learnt too small.

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.spectra.noise import fit_light_noise, pooled, slit_bins
from specmatch.maths.spectra.transforms import LogAbsorbance
from specmatch.maths.statistics.levels import Levels, rows_of

# What sessions differ by where nothing tells: the axis in nm, the lamp's level, its tilt per 100 nm (common practice,
# no source; cautious)
USUAL_SD = np.array([0.3, 0.003, 0.002])
# pairs of batches of two beers in one session, from which the effect is learnt, and the least it is taken to be
FEWEST_PAIRS, LEAST_PART = 40, 0.1
# of the effect, missing on average from the scatter of the beers, from which it is added
LEAST_MISSING = 0.15
# an axis is kept that holds so many times as much as the noise of the references may make up
LEAST_RATIO = 5.0
_STEP = 1e-4


@dataclass(frozen=True)
class SharedNoise:
    """What scatter within beers lacks of the effect of sessions, in reflectance, at the mean of each beer."""

    base: Floats  # (n_beers, p)
    loading: Floats  # (n_beers, c, p): one standard deviation of each cause
    variance: Floats  # (n_beers, p): of the noise of the reference
    missing: float  # part of the effect that is to be added
    n_sessions: int
    sd: Floats  # (3,): of axis in nm, lamp and its tilt
    sessions_per_beer: Ints  # (n_beers,)

    def axes_beyond(self, scores: Floats, noise: Floats, variance: Floats) -> int:
        """Return how many leading axes hold more of the batches than noise of the references may make up, 1 or more."""
        # Principal axes of few sessions run along their references' noise: its largest sum of squares along one axis is
        # that of a random matrix of sessions by channels, each row as often as a session has batches (Marchenko,
        # Pastur, Math. USSR Sb. 1:457, 1967; from memory).
        # scores (n_batches, a), noise, variance (p,): of the channels, and what references add to it, on the scale
        part = float((variance / noise**2).mean()) / self.missing
        largest = part * (np.sqrt(noise.size) + np.sqrt(self.n_sessions)) ** 2 * len(scores) / self.n_sessions
        beyond = (scores**2).sum(axis=0) > LEAST_RATIO * largest
        return max(1, int(beyond.size if beyond.all() else beyond.argmin()))

    def on_scale(self, scale: LogAbsorbance) -> tuple[Floats, Floats]:
        """Return loadings, shape (r, p), and variances, shape (p,), that make up the missing covariance on a scale."""
        n_beers, _, p = self.loading.shape
        at = self.base[:, None, :]
        half = (scale.apply((at + self.loading).reshape(-1, p)) - scale.apply((at - self.loading).reshape(-1, p))) / 2.0
        noise = (scale.slope(self.base, _STEP) ** 2 * self.variance).mean(axis=0)
        return half * np.sqrt(self.missing / n_beers), self.missing * noise


def missing_share(session: Ints, beer: Ints) -> Floats:
    """Return what part of the effect of sessions the scatter and mean of each beer lack, shape (n_beers,)."""
    # With n batches, c_j of them in session j, their scatter holds a part f = (n - sum c_j^2 / n) / (n - 1) of it. A
    # new batch lies 1 + sum c_j^2 / n^2 of it from their mean, of which f (1 + 1/n) is counted.
    # session, beer (n_batches,)
    share = np.zeros(int(beer.max()) + 1)
    for k in range(share.size):
        counts = np.unique(session[beer == k], return_counts=True)[1].astype(float)
        n, squares = counts.sum(), float((counts**2).sum())
        if n > 1:
            held = (n - squares / n) / (n - 1.0)
            share[k] = (1.0 + squares / n**2) / (1.0 + 1.0 / n) - held
    return share


def lacks_sessions(session: Ints, beer: Ints) -> float:
    """Return the part of the effect of sessions that is missing on average, 0 where that is next to nothing."""
    # session, beer (n_batches,)
    missing = float(np.average(missing_share(session, beer), weights=np.bincount(beer)))
    return missing if missing >= LEAST_MISSING else 0.0


def few_sessions(session: Ints, beer: Ints) -> Ints:
    """Return the beers of three batches or more that were all measured in one session or two, codes (m,)."""
    # session, beer (n_batches,)
    counts = np.bincount(beer)
    sessions = np.array([np.unique(session[beer == k]).size for k in range(counts.size)])
    return np.flatnonzero((counts >= 3) & (sessions <= 2) & (sessions < counts))


def shared_noise(reflectance: Floats, levels: Levels, session: Ints, *, wavelength_nm: Floats) -> SharedNoise | None:
    """Return what scatter within beers lacks of the effect of sessions, or None where that is next to nothing."""
    # reflectance (n_pours, p), session (n_batches,), wavelength_nm (p,)
    missing = lacks_sessions(session, levels.beer)
    if not missing or reflectance.shape[1] < 3:
        return None
    replicated = bool((levels.counts("sample") > 1).any())
    group = levels.sample if replicated else levels.codes("beer")
    noise = fit_light_noise(reflectance, group, wavelength_nm=wavelength_nm)
    base = levels.mean(reflectance, to="beer")
    # an axis 1 nm off, a lamp twice as bright and a tilt of 1 per 100 nm: (n_beers, 3, p)
    tilt = (wavelength_nm - wavelength_nm.mean()) / 100.0
    causes = np.stack([np.gradient(base, wavelength_nm, axis=1), base, base * tilt], axis=1)
    sd = _learnt_sd(levels.mean(reflectance, to="batch"), base, causes, levels.beer, session, wavelength_nm)
    # one reference and one dark a session, as one scan each
    reference = base**2 * noise.variance(np.ones_like(base)) + noise.read / noise.light**2
    per_beer = np.array([np.unique(session[levels.beer == k]).size for k in range(len(base))])
    return SharedNoise(base, causes * sd[:, None], reference, missing, np.unique(session).size, sd, per_beer)


def _learnt_sd(batch: Floats, base: Floats, causes: Floats, beer: Ints, session: Ints, wavelength_nm: Floats) -> Floats:
    """Return the sd of each cause between sessions; the usual ones where too few pairs of batches tell."""
    # batches of two beers share nothing but their session, so that the mean of their products is its variance
    # batch (n_batches, p), base (n_beers, p), causes (n_beers, 3, p)
    bins = slit_bins(wavelength_nm)
    sums, pairs = np.zeros(len(USUAL_SD)), 0
    for members in rows_of(session):
        if np.unique(beer[members]).size < 2:
            continue
        effects = []
        for row in members:
            k = beer[row]
            seen = pooled(base[k], bins)
            # strength and a white addition are the batch's own
            shapes = np.vstack([pooled(causes[k], bins), seen * np.log(np.maximum(seen, 1e-4)), 1.0 - seen])
            effects.append(np.linalg.lstsq(shapes.T, pooled(batch[row] - base[k], bins), rcond=None)[0][: len(sums)])
        table = np.array(effects)
        for i in range(members.size):
            for j in range(i):
                if beer[members[i]] != beer[members[j]]:
                    sums, pairs = sums + table[i] * table[j], pairs + 1
    if pairs < FEWEST_PAIRS:
        return USUAL_SD
    return np.sqrt(np.maximum(sums / pairs, (LEAST_PART * USUAL_SD) ** 2))
