"""Package after package until the evidence suffices: a sequential test that knows that packages share a batch.

Packages of one batch average out pours, never the batch itself: the evidence stops growing, so the sequence has a
largest number of packages and ends in a hold.
"""

from dataclasses import dataclass

import numpy as np

from specmatch.array_types import Floats
from specmatch.errors import OptionError
from specmatch.maths.classification.class_model import ClassModel
from specmatch.warning_codes import CONSISTENT, HOLD

ANOTHER = "another"


@dataclass(frozen=True)
class Step:
    """Where a sequence stands."""

    decision: str  # `another`: take another package
    n_packages: int  # packages behind the decision: those after it were not needed
    rival: int  # beer that speaks most against the claim
    log_ratio: float  # log likelihood of that beer over the claimed one


def wald_bounds(wrong_hold: float, wrong_pass: float) -> tuple[float, float]:
    """Return the bounds of the log likelihood ratio (rival over claim) at which a sequence ends.

    A. Wald, Annals of Mathematical Statistics 16:117-186, 1945: ln(beta/(1-alpha)) and ln((1-beta)/alpha).
    """
    for name, chance in (("wrong_hold", wrong_hold), ("wrong_pass", wrong_pass)):
        if not 0.0 < chance < 0.5:
            raise OptionError(f"{name} is {chance!r}; expected a chance between 0 and 0.5, such as 0.05")
    return float(np.log(wrong_pass / (1.0 - wrong_hold))), float(np.log((1.0 - wrong_pass) / wrong_hold))


def package_log_ratios(fit: ClassModel, reflectance: Floats, claimed: int) -> Floats:
    """Return log likelihood ratios, every beer over the claimed one, after each package.

    Along each axis of the metric the mean of m packages has the variance of a sample of m pours: that of the batch,
    which no package averages out, and 1/m of that between pours.
    """
    # reflectance (m, p) -> (m, n_beers)
    counts = np.arange(1, len(reflectance) + 1)
    means = np.cumsum(fit.metric.scores(reflectance), axis=0) / counts[:, None]
    ratios = np.empty((len(counts), len(fit.beer_means)))
    for row, m in enumerate(counts):
        weight = fit.weights(float(m))
        squared = ((means[row] - fit.beer_means) ** 2 * weight).sum(axis=1)
        log_density = 0.5 * (np.log(weight).sum(axis=1) - squared / fit.tail.inflation)
        ratios[row] = log_density - log_density[claimed]
    return ratios


def next_step(
    fit: ClassModel,
    reflectance: Floats,
    *,
    claimed: int,
    wrong_hold: float = 0.05,
    wrong_pass: float = 0.01,
    most_packages: int = 6,
) -> Step:
    """Say after the packages taken so far whether they suffice."""
    # reflectance (m, p)
    # wrong_hold, wrong_pass: chance that a rightly claimed batch is held, and that a batch of another beer of the set
    # passes
    low, high = wald_bounds(wrong_hold, wrong_pass)
    ratios = package_log_ratios(fit, reflectance, claimed)
    rivals = np.delete(ratios, claimed, axis=1)
    # a set of one beer has no rival: only the claim itself can fall
    strongest = rivals.max(axis=1) if rivals.shape[1] else np.full(len(ratios), -np.inf)
    counts = np.arange(1, len(ratios) + 1)
    means = np.cumsum(reflectance, axis=0) / counts[:, None]
    typical = fit.match(means, counts).p_value[:, claimed] > wrong_hold
    for row, m in enumerate(counts):
        others = np.where(np.arange(ratios.shape[1]) == claimed, -np.inf, ratios[row])
        rival = int(others.argmax())
        if strongest[row] >= high or not typical[row] or m > most_packages:
            return Step(HOLD, int(m), rival, float(strongest[row]))
        if strongest[row] <= low:
            return Step(CONSISTENT, int(m), rival, float(strongest[row]))
        if m == most_packages:
            return Step(HOLD, int(m), rival, float(strongest[row]))
    return Step(ANOTHER, len(counts), rival, float(strongest[-1]))
