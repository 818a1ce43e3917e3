"""One odd pour among good ones: found by its difference from its mates, and named, before there is a set and after."""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats, Ints, Mask
from specmatch.maths.faults.diagnosis import Diagnosis, join_findings, judge
from specmatch.maths.faults.fault_model import POUR_LIMIT, FaultModel, PourDepartures, departures_of, pour_departures
from specmatch.maths.statistics.levels import rows_of

# mates that must agree before one pour can be called the odd one
FEWEST_MATES = 2
# so odd at the spectrum of the beer nearest to it, which may be far off, a pour is looked at again at its mates' own
AT_BEER = 0.8
# once one pour is set aside the others are given this much room: they were not picked for being far apart
AGREEING = 1.5
# samples of more pours than this: the odd ones are set aside together, by their distance from the median
ONE_BY_ONE = 6
_ROUNDS = 5


@dataclass(frozen=True)
class OddPours:
    """What the pours of each sample say of one another."""

    odd: Mask  # (n_pours,): pours that depart from at least two mates which agree
    # (n_samples,): samples whose pours differ by more than good pours do, without telling which is wrong
    disagree: Mask
    pours: Ints  # (n_odd,): the odd pours, in order
    finding: Diagnosis  # of the odd pours; fault -1 where no known fault explains the pour
    oddness: Floats  # (n_odd,): how far out they lie, as a multiple of what makes a pour odd
    unsettled: Ints  # (n_disagree,): of each sample that disagrees the pour farthest from the mean of the others
    difference: Diagnosis  # of those pours against the others
    unsettled_oddness: Floats  # (n_disagree,)


def find_outlying_replicates(
    fit: FaultModel, reflectance: Floats, sample: Ints, *, limit: float = POUR_LIMIT
) -> OddPours:
    """Find the pours that depart from their mates by more than good pours do."""
    # reflectance (n_pours, p), sample (n_pours,)
    # limit: gain from which on a fault is named
    odd, disagree = odd_among_mates(fit, reflectance, sample, limit=limit)
    binned, members = fit.pool(reflectance), rows_of(sample)
    pours, unsettled = np.flatnonzero(odd), np.zeros(0, np.int64)
    finding, oddness = [], np.zeros(pours.size)
    for code in np.unique(sample[pours]).tolist():
        own, at = members[code], np.flatnonzero(sample[pours] == code)
        found, oddness[at] = _explained(fit, binned, pours[at], own[~odd[own]], limit)
        finding.append((at, found))
    difference, differ = [], np.zeros(int(disagree.sum()))
    for k, code in enumerate(np.flatnonzero(disagree).tolist()):
        own = members[code]
        worst = own[[_oddest(fit, _at_own_spectrum(fit, binned[own]), limit)]]
        unsettled = np.concatenate([unsettled, worst])
        found, differ[[k]] = _explained(fit, binned, worst, own[own != worst], limit)
        difference.append((np.array([k]), found))
    return OddPours(
        odd, disagree,
        pours, join_findings(finding, pours.size), oddness,
        unsettled, join_findings(difference, unsettled.size), differ,
    )  # fmt: skip


def odd_among_mates(
    fit: FaultModel, reflectance: Floats, sample: Ints, *, limit: float = POUR_LIMIT,
    departures: PourDepartures | None = None,
) -> tuple[Mask, Mask]:  # fmt: skip
    """Find odd pours as `find_outlying_replicates` does, without asking why."""
    # departures: of these pours, where they are known -> (n_pours,), (n_samples,)
    odd, disagree = np.zeros(len(sample), bool), np.zeros(int(sample.max(initial=-1)) + 1, bool)
    found = pour_departures(fit, reflectance, sample) if departures is None else departures
    doubtful = found.oddness(fit, limit) > AT_BEER
    members = rows_of(sample)
    for code in np.unique(sample[doubtful]).tolist():
        own = members[code]
        apart = _apart(fit, fit.pool(reflectance[own]), limit)
        if apart is None:
            disagree[code] = True
        else:
            odd[own[apart]] = True
    return odd, disagree


def _apart(fit: FaultModel, pours: Floats, limit: float) -> Ints | None:
    """Return the odd ones among the pours of one sample, none if all agree, or None where nothing tells which."""
    # pours (m, n_bins)
    left = np.arange(len(pours))
    if left.size > ONE_BY_ONE:
        return _apart_of_many(fit, pours, left, limit)
    while True:
        found = _at_own_spectrum(fit, pours[left])
        if found.oddness(fit, limit).max() <= (AGREEING if left.size < len(pours) else 1.0):
            return np.setdiff1d(np.arange(len(pours)), left)
        if left.size <= FEWEST_MATES:
            return None
        left = np.delete(left, _oddest(fit, found, limit))


def _oddest(fit: FaultModel, found: PourDepartures, limit: float) -> int:
    """Return which pour lies farthest out, the same one whatever the limit is."""
    # beside a large fault a mate may look like another fault turned round, by a larger gain: there the distance decides
    far = found.distance.max(initial=0.0) > fit.pour_distance_limit
    return int((found.distance if far else found.oddness(fit, limit)).argmax())


def _apart_of_many(fit: FaultModel, pours: Floats, left: Ints, limit: float) -> Ints | None:
    """Do the work of `_apart` in a few looks, however many pours there are: most of them must agree."""
    candidates, centre = left, np.median(pours[left], axis=0)
    detector = fit.pour_detector(fit.smoothed(centre), left.size - 1.0)
    for _ in range(_ROUNDS):
        kept = candidates[departures_of(detector, pours[candidates] - centre).oddness(fit, limit) <= 1.0]
        if 2 * kept.size <= candidates.size:
            return None
        if np.array_equal(kept, left):
            break
        left, centre = kept, pours[kept].mean(axis=0)
    return np.setdiff1d(np.arange(len(pours)), left)


def _at_own_spectrum(fit: FaultModel, pours: Floats) -> PourDepartures:
    m = len(pours)
    detector = fit.pour_detector(fit.smoothed(np.median(pours, axis=0)), m - 1.0)
    return departures_of(detector, (pours - pours.mean(axis=0)) * (m / (m - 1.0)))


def _explained(fit: FaultModel, binned: Floats, pours: Ints, mates: Ints, limit: float) -> tuple[Diagnosis, Floats]:
    """Return what explains pours of one sample beside their mates, and how far out each lies."""
    mean = binned[mates].mean(axis=0)
    detector = fit.pour_detector(fit.smoothed(mean), float(mates.size))
    departure = binned[pours] - mean
    found = judge(detector, departure, detector.explain(departure), doubt=fit.pour_doubt)
    return found, departures_of(detector, departure).oddness(fit, limit)
