"""Learn what good scans of a house look like, and how far they reach beyond chance.

What good scans of a house look like, learnt from its set, and which known fault best explains another scan.

Two departures are judged: of a pour from its mates, and of a sample from the mean of a beer.

Which of several beers a faulty sample was, where no claim says so: the one that a known fault brings it back to.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import chdtri

from specmatch.array_types import Floats, Ints
from specmatch.maths.faults.detector import Detector
from specmatch.maths.faults.diagnosis import CLOSE, Diagnosis, join_findings, judge, rows_by
from specmatch.maths.faults.normal_variation import NormalVariation, fit_natural_scatter
from specmatch.maths.optics.cup import FAULTS, Optics, glare_of
from specmatch.maths.spectra.noise import ChannelNoise, fit_light_noise, slit_weights
from specmatch.maths.statistics.levels import Levels, mean_by

# Gains from which on a fault is named: of a sample against its beer, and of a pour against its mates. In trials on
# invented breweries 3 % of good samples and 1 % of good triples reach them by chance; see docs/reasons.md.
SAMPLE_LIMIT, POUR_LIMIT = 8.0, 14.0

# detectors kept for the next samples, some megabytes in all: to prepare one takes a quarter of what a reading takes
MOST_DETECTORS = 48


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

    def nearest_means(self, reflectance: Floats) -> Ints:
        """Return the beer whose mean is most like each row in absorbance, shape (n,)."""
        from_floor = 0.02
        rows, means = np.log(np.maximum(reflectance, 0.0) + from_floor), np.log(self.beer_means + from_floor)
        return ((means**2).sum(axis=1) - 2.0 * rows @ means.T).argmin(axis=1).astype(np.int64)

    def sample_detector(self, beer: int, n_pours: float) -> Detector:
        """Prepare to explain departures of samples of `n_pours` pours from the mean of a beer."""
        found = self._detectors.get((beer, n_pours))
        if found is None:
            base, n_batches = self.beer_means[beer], float(self.batches_per_beer[beer])
            noise = self.noise.sample_variance(base, n_pours)
            noise = noise + self.noise.sample_variance(base, 1.0 / self.scatter.per_pour) / n_batches
            spread = self.scatter.of_sample(n_pours, n_batches)
            found = Detector(base, self.optics, self.scatter.directions(base, self.optics), spread, noise)
            if len(self._detectors) >= MOST_DETECTORS:
                self._detectors.clear()
            self._detectors[beer, n_pours] = found
        return found

    @cached_property
    def _detectors(self) -> dict[tuple[int, float], Detector]:
        return {}

    def pour_detector(self, base: Floats, n_mates: float) -> Detector:
        """Prepare to explain departures of a pour from the mean of its mates, which look like `base`, shape (p,)."""
        noise = self.noise.variance(base) * (1.0 + 1.0 / n_mates)
        causes = self.scatter.directions(base, self.optics)
        return Detector(base, self.optics, causes, self.scatter.of_pour(n_mates), noise)

    def explain_samples(self, reflectance: Floats, n_pours: Ints, beer: Ints) -> Diagnosis:
        """Find the fault that best explains how samples depart from beers."""
        # reflectance (n, p), n_pours (n,), beer (n,)
        parts: list[tuple[Ints, Diagnosis]] = []
        for (k, m), rows in rows_by(beer, n_pours):
            detector = self.sample_detector(k, float(m))
            departure = reflectance[rows] - detector.base
            # between one pour and the full number, whichever is the more doubtful
            full = 1.0 / self.scatter.per_pour - 1e-9
            doubt = self.sample_doubt[0] if m == 1 else self.sample_doubt[1] if m > full else self.sample_doubt.max(0)
            explanation = detector.explain(departure)
            parts.append((rows, judge(detector, departure, explanation, doubt=doubt, limit=SAMPLE_LIMIT)))
        return join_findings(parts, len(beer))

    def without_faults(self, reflectance: Floats, n_pours: Ints, beer: Ints, finding: Diagnosis) -> Floats:
        """Return samples, shape (n, p), as they would read without the faults found in them."""
        cleaned = np.empty_like(reflectance)
        for rows, detector, faults in self._named(n_pours, beer, finding):
            cleaned[rows] = detector.cleaned(reflectance[rows] - detector.base, faults)
        return cleaned

    def left_over(self, reflectance: Floats, n_pours: Ints, beer: Ints, finding: Diagnosis) -> Floats:
        """Return the squared distance from its beer that the faults found in a sample do not explain, shape (n,)."""
        left = np.empty(len(reflectance))
        for rows, detector, faults in self._named(n_pours, beer, finding):
            left[rows] = detector.distance(reflectance[rows] - detector.base - faults)
        return left

    def _named(self, n_pours: Ints, beer: Ints, finding: Diagnosis) -> Iterator[tuple[Ints, Detector, Floats]]:
        for (k, m), rows in rows_by(beer, n_pours):
            detector, one = self.sample_detector(k, float(m)), finding.rows(rows)
            yield rows, detector, detector.pattern(one.fault, one.size) + detector.pattern(one.second, one.second_size)

    @cached_property
    def _slit(self) -> Floats:
        return slit_weights(self.optics.wavelength_nm)

    def smoothed(self, reflectance: Floats) -> Floats:
        """Return spectra, shape (n, p), with no more detail than the slit passes."""
        return reflectance @ self._slit.T


def pour_departures(fit: FaultModel, reflectance: Floats, sample: Ints) -> tuple[Floats, Floats]:
    """Hold each pour against its mates, at the mean spectrum of the beer that looks most like them."""
    # reflectance (n, p), sample (n,) -> (n, n_faults), (n,)
    means, counts = mean_by(reflectance, sample)
    gains, distances = np.zeros((len(reflectance), len(FAULTS))), np.zeros(len(reflectance))
    several = np.flatnonzero(counts[sample] > 1)
    if not several.size:
        return gains, distances
    like = fit.nearest_means(means)[sample[several]]
    for (beer, m), rows in rows_by(like, counts[sample[several]]):
        chosen = several[rows]
        detector = fit.pour_detector(fit.beer_means[beer], m - 1.0)
        apart = (reflectance[chosen] - means[sample[chosen]]) * (m / (m - 1.0))
        gains[chosen] = detector.explain(apart).gain
        distances[chosen] = detector.distance(apart) / reflectance.shape[1]
    return gains, distances


def best_explained_beer(fit: FaultModel, reflectance: Floats, n_pours: Ints, candidates: Ints) -> Ints:
    """Return for each sample the candidate from which it is least far once the best fault is taken away."""
    # reflectance (n, p), n_pours (n,), candidates (n, m) -> (n,)
    left = np.empty(candidates.shape)
    for column in range(candidates.shape[1]):
        beer = candidates[:, column]
        found = fit.explain_samples(reflectance, n_pours, beer)
        left[:, column] = fit.left_over(reflectance, n_pours, beer, found)
    left[:, 1:] += CLOSE
    return candidates[np.arange(len(candidates)), left.argmin(axis=1)]


# faults that a pour can have while its mates have not; the axis of an instrument does not come and go with a pour
_OF_A_POUR = np.array([not fault.name.startswith("axis_") for fault in FAULTS])

# quantile at which good scans are compared with chance: high enough to matter, low enough for a few bad scans to hide
_COMPARED_AT = 0.90
N_FOLDS = 4

# a pour this much farther out than good ones is odd whatever the cause
_ODD_DISTANCE = 1.5


def fit_fault_model(reflectance: Floats, levels: Levels, *, wavelength_nm: Floats) -> FaultModel:
    """Learn what good scans look like: all that judging pours against their mates needs.

    A gain is twice the log likelihood ratio of a fault against none; by chance alone it is chi-squared with one degree
    of freedom half of the time, and 0 otherwise, since sizes are not negative. Where the set's own scans reach higher
    (each batch held against the mean of the others, each pour against its mates), gains are divided by the ratio.
    """
    # reflectance (n_pours, p), wavelength_nm (p,)
    sample, beer = levels.sample, levels.codes("beer")
    replicated = bool((levels.counts("sample") > 1).any())
    noise = fit_light_noise(reflectance, sample if replicated else beer, wavelength_nm=wavelength_nm)
    means = mean_by(reflectance, beer)[0]
    optics = Optics(wavelength_nm, noise.light, glare_of(means))
    unknown = NormalVariation(np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0)
    certain = np.ones(len(FAULTS))
    blank = FaultModel(
        optics, noise, unknown, means, np.bincount(beer), np.stack([certain, certain]),
        np.where(_OF_A_POUR, certain, np.inf), np.inf,
    )  # fmt: skip
    fit = _good_scans(blank, reflectance, levels)
    if not replicated:
        return fit
    gains, distances = pour_departures(fit, reflectance, sample)
    told = levels.counts("sample")[sample] > 1
    return replace(
        fit,
        pour_doubt=np.where(_OF_A_POUR, _over_chance(gains[told]), np.inf),
        pour_distance_limit=float(_ODD_DISTANCE * max(1.0, np.quantile(distances[told], _COMPARED_AT))),
    )


def calibrate_thresholds(fit: FaultModel, reflectance: Floats, levels: Levels) -> FaultModel:
    """Learn how far samples of batches held out reach beyond chance."""
    # reflectance (n_pours, p)
    single, full = _held_out_gains(fit, reflectance, levels)
    return replace(fit, sample_doubt=np.stack([_over_chance(single), _over_chance(full)]))


def _good_scans(fit: FaultModel, reflectance: Floats, levels: Levels) -> FaultModel:
    """Return the fit with beer means and scatter learnt from these scans."""
    scatter = fit_natural_scatter(reflectance, levels, optics=fit.optics, noise=fit.noise)
    beer_means = levels.mean(reflectance, to="beer")
    return replace(fit, scatter=scatter, beer_means=beer_means, batches_per_beer=levels.counts("beer"))


def _held_out_gains(fit: FaultModel, reflectance: Floats, levels: Levels) -> tuple[Floats, Floats]:
    """Gains of single pours and of samples, (n, n_faults) each, by beer means and scatter that never saw the batch."""
    batch_beer, batch, beer = levels.beer, levels.codes("batch"), levels.codes("beer")
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
        gains[rows] = detector.explain(reflectance[rows] - detector.base).gain
    return gains


def _over_chance(gains: Floats) -> Floats:
    """How much farther good scans reach than chance would let them, for each fault, 1 or more."""
    if not len(gains):
        return np.ones(gains.shape[1])
    by_chance = float(chdtri(1, 2.0 * (1.0 - _COMPARED_AT)))
    return np.maximum(np.quantile(gains, _COMPARED_AT, axis=0) / by_chance, 1.0)
