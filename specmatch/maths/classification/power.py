"""Can two beers be told apart by this check, and what would help: more pours, more batches, or nothing."""

from dataclasses import dataclass

from scipy.special import fdtri, ncfdtr

from specmatch.maths.classification.calibration import SHARE
from specmatch.maths.classification.class_model import ClassModel

POURS_TRIED = (1, 2, 3, 4, 5, 6, 8, 10)
BATCHES_TRIED = (4, 6, 8, 10, 15, 20, 30, 50)
# stands for "as many as you like"
ENDLESS = 10_000


@dataclass(frozen=True)
class Remedy:
    """What would make a mix-up visible."""

    held: float  # expected chance that the claim is held as things stand
    held_at_best: float  # the same with endless pours and batches: what no number can better
    # pours, batches: pours a sample (with the batches there are), or batches a beer (with the pours there are), that
    # bring the chance to the one wanted; None where no number does
    pours: int | None
    batches: int | None


def power(
    fit: ClassModel, claimed: int, really: int, *, n_pours: int, n_batches: int | None = None, rate: float = 0.05
) -> float:
    """Return the expected chance that a sample of one beer is refused as another.

    Squared distance over its scatter follows a noncentral F distribution, if the really poured beer scatters as the
    claimed one does: a forecast for "what if"; what was observed on held-out batches is the better figure. The
    squared distance between two estimated means is too large by their uncertainty, which is taken off first.
    """
    n_axes, dof = fit.beer_means.shape[1], fit.metric.dof
    if not fit.judges:
        return 0.0
    known = fit.batches_per_beer
    scale = fit.scatter.scale[claimed]
    n = float(known[claimed] if n_batches is None else n_batches)
    second = float(dof - n_axes + 1) if n_batches is None else float(known.size * (n_batches - 1) - n_axes + 1)
    scatter = fit.metric.scatter(float(n_pours)) + 1.0 / n
    gap = (fit.beer_means[claimed] - fit.beer_means[really]) ** 2 - scale / known[claimed] - scale / known[really]
    last = float(min(second, fit.tail.dof))
    limit = fdtri(n_axes, last, 1.0 - rate * (1.0 - SHARE))
    apart = max(0.0, float((gap / scatter).sum())) / (scale * fit.tail.inflation)
    return float(1.0 - ncfdtr(n_axes, max(last, 1.0), apart, limit))


def sample_size(
    fit: ClassModel, claimed: int, really: int, *, n_pours: int, rate: float = 0.05, wanted: float = 0.95
) -> Remedy:
    """Return what would make a mix-up visible."""

    def held(pours: int, batches: int | None) -> float:
        return power(fit, claimed, really, n_pours=pours, n_batches=batches, rate=rate)

    fewest = int(fit.batches_per_beer.min())
    pours = next((m for m in POURS_TRIED if m >= n_pours and held(m, None) >= wanted), None)
    batches = next((n for n in BATCHES_TRIED if n >= fewest and held(n_pours, n) >= wanted), None)
    return Remedy(held(n_pours, None), held(ENDLESS, ENDLESS), pours, batches)
