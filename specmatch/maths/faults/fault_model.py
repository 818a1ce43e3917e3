"""What good scans of a house look like, learnt from its set, and which known fault best explains another scan."""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.faults.diagnosis import (
    CLOSE,
    LEAST_SIZES,
    NAMED,
    Detector,
    Diagnosis,
    join_findings,
    judge,
    patterns_at,
    rows_by,
)
from specmatch.maths.faults.normal_variation import (
    BATCH_SD,
    CAUSES,
    OF_SESSION,
    POUR_SD,
    USUAL_FOAM,
    NormalVariation,
    fit_natural_scatter,
    fit_pour_scatter,
    fit_strength_law,
)
from specmatch.maths.optics.cup import FAULT_NAMES, FAULTS, Optics, glare_of
from specmatch.maths.optics.path_law import PathLaw
from specmatch.maths.spectra.noise import ChannelNoise, fit_light_noise, pooled, slit_bins, slit_weights
from specmatch.maths.statistics.levels import Levels, mean_by, place_within
from specmatch.maths.statistics.robust import quantiles

# gain from which on a pour is odd among its mates (tuning: good triples have 3 % of such, half of them spoilt indeed)
POUR_LIMIT = 14.0
# by so much clearer is what is named of several pours: they are looked at before, and hide less of what shapes miss
SECOND_LOOK = 3.0

# detectors kept for the next samples, some megabytes in all: to prepare one takes a quarter of what a reading takes
MOST_DETECTORS = 48
# patterns of so many beers are laid out at a time: those of thousands at once would fill a machine
BEERS_AT_ONCE = 256


@dataclass(frozen=True)
class FaultModel:
    """What good scans of a house look like, and what is needed to explain others."""

    optics: Optics
    noise: ChannelNoise
    scatter: NormalVariation
    beer_means: Floats  # (n_beers, p): mean reflectance of each beer, batches weighing alike
    batches_per_beer: Ints  # (n_beers,)
    # (2, n_faults): how much more of each fault the set's own scans seem to have than chance gives, 1 or more: single
    # pours, and samples at their full number of pours
    sample_doubt: Floats
    pour_doubt: Floats  # (n_faults,): the same for pours against their mates; infinite for faults that mates share
    # squared distance of a pour from its mates, over the number of channels, from which on it is odd in any case
    pour_distance_limit: float
    bins: Ints  # (p,): the channels that are judged as one, those within a part of the slit; none in older files
    # (n_beers,): sessions in which the batches of each beer were measured, empty where that makes no odds
    sessions_per_beer: Ints = field(default_factory=lambda: np.zeros(0, np.int64))

    def __post_init__(self) -> None:
        """Leave faults that came after a saved model unnamed, of which its scatter knows nothing; give it bins."""
        if not self.bins.size:
            object.__setattr__(self, "bins", np.arange(self.beer_means.shape[1]))
        for name in ("sample_doubt", "pour_doubt"):
            known = getattr(self, name)
            late = np.full((*known.shape[:-1], len(FAULTS) - known.shape[-1]), np.inf)
            object.__setattr__(self, name, np.concatenate([known, late], axis=-1))

    def pool(self, reflectance: Floats) -> Floats:
        """Return spectra, shape (n, p), on the bins in which faults are sought, shape (n, n_bins)."""
        return pooled(reflectance, self.bins)

    @cached_property
    def _bases(self) -> Floats:
        return self.pool(self.beer_means)

    def nearest_means(self, reflectance: Floats) -> Ints:
        """Return the beer whose mean is most like each row in absorbance, shape (n,)."""
        from_floor = 0.02
        seen = np.maximum(self.pool(reflectance), 0.0)
        rows, means = np.log(seen + from_floor), np.log(np.maximum(self._bases, 0.0) + from_floor)
        return ((means**2).sum(axis=1) - 2.0 * rows @ means.T).argmin(axis=1).astype(np.int64)

    def sample_detector(self, beer: int, n_pours: float) -> Detector:
        """Prepare to explain departures of samples of `n_pours` pours from the mean of a beer."""
        found = self._detectors.get((beer, n_pours))
        if found is None:
            base, n_batches = self._bases[beer], float(self.batches_per_beer[beer])
            n_sessions = float(self.sessions_per_beer[beer]) if self.sessions_per_beer.size else None
            noise = self.noise.sample_variance(base, n_pours)
            noise = noise + self.noise.sample_variance(base, 1.0 / self.scatter.per_pour) / (n_sessions or n_batches)
            spread = self.scatter.of_sample(n_pours, n_batches, n_sessions)
            if len(self._detectors) >= MOST_DETECTORS:
                self._detectors.clear()
                self._shapes.clear()
            shapes = self._shapes.get(beer)  # held here: another thread may clear what is kept
            if shapes is None:
                # a mean of few sessions carries the noise of their references, which no shape may
                shapes = self._shapes[beer] = self.shapes_at(base if n_sessions is None else self.smoothed(base))
            found = Detector(base, *shapes, spread, noise)
            self._detectors[beer, n_pours] = found
        return found

    @cached_property
    def _detectors(self) -> dict[tuple[int, float], Detector]:
        return {}

    @cached_property
    def _shapes(self) -> dict[int, tuple[Floats, Floats]]:
        return {}

    def pour_detector(self, base: Floats, n_mates: float, shapes: tuple[Floats, Floats] | None = None) -> Detector:
        """Prepare to explain departures of a pour from the mean of its mates, which look like `base`."""
        # base (n_bins,), shapes: of `shapes_at`, where they are known
        noise = self.noise.variance(base) * (1.0 + 1.0 / n_mates)
        return Detector(base, *(shapes or self.shapes_at(base)), self.scatter.of_pour(n_mates), noise)

    def shapes_at(self, base: Floats) -> tuple[Floats, Floats]:
        """Return patterns of faults and directions of causes at good spectra, shape (..., n_bins)."""
        return patterns_at(base, self.optics), self.scatter.directions(base, self.optics)

    def explain_samples(
        self, reflectance: Floats, n_pours: Ints, beer: Ints, known: tuple[Ints, Diagnosis] | None = None
    ) -> Diagnosis:
        """Find the fault that best explains how samples depart from beers; of some rows it may be known already."""
        # reflectance (n, p), n_pours (n,), beer (n,)
        binned = self.pool(reflectance)
        if known is None or not known[0].size:
            return self.explain_binned(binned, n_pours, beer)
        rest = np.setdiff1d(np.arange(len(beer)), known[0], assume_unique=True)
        return join_findings([known, (rest, self.explain_binned(binned[rest], n_pours[rest], beer[rest]))], len(beer))

    def explain_binned(self, binned: Floats, n_pours: Ints, beer: Ints) -> Diagnosis:
        """Do the work of `explain_samples` on what `pool` gave."""
        parts: list[tuple[Ints, Diagnosis]] = []
        for (k, m), rows in rows_by(beer, n_pours):
            detector = self.sample_detector(k, float(m))
            departure = binned[rows] - detector.base
            # between one pour and the full number, whichever is the more doubtful
            full = 1.0 / self.scatter.per_pour - 1e-9
            doubt = self.sample_doubt[0] if m == 1 else self.sample_doubt[1] if m > full else self.sample_doubt.max(0)
            explanation = detector.explain(departure)
            limit = NAMED + SECOND_LOOK * (m > 1)
            parts.append((rows, judge(detector, departure, explanation, doubt=doubt, limit=limit)))
        return join_findings(parts, len(beer))

    def without_faults(self, reflectance: Floats, n_pours: Ints, beer: Ints, finding: Diagnosis) -> Floats:
        """Return samples, shape (n, p), as they would read without the faults found in them."""
        cleaned = np.empty_like(reflectance)
        for (k, m), rows in rows_by(beer, n_pours):
            detector, one = self.sample_detector(k, float(m)), finding.rows(rows)
            faults, misses = detector.added(one.fault, one.size, one.second, one.second_size)
            change = detector.cleaned(self.pool(reflectance[rows]) - detector.base, faults, misses) - detector.base
            cleaned[rows] = self.beer_means[beer[rows]] + self._spread_over_channels(change)
        return cleaned

    def _spread_over_channels(self, change: Floats) -> Floats:
        """Return a smooth change of spectra on all channels, shape (n, p), from one on bins, shape (n, n_bins)."""
        if change.shape[1] == self.beer_means.shape[1]:
            return change
        place = np.arange(float(self.bins.size))
        centre = pooled(place, self.bins)
        return np.array([np.interp(place, centre, row) for row in change]).reshape(len(change), place.size)

    def left_over(self, binned: Floats, n_pours: Ints, beer: Ints, finding: Diagnosis) -> Floats:
        """Return how unlikely pooled samples are of their beers without the faults found in them, shape (n,)."""
        # minus twice the log likelihood, a constant aside: without the log determinant wide beers would win
        left = np.empty(len(binned))
        for (k, m), rows in rows_by(beer, n_pours):
            detector, one = self.sample_detector(k, float(m)), finding.rows(rows)
            faults, _ = detector.added(one.fault, one.size, one.second, one.second_size)
            left[rows] = detector.distance(binned[rows] - detector.base - faults)
            left[rows] += detector.log_determinant
        return left

    @cached_property
    def _slit(self) -> Floats:
        return slit_weights(self.optics.wavelength_nm)

    def smoothed(self, binned: Floats) -> Floats:
        """Return spectra on bins, shape (n, n_bins), with no more detail than the slit passes."""
        return binned @ self._slit.T


@dataclass(frozen=True)
class PourDepartures:
    """Pours held against the mean of their mates; 0 for lone pours."""

    gain: Floats  # gain, size: (n, n_faults): as in `Explanation`
    size: Floats
    distance: Floats  # (n,): squared, over the number of bins

    def oddness(self, fit: FaultModel, limit: float) -> Floats:
        """Return how far out pours lie, as a multiple of what makes a pour odd, shape (n,)."""
        # a fault of a size that nobody would do anything about makes no pour odd
        gain = np.where(self.size >= LEAST_SIZES, self.gain / fit.pour_doubt, 0.0)
        return np.maximum(gain.max(axis=1, initial=0.0) / limit, self.distance / fit.pour_distance_limit)


def pour_departures(fit: FaultModel, reflectance: Floats, sample: Ints) -> PourDepartures:
    """Hold each pour against its mates, at the mean spectrum of the beer that looks most like them."""
    # reflectance (n, p), sample (n,)
    n_faults = len(FAULTS)
    found = PourDepartures(
        *(np.zeros(shape) for shape in ((len(sample), n_faults), (len(sample), n_faults), len(sample)))
    )
    several = np.flatnonzero(np.bincount(sample)[sample] > 1)
    if not several.size:
        return found
    means, counts = mean_by(reflectance, sample)
    like, binned = fit.nearest_means(means)[sample[several]], fit.pool(reflectance)
    mean, beers = fit.pool(means), np.unique(like)
    shapes: dict[int, tuple[Floats, Floats]] = {}
    for (beer, m), rows in rows_by(like, counts[sample[several]]):
        if beer not in shapes:  # they come in the order of beers
            some = beers[beers >= beer][:BEERS_AT_ONCE]
            shapes = dict(zip(some.tolist(), zip(*fit.shapes_at(fit._bases[some]), strict=True), strict=True))
        chosen = several[rows]
        apart = (binned[chosen] - mean[sample[chosen]]) * (m / (m - 1.0))
        one = departures_of(fit.pour_detector(fit._bases[beer], m - 1.0, shapes[beer]), apart)
        found.gain[chosen], found.size[chosen], found.distance[chosen] = one.gain, one.size, one.distance
    return found


def departures_of(detector: Detector, apart: Floats) -> PourDepartures:
    """Return how far pours lie from what the detector stands at."""
    # apart (n, n_bins)
    found = detector.explain(apart)
    return PourDepartures(found.gain, found.size, detector.distance(apart) / apart.shape[1])


def best_explained_beer(
    fit: FaultModel, reflectance: Floats, n_pours: Ints, candidates: Ints
) -> tuple[Ints, Diagnosis]:
    """Return for each sample the candidate from which it is least far once the best fault is taken away, and that."""
    # reflectance (n, p), n_pours (n,), candidates (n, m) -> (n,)
    n, m = candidates.shape
    beer, pours, binned = candidates.ravel(), n_pours.repeat(m), fit.pool(reflectance).repeat(m, axis=0)
    found = fit.explain_binned(binned, pours, beer)
    left = fit.left_over(binned, pours, beer, found).reshape(n, m)
    left[:, 1:] += CLOSE
    best = np.arange(n) * m + left.argmin(axis=1)
    return beer[best], found.rows(best)


# faults that a pour can have while its mates have not; the axis of an instrument does not come and go with a pour
_OF_A_POUR = np.array([not fault.name.startswith("axis_") for fault in FAULTS])

# quantile at which good scans are compared with chance: high enough to matter, low enough for a few bad scans to hide
_COMPARED_AT, _PASSED = 0.90, 0.02
_TRIES = 3  # by which the good ones are settled
# what chance says of the peaks beyond counts as so many of them, and none as more than so many times the usual one
_PRIOR_PEAKS, _HIGHEST_PEAK = 5.0, 10.0
N_FOLDS = 4

# a pour is odd whatever the cause from this many times as far beyond the nine tenths as those lie beyond the middle
_FAR = 4.0


# variance, at R = 1, by which the shapes of faults and causes, true of no house to the last digit, miss what they stand
# for (tuning: without it fewer faults are named, and more good scans have one)
MISFIT = 0.0007**2
# so few pours beside the first of each sample tell the lamp's light badly: there all pours of a beer tell it (tuning)
FEW_DEVIATIONS = 100
# what a set without repeated pours tells nothing of is wider than good practice: houses fill to 1-3 % (tuning)
_UNTOLD = np.array([1.5, *[1.0] * (len(CAUSES) - 1)])


def _noise(reflectance: Floats, group: Ints, wavelength_nm: Floats, bins: Ints) -> ChannelNoise:
    return replace(fit_light_noise(reflectance, group, wavelength_nm=wavelength_nm, bins=bins), misfit=MISFIT)


def fit_fault_model(
    reflectance: Floats, levels: Levels, *, wavelength_nm: Floats, optics: Optics | None = None,
    path_law: PathLaw | None = None,
) -> tuple[FaultModel, PourDepartures]:  # fmt: skip
    """Learn what good scans look like, all that judging pours against their mates needs, and how these pours depart."""
    # A gain is twice the log likelihood ratio of a fault against none; by chance alone it is chi-squared with one
    # degree of freedom half of the time, and 0 otherwise, since sizes are not negative. Where the set's own pours reach
    # higher against their mates, gains are divided by the ratio.
    # reflectance (n_pours, p), wavelength_nm (p,); optics: what most of these scans have taught already; path_law: what
    # lab colours or a second filling have taught of the cup
    sample, beer = levels.sample, levels.codes("beer")
    replicated = bool((levels.counts("sample") > 1).any())
    bins = slit_bins(wavelength_nm)
    axis = pooled(wavelength_nm, bins)
    noise = _noise(reflectance, sample if replicated else beer, wavelength_nm, bins)
    if replicated and sample.size - levels.counts("sample").size < FEW_DEVIATIONS:
        noise = replace(noise, light=_noise(reflectance, beer, wavelength_nm, bins).light)
    if optics is None:
        means = mean_by(reflectance, beer)[0]
        optics = Optics(axis, noise.light, glare_of(pooled(means, bins)), USUAL_FOAM)
        optics = fit_strength_law(pooled(reflectance, bins), levels, optics=optics, noise=noise, path_law=path_law)
    optics = replace(optics, light=noise.light)
    foam, pour = optics.foam, (_UNTOLD * POUR_SD) ** 2
    if replicated:
        foam, pour = fit_pour_scatter(pooled(reflectance, bins), levels, optics=optics, noise=noise)
    certain = np.ones(len(FAULTS))
    fit = FaultModel(
        replace(optics, foam=foam), noise,
        NormalVariation(np.zeros((0, axis.size)), pour, BATCH_SD**2, levels.per_pour),
        levels.mean(reflectance, to="beer"), levels.counts("beer"), np.stack([certain, certain]),
        np.where(_OF_A_POUR, certain, np.inf), np.inf, bins,
    )  # fmt: skip
    found = pour_departures(fit, reflectance, sample)
    if not replicated:
        return fit, found
    told = levels.counts("sample")[sample] > 1
    good, doubt = told, np.ones(len(FAULTS))
    for _ in range(_TRIES):
        # an odd pour makes its mates look odd too, so that samples that hold one say nothing of good pours; from no
        # doubt upwards, or many odd pours would hide behind the doubt that they make
        odd = (found.gain / doubt > 2.0 * POUR_LIMIT)[:, _OF_A_POUR].any(axis=1)
        good = told & ~np.isin(sample, sample[odd])
        good = good if 2 * good.sum() > told.sum() else told
        doubt = _over_chance(found.gain[good], tails=False)
    limit = _far(found.distance[good])
    return replace(fit, pour_doubt=np.where(_OF_A_POUR, doubt, np.inf), pour_distance_limit=limit), found


# what pours of any house may differ by, sd along `CAUSES`, where no set has told them yet
_ANY_POUR_SD = np.array([0.012, 0.006, 0.002, 0.003, 0.015, 0.0015, 0.005, 0.0005])
# spectra that stand for all samples where no beers are known
_MOST_BASES = 12


def usual_fault_model(reflectance: Floats, sample: Ints, *, wavelength_nm: Floats) -> FaultModel:
    """Return what good pours are taken to look like before there is a set: of usual sizes, with the noise of these."""
    # reflectance (n_pours, p), sample (n_pours,)
    bins = slit_bins(wavelength_nm)
    axis = pooled(wavelength_nm, bins)
    noise = _noise(reflectance, sample, wavelength_nm, bins)
    means = mean_by(reflectance, sample)[0]
    by_level = np.argsort(means.mean(axis=1), kind="stable")
    bases = means[by_level[np.unique(np.linspace(0, by_level.size - 1, _MOST_BASES).round().astype(np.int64))]]
    return FaultModel(
        Optics(axis, noise.light, glare_of(pooled(means, bins)), USUAL_FOAM), noise,
        NormalVariation(np.zeros((0, axis.size)), _ANY_POUR_SD**2, BATCH_SD**2, 1.0),
        bases, np.ones(len(bases), np.int64), np.ones((2, len(FAULTS))),
        np.where(_OF_A_POUR, 1.0, np.inf), 1.0 + _FAR, bins,
    )  # fmt: skip


def carry_sessions(fit: FaultModel, missing: float, sd: Floats, sessions_per_beer: Ints) -> FaultModel:
    """Return the fit with what its scatter between batches lacks of the effect of sessions."""
    # missing: part of it that is lacking; sd (3,): of axis in nm, lamp and its tilt; sessions_per_beer (n_beers,)
    batch = fit.scatter.batch.copy()
    for name, one in zip(OF_SESSION, sd.tolist(), strict=True):
        batch[CAUSES.index(name)] += missing * one**2
    return replace(fit, scatter=replace(fit.scatter, batch=batch), sessions_per_beer=sessions_per_beer)


def calibrate_thresholds(fit: FaultModel, reflectance: Floats, levels: Levels) -> FaultModel:
    """Learn how samples scatter about their beer, and how far those of batches held out reach beyond chance."""
    # reflectance (n_pours, p)
    fit = _good_scans(fit, reflectance, levels, fit.scatter.pour)
    # by half (of the logarithm): so much of it holds for new pours, and of paths nothing; see docs/reasons.md
    doubt = np.sqrt([_over_chance(gains) for gains in _held_out_gains(fit, reflectance, levels)])
    return replace(fit, sample_doubt=np.where(_KIND == "path", 1.0, doubt))


def _good_scans(fit: FaultModel, reflectance: Floats, levels: Levels, pour: Floats | None = None) -> FaultModel:
    """Return the fit with beer means and scatter learnt from these scans, that of pours unless it is given."""
    scatter = fit_natural_scatter(fit.pool(reflectance), levels, optics=fit.optics, noise=fit.noise, pour=pour)
    beer_means = levels.mean(reflectance, to="beer")
    return replace(fit, scatter=scatter, beer_means=beer_means, batches_per_beer=levels.counts("beer"))


def _held_out_gains(fit: FaultModel, reflectance: Floats, levels: Levels) -> tuple[Floats, Floats]:
    """Gains of single pours and of samples, (n, n_faults) each, by beer means and scatter that never saw the batch."""
    batch, beer = levels.codes("batch"), levels.codes("beer")
    # the batches of each beer are dealt out to the folds in turn
    fold = place_within(levels.beer) % N_FOLDS
    single, full = ([np.zeros((0, len(FAULTS)))] for _ in range(2))
    for held_out in range(N_FOLDS):
        left = np.flatnonzero(fold[batch] != held_out)
        rows = np.flatnonzero((fold[batch] == held_out) & np.isin(beer, beer[left]))
        if not rows.size:
            continue
        known = np.unique(beer[left])
        part, new = _good_scans(fit, reflectance[left], levels.part(left)), levels.part(rows, same_beers=True)
        single.append(
            _gains(part, reflectance[rows], np.searchsorted(known, new.codes("beer")), np.ones(rows.size, np.int64))
        )
        its_beer = np.searchsorted(known, new.codes("beer", of="sample"))
        full.append(_gains(part, new.mean(reflectance[rows], to="sample"), its_beer, new.counts("sample")))
    return np.concatenate(single), np.concatenate(full)


def _gains(fit: FaultModel, reflectance: Floats, beer: Ints, n_pours: Ints) -> Floats:
    gains = np.zeros((len(reflectance), len(FAULTS)))
    for (k, m), rows in rows_by(beer, n_pours):
        detector = fit.sample_detector(k, float(m))
        gains[rows] = detector.explain(fit.pool(reflectance[rows]) - detector.base).gain
    return gains


def _far(distance: Floats) -> float:
    """Return the squared distance, over the number of bins, from which on a pour is odd whatever the cause."""
    middle, most = np.quantile(distance, [0.5, _COMPARED_AT])
    return float(max(most, 1.0) + _FAR * max(most - middle, 0.25 * middle))


# faults that are one quantity in two directions, and the two whites, reach equally far
_KIND = np.array([{"haze": "foam", "haze_inside": "inside"}.get(name, name.split("_")[0]) for name in FAULT_NAMES])


def _over_chance(gains: Floats, *, at: float = _COMPARED_AT, tails: bool = True) -> Floats:
    """How much farther good scans reach than chance would let them, for each fault, 1 or more."""
    # At the gain that one in 50 passes, by peaks over the nine tenths: a house with heavy tails has them counted.
    # Without `tails` at the nine tenths: among pours that nobody has judged yet the peaks are those that are odd.
    doubt = np.ones(gains.shape[1])
    start, far = float(chdtri(1, 2.0 * (1.0 - at))), float(chdtri(1, 2.0 * _PASSED))
    folds = np.log((1.0 - at) / _PASSED)
    for kind in np.unique(_KIND) if len(gains) else ():
        own = gains[:, kind == _KIND]
        low = float(quantiles(own.ravel(), (at,))[0])
        if not tails:
            doubt[kind == _KIND] = max(1.0, low / start)
            continue
        usual = max(low, start) / start * (far - start) / folds
        peaks = np.minimum(own[own > low] - low, _HIGHEST_PEAK * usual)
        excess = (peaks.sum() + _PRIOR_PEAKS * usual) / (peaks.size + _PRIOR_PEAKS)
        doubt[kind == _KIND] = max(1.0, (low + folds * excess) / far)
    return doubt
