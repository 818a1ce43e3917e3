"""What good scans of a house look like, learnt from its set, and which known fault best explains another scan.

Two departures are judged: of a pour from its mates, and of a sample from the mean of a beer.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from specmatch.array_types import Floats, Ints
from specmatch.maths.fault_detector import Detector
from specmatch.maths.fault_finding import Finding, join_findings, judge, rows_by
from specmatch.maths.fault_shapes import FAULTS, Optics
from specmatch.maths.light_noise import LightNoise, slit_weights
from specmatch.maths.natural_scatter import NaturalScatter
from specmatch.maths.statistics import mean_by

# Gains from which on a fault is named: of a sample against its beer, and of a pour against its mates. In trials on
# invented breweries 3 % of good samples and 1 % of good triples reach them by chance; see docs/reasons.md.
SAMPLE_LIMIT, POUR_LIMIT = 8.0, 14.0
# detectors kept for the next samples, some megabytes in all: to prepare one takes a quarter of what a reading takes
MOST_DETECTORS = 48


@dataclass(frozen=True)
class FaultFit:
    """What good scans of a house look like, and what is needed to explain others.

    Attributes
    ----------
    optics : Optics
    noise : LightNoise
    scatter : NaturalScatter
    beer_means : ndarray, shape (n_beers, p)
        Mean reflectance of each beer, batches weighing alike.
    batches_per_beer : ndarray of int, shape (n_beers,)
    sample_doubt : ndarray, shape (2, n_faults)
        How much more of each fault the set's own scans seem to have than chance gives, 1 or more: single pours, and
        samples at their full number of pours.
    pour_doubt : ndarray, shape (n_faults,)
        The same for pours against their mates; infinite for faults that mates share.
    pour_distance_limit : float
        Squared distance of a pour from its mates, over the number of channels, from which on it is odd in any case.
    """

    optics: Optics
    noise: LightNoise
    scatter: NaturalScatter
    beer_means: Floats
    batches_per_beer: Ints
    sample_doubt: Floats
    pour_doubt: Floats
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

    def explain_samples(self, reflectance: Floats, n_pours: Ints, beer: Ints) -> Finding:
        """Find the fault that best explains how samples depart from beers.

        Parameters
        ----------
        reflectance : ndarray, shape (n, p)
        n_pours : ndarray of int, shape (n,)
        beer : ndarray of int, shape (n,)
            The beer that each is held against.

        Returns
        -------
        Finding
        """
        parts: list[tuple[Ints, Finding]] = []
        for (k, m), rows in rows_by(beer, n_pours):
            detector = self.sample_detector(k, float(m))
            departure = reflectance[rows] - detector.base
            # between one pour and the full number, whichever is the more doubtful
            full = 1.0 / self.scatter.per_pour - 1e-9
            doubt = self.sample_doubt[0] if m == 1 else self.sample_doubt[1] if m > full else self.sample_doubt.max(0)
            explanation = detector.explain(departure)
            parts.append((rows, judge(detector, departure, explanation, doubt=doubt, limit=SAMPLE_LIMIT)))
        return join_findings(parts, len(beer))

    def without_faults(self, reflectance: Floats, n_pours: Ints, beer: Ints, finding: Finding) -> Floats:
        """Return samples, shape (n, p), as they would read without the faults found in them."""
        cleaned = np.empty_like(reflectance)
        for rows, detector, faults in self._named(n_pours, beer, finding):
            cleaned[rows] = detector.cleaned(reflectance[rows] - detector.base, faults)
        return cleaned

    def left_over(self, reflectance: Floats, n_pours: Ints, beer: Ints, finding: Finding) -> Floats:
        """Return the squared distance from its beer that the faults found in a sample do not explain, shape (n,)."""
        left = np.empty(len(reflectance))
        for rows, detector, faults in self._named(n_pours, beer, finding):
            left[rows] = detector.distance(reflectance[rows] - detector.base - faults)
        return left

    def _named(self, n_pours: Ints, beer: Ints, finding: Finding) -> Iterator[tuple[Ints, Detector, Floats]]:
        for (k, m), rows in rows_by(beer, n_pours):
            detector, one = self.sample_detector(k, float(m)), finding.rows(rows)
            yield rows, detector, detector.pattern(one.fault, one.size) + detector.pattern(one.second, one.second_size)

    @cached_property
    def _slit(self) -> Floats:
        return slit_weights(self.optics.wavelength_nm)

    def smoothed(self, reflectance: Floats) -> Floats:
        """Return spectra, shape (n, p), with no more detail than the slit passes."""
        return reflectance @ self._slit.T


def pour_departures(fit: FaultFit, reflectance: Floats, sample: Ints) -> tuple[Floats, Floats]:
    """Hold each pour against its mates, at the mean spectrum of the beer that looks most like them.

    Parameters
    ----------
    fit : FaultFit
    reflectance : ndarray, shape (n, p)
    sample : ndarray of int, shape (n,)
        Codes from 0 upwards.

    Returns
    -------
    gains : ndarray, shape (n, n_faults)
        Not divided by any doubt; 0 for a pour without mates.
    distances : ndarray, shape (n,)
        Squared distances over the number of channels.

    Examples
    --------
    >>> from specmatch.house.set_pours import gather_set
    >>> pours = gather_set(refs)
    >>> foamy = pours.reflectance.copy()
    >>> foamy[0] += 0.05
    >>> gains, distances = pour_departures(house.fitted.faults, foamy, pours.sample)
    >>> int(distances.argmax()), FAULTS[gains[0].argmax()].name
    (0, 'foam')
    """
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
