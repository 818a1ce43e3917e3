"""One odd pour among good ones: judged by its difference from its mates, named, and why."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.faults.diagnosis import Diagnosis, join_findings, judge
from specmatch.maths.faults.fault_model import POUR_LIMIT, FaultModel, pour_departures

# mates that must agree before one pour can be called the odd one
FEWEST_MATES = 2
# once one pour is set aside the others are given this much room: they were not picked for being far apart
AGREEING = 1.5


@dataclass(frozen=True)
class OddPours:
    """What the pours of each sample say of one another."""

    odd: Mask  # (n_pours,): pours that depart from at least two mates which agree
    # (n_samples,): samples whose pours differ by more than good pours do, without telling which is wrong
    disagree: Mask
    pours: Ints  # (n_odd,): the odd pours, in order
    finding: Diagnosis  # of the odd pours; fault -1 where no known fault explains the pour


def find_outlying_replicates(
    fit: FaultModel, reflectance: Floats, sample: Ints, suspected: Ints | None = None
) -> OddPours:
    """Find the pours that depart from their mates by more than good pours do."""
    # reflectance (n_pours, p), sample (n_pours,), suspected (k,)
    odd, disagree = odd_among_mates(fit, reflectance, sample, suspected)
    pours = np.flatnonzero(odd)
    found = [(np.array([i]), _explained(fit, reflectance, sample, odd, int(pour))) for i, pour in enumerate(pours)]
    return OddPours(odd, disagree, pours, join_findings(found, pours.size))


def odd_among_mates(
    fit: FaultModel, reflectance: Floats, sample: Ints, suspected: Ints | None = None
) -> tuple[Mask, Mask]:
    """Find odd pours as `find_outlying_replicates` does, without asking why."""
    # -> (n_pours,)
    n_samples = int(sample.max(initial=-1)) + 1
    odd, disagree = np.zeros(len(sample), bool), np.zeros(n_samples, bool)
    gains, distances = pour_departures(fit, reflectance, sample)
    doubtful = _oddness(fit, gains, distances) > 1.0
    named = np.zeros(len(sample), bool)
    if suspected is not None:
        named[suspected] = True
    order, counts = np.argsort(sample, kind="stable"), np.bincount(sample, minlength=n_samples)
    first = np.cumsum(counts) - counts
    for code in np.unique(sample[doubtful | named]):
        members = order[first[code] : first[code] + counts[code]]
        apart = _apart(fit, reflectance[members], named[members])
        if apart is None:
            disagree[code] = True
        else:
            odd[members[apart]] = True
    return odd, disagree


def _oddness(fit: FaultModel, gains: Floats, distances: Floats) -> Floats:
    """How far out pours lie, as a multiple of what makes a pour odd."""
    return np.maximum((gains / fit.pour_doubt).max(axis=1) / POUR_LIMIT, distances / fit.pour_distance_limit)


def _apart(fit: FaultModel, pours: Floats, suspected: Mask) -> Ints | None:
    """Return the odd ones among the pours of one sample, none if all agree, or None where nothing tells which."""
    left = np.flatnonzero(~suspected)
    if left.size < FEWEST_MATES:
        left = np.arange(len(pours))
    while True:
        gains, distances = _at_own_spectrum(fit, pours[left])
        oddness = _oddness(fit, gains, distances)
        if oddness.max() <= (AGREEING if left.size < len(pours) else 1.0):
            return np.setdiff1d(np.arange(len(pours)), left)
        if left.size <= FEWEST_MATES:
            return None
        left = np.delete(left, int(oddness.argmax()))


def _at_own_spectrum(fit: FaultModel, pours: Floats) -> tuple[Floats, Floats]:
    m = len(pours)
    detector = fit.pour_detector(fit.smoothed(np.median(pours, axis=0)), m - 1.0)
    apart = (pours - pours.mean(axis=0)) * (m / (m - 1.0))
    return detector.explain(apart).gain, detector.distance(apart) / pours.shape[1]


def _explained(fit: FaultModel, reflectance: Floats, sample: Ints, odd: Mask, pour: int) -> Diagnosis:
    mates = reflectance[(sample == sample[pour]) & ~odd]
    detector = fit.pour_detector(fit.smoothed(mates.mean(axis=0)), float(len(mates)))
    departure = (reflectance[pour] - mates.mean(axis=0))[None]
    return judge(detector, departure, detector.explain(departure), doubt=fit.pour_doubt, limit=POUR_LIMIT)
